import pytest

from benchd_rig.bench import IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.sink import sink_instrument


@pytest.fixture
def panel(bench: Bench) -> ScpiInstrument:
    return sink_instrument(
        bench.sink, faults=bench.faults["sink"], identity=IDENTITIES["sink"], other_identity=OTHER_IDENTITY
    )


def test_in_voltage_mode_it_conducts_only_above_its_threshold(bench, clock, panel):
    bench.supply.set_voltage(12.0)
    bench.supply.set_current_limit(5.0)
    bench.supply.switch_output(on=True)
    panel.execute("FUNC VOLT;VOLT 15;CURR:LIM 4;:INP ON")
    clock.passes(0.5)
    assert panel.execute("MEAS:CURR?") == "0.000"
    panel.execute("VOLT 11")
    clock.passes(0.1)
    assert float(panel.execute("MEAS:CURR?")) > 1.0


@pytest.mark.parametrize(
    ("message", "mode", "level"),
    [
        ("CURR 2;FUNC CURR", "current", 2.0),
        ("RES 100;FUNC RES", "resistance", 100.0),
        ("POW 50;FUNC power", "power", 50.0),
    ],
)
def test_each_mode_has_its_own_level(bench, panel, message, mode, level):
    panel.execute(message)
    assert (bench.plant.sink.mode, bench.plant.sink.level) == (mode, level)


def test_the_mode_is_told_in_its_short_form(panel):
    assert panel.execute("FUNC?") == "VOLT"
    panel.execute("FUNCtion CURRent")
    assert panel.execute("FUNC?") == "CURR"


def test_an_unknown_mode_is_an_illegal_value(panel):
    panel.execute("FUNC CAPacitance")
    assert panel.execute("SYST:ERR?") == '-224,"Illegal parameter value"'


def test_the_current_level_and_the_current_limit_are_two_things(panel):
    panel.execute("CURR 3;CURR:LIM 7")
    assert panel.execute("CURR?") == "3.000"
    assert panel.execute("CURR:LIM?") == "7.000"


def test_a_tripped_protection_keeps_the_input_off_until_cleared(bench, panel):
    panel.execute("INP ON")
    bench.sink.trip()
    panel.execute("INP ON")
    assert panel.execute("INP?;:INP:PROT:TRIP?") == "0;1"
    panel.execute("INP:PROT:CLE")
    panel.execute("INP ON")
    assert panel.execute("INP?;:INP:PROT:TRIP?") == "1;0"
