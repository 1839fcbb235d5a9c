import pytest

from benchd_rig.bench import IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.measuring_unit import measuring_instrument
from benchd_rig.scpi_instrument import ScpiInstrument


@pytest.fixture
def panel(bench: Bench) -> ScpiInstrument:
    return measuring_instrument(
        bench.measuring_unit,
        faults=bench.faults["measuring_unit"],
        identity=IDENTITIES["measuring_unit"],
        other_identity=OTHER_IDENTITY,
    )


def test_values_come_in_the_order_asked(bench, clock, panel):
    bench.supply.set_voltage(24.0)
    bench.supply.set_current_limit(10.0)
    bench.supply.switch_output(on=True)
    clock.passes(1.0)
    speed, volts = map(float, panel.execute("FETC? (@5,1)").split(","))
    truth = bench.plant.truth()
    assert speed == pytest.approx(truth.motor_speed_rpm, rel=1e-3)
    assert volts == pytest.approx(truth.terminal_voltage_v / 10, rel=1e-3)


def test_without_a_list_every_input_answers(panel):
    assert len(panel.execute("FETCh?").split(",")) == 6


def test_an_overloaded_input_and_a_lead_that_is_off_use_the_numbers_of_scpi(bench, clock, panel):
    bench.plant.faults.transducer_offset_nm = -1.0  # beyond the narrow range only
    bench.plant.faults.encoder_lost = True
    clock.passes(0.1)
    wide, narrow, speed = panel.execute("FETC? (@3,4,5)").split(",")
    assert float(wide) == pytest.approx(-5.0, abs=0.1)
    assert (narrow, speed) == ("-9.9E37", "9.91E37")


def test_an_input_that_is_not_there_is_an_illegal_value(panel):
    assert panel.execute("FETC? (@7)") is None
    assert panel.execute("SYST:ERR?") == '-224,"Illegal parameter value"'
