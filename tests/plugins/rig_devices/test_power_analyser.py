import math

import pytest

from benchd_rig.power_analyser import RESULTS, PowerAnalyser, analyser_instrument
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.wire_faults import WireFaults


class Phases:
    """Sixteen numbers, and the window that they were asked for."""

    def __init__(self) -> None:
        self.window_s = 0.0
        self.results = {number: 10.0 * number for number in RESULTS}

    def analyse(self, window_s: float) -> dict[int, float]:
        self.window_s = window_s
        return self.results


@pytest.fixture
def phases() -> Phases:
    return Phases()


@pytest.fixture
def faults() -> WireFaults:
    return WireFaults(device="power_analyser", wire="scpi")


@pytest.fixture
def panel(phases: Phases, faults: WireFaults) -> ScpiInstrument:
    analyser = PowerAnalyser(phases=phases, faults=faults)
    return analyser_instrument(analyser, faults=faults, identity="one", other_identity="other")


def test_results_come_in_the_order_asked(panel):
    assert [float(text) for text in panel.execute("FETC? (@13,1,16)").split(",")] == [130.0, 10.0, 160.0]
    assert len(panel.execute("FETCh?").split(",")) == 16


def test_an_overload_and_a_result_that_is_none_use_the_numbers_of_scpi(panel, phases):
    phases.results |= {4: math.inf, 16: math.nan}
    assert panel.execute("FETC? (@4,16)") == "9.9E37,9.91E37"


def test_it_integrates_over_the_window_it_was_told(panel, phases):
    panel.execute("FETC?")
    assert phases.window_s == 0.1
    assert panel.execute("SENS:SWE:TIME 250ms;TIME?;:FETC? (@1)") == "0.250;1.000000E+01"
    assert phases.window_s == 0.25
    panel.execute("*RST;FETC?")
    assert phases.window_s == 0.1


@pytest.mark.parametrize("seconds", ["0.049", "1.001"])
def test_a_window_that_it_does_not_have_is_out_of_range(panel, seconds):
    panel.execute(f"SENSe:SWEep:TIME {seconds}")
    assert panel.execute("SYST:ERR?") == '-222,"Data out of range"'
    assert panel.execute("SENSe:SWEep:TIME?") == "0.100"


def test_it_states_a_bandwidth_far_above_any_carrier(panel):
    assert float(panel.execute("SENSe:BANDwidth?")) == 500_000.0


def test_a_result_that_is_not_there_is_an_illegal_value(panel):
    assert panel.execute("FETC? (@17)") is None
    assert panel.execute("SYST:ERR?") == '-224,"Illegal parameter value"'


def test_its_wire_faults(panel, faults):
    assert panel.execute("*IDN?") == "one"
    faults.switch("wrong_identity", on=True)
    faults.switch("nan", on=True)
    assert panel.execute("*IDN?;:FETC? (@1,2)") == "other;9.91E37,9.91E37"
