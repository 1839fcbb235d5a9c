import pytest

from benchd_rig.bench import IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.supply import supply_instrument


@pytest.fixture
def panel(bench: Bench) -> ScpiInstrument:
    return supply_instrument(
        bench.supply, faults=bench.faults["supply"], identity=IDENTITIES["supply"], other_identity=OTHER_IDENTITY
    )


def test_it_holds_its_voltage_and_shows_it_in_millivolts(bench, clock, panel):
    panel.execute("VOLT 12.3456;CURR 5;:OUTP ON")
    clock.passes(0.5)
    assert panel.execute("VOLT?;CURR?;:OUTP?") == "12.346;5.000;1"
    volts = panel.execute("MEAS:VOLT?")
    assert float(volts) == pytest.approx(12.346, abs=0.05)
    assert len(volts.split(".")[1]) == 3


def test_its_current_limit_bounds_the_starting_current(bench, clock, panel):
    panel.execute("VOLT 24;CURR 3;:OUTP ON")
    clock.passes(0.02)
    assert float(panel.execute("MEAS:CURR?")) == pytest.approx(3.0, abs=0.01)
    assert float(panel.execute("MEAS:VOLT?")) < 10.0


def test_its_over_voltage_protection_latches_and_switches_off(bench, clock, panel):
    panel.execute("VOLT 24;CURR 10;VOLT:PROT 20;:OUTP ON")
    clock.passes(0.2)
    assert panel.execute("OUTP?;:VOLT:PROT:TRIP?") == "0;1"
    assert not bench.plant.supply.output_on
    panel.execute("VOLT 10;:OUTP ON")
    assert panel.execute("OUTP?;:SYST:ERR?") == '0;-221,"Settings conflict;protection has tripped"'
    panel.execute("OUTP:PROT:CLE")
    assert panel.execute("OUTP?;:VOLT:PROT:TRIP?") == "0;0"
    panel.execute("OUTP ON")
    clock.passes(0.2)
    assert panel.execute("OUTP?") == "1"


@pytest.mark.parametrize("message", ["VOLT 80.1", "VOLT -1", "CURR 61", "VOLT:PROT 89"])
def test_what_it_cannot_do_is_out_of_range_and_changes_nothing(bench, panel, message):
    panel.execute("*CLS")
    before = panel.execute("VOLT?;CURR?;VOLT:PROT?")
    panel.execute(message)
    assert panel.execute("SYST:ERR?") == '-222,"Data out of range"'
    assert panel.execute("VOLT?;CURR?;VOLT:PROT?") == before


def test_reset_switches_off_and_keeps_a_trip(bench, clock, panel):
    bench.supply.trip()
    panel.execute("VOLT 5;CURR 1")
    panel.execute("*RST")
    assert panel.execute("OUTP?;:VOLT?;CURR?;VOLT:PROT?;PROT:TRIP?") == "0;0.000;0.000;88.000;1"


def test_with_the_interlock_open_the_output_is_refused(bench, panel):
    bench.supply.interlock(closed=False)
    panel.execute("OUTP ON")
    assert panel.execute("OUTP?;:SYST:ERR?") == '0;-221,"Settings conflict;interlock is open"'


def test_it_answers_as_itself_or_as_another(bench, panel):
    assert panel.execute("*IDN?").startswith("Quillmoor Instruments,QS80-60,")
    bench.faults["supply"].switch("wrong_identity", on=True)
    assert not panel.execute("*IDN?").startswith("Quillmoor Instruments,QS80-60,")


def test_measured_values_can_be_not_a_number(bench, panel):
    bench.faults["supply"].switch("nan", on=True)
    assert panel.execute("MEAS:VOLT?;CURR?;POW?") == "9.91E37;9.91E37;9.91E37"
