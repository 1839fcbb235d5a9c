from dataclasses import dataclass, field

import pytest

from benchd_rig.commands import MeterCommand, PlantFaults
from benchd_rig.resistance_meter import PAIRS, TWO_TERMINALS, ResistanceMeter, meter_instrument
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.wire_faults import WireFaults

CONFLICT = '-221,"Settings conflict'


@dataclass
class Winding:
    meter: MeterCommand = field(default_factory=MeterCommand)
    faults: PlantFaults = field(default_factory=PlantFaults)
    meter_voltage_v: float = 0.0712345
    meter_current_a: float = 1.000012


class Panel:
    """A meter at a winding, its command tree and its time."""

    def __init__(self, pairs: tuple[int, ...] = PAIRS) -> None:
        self.winding = Winding()
        self.faults = WireFaults(device="resistance_meter", wire="scpi")
        self.meter = ResistanceMeter(winding=self.winding, faults=self.faults, pairs=pairs)
        self.instrument: ScpiInstrument = meter_instrument(
            self.meter, faults=self.faults, identity="one", other_identity="other"
        )
        self.time_s = 0.0

    def ask(self, message: str):
        return self.instrument.execute(message)

    def passes(self, seconds: float) -> None:
        for _ in range(round(seconds * 1000)):
            self.time_s += 0.001
            self.meter.step(self.time_s)

    def leads_open(self) -> None:
        self.ask("CONT OFF")
        self.passes(0.05)
        assert self.ask("CONT?") == "0"


@pytest.fixture
def panel() -> Panel:
    return Panel()


def test_the_feedback_contact_follows_a_moment_after_the_command(panel):
    assert panel.ask("CONTactor?") == "1"
    panel.ask("CONTactor OFF")
    panel.passes(0.015)
    assert (panel.ask("CONT?"), panel.winding.meter.contactor_closed) == ("1", True)
    panel.passes(0.01)
    assert (panel.ask("CONT?"), panel.winding.meter.contactor_closed) == ("0", False)


def test_it_connects_only_to_a_winding_whose_power_leads_are_open(panel):
    panel.ask("ROUT:CLOS (@12)")
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    panel.ask("CONT OFF;:ROUT:CLOS (@12)")  # not open yet
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    panel.passes(0.05)
    assert panel.ask("ROUT:CLOS (@12);CLOS?;:SYST:ERR?") == '12;0,"No error"'
    assert panel.winding.meter.pair == 12


def test_a_contactor_on_its_way_to_close_is_as_good_as_closed(panel):
    panel.leads_open()
    panel.ask("CONT ON;:ROUT:CLOS (@12)")
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    assert panel.winding.meter.pair == 0


def test_a_welded_contactor_shows_closed_and_nothing_is_connected(panel):
    panel.winding.faults.contactor_welded = True
    panel.ask("CONT OFF")
    panel.passes(0.1)
    assert panel.ask("CONT?") == "1"
    panel.ask("ROUT:CLOS (@12)")
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    assert panel.ask("ROUT:CLOS?") == "0"


def test_the_power_leads_stay_open_while_a_pair_is_connected(panel):
    panel.leads_open()
    panel.ask("ROUT:CLOS (@23);:CONT ON")
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    panel.passes(0.1)
    assert panel.ask("CONT?") == "0"
    panel.ask("ROUT:OPEN:ALL;:CONT ON")
    panel.passes(0.1)
    assert panel.ask("CONT?;:ROUT:CLOS?") == "1;0"


def test_a_current_flows_through_a_connected_pair_only_and_with_either_sign(panel):
    panel.ask("CURR 1")
    assert panel.ask("SYST:ERR?").startswith(CONFLICT)
    assert panel.ask("CURR 0;:SYST:ERR?") == '0,"No error"'
    panel.leads_open()
    assert panel.ask("ROUT:CLOS (@13);:CURR -1.25;CURR?") == "-1.2500"
    assert panel.winding.meter.current_a == -1.25
    assert panel.ask("SOUR:CURR 500mA;CURR?") == "0.5000"


@pytest.mark.parametrize("amperes", ["2.001", "-2.001"])
def test_a_current_beyond_2_a_is_out_of_range(panel, amperes):
    panel.leads_open()
    panel.ask(f"ROUT:CLOS (@12);:CURR {amperes}")
    assert panel.ask("SYST:ERR?;:CURR?") == '-222,"Data out of range";0.0000'


@pytest.mark.parametrize("message", ["ROUT:CLOS (@23)", "ROUT:OPEN:ALL", "*RST"])
def test_another_pair_or_none_begins_without_current(panel, message):
    panel.leads_open()
    panel.ask("ROUT:CLOS (@12);:CURR 1")
    panel.ask(message)
    assert panel.winding.meter.current_a == 0.0
    assert panel.winding.meter.pair == (23 if "23" in message else 0)


@pytest.mark.parametrize("pairs", ["(@14)", "(@12,23)", "(@12:13)", "(@31)"])
def test_what_is_no_pair_is_an_illegal_value(panel, pairs):
    panel.leads_open()
    panel.ask(f"ROUT:CLOS {pairs}")
    assert panel.ask("SYST:ERR?;:ROUT:CLOS?") == '-224,"Illegal parameter value";0'


def test_a_winding_with_two_terminals_has_one_pair():
    panel = Panel(TWO_TERMINALS)
    panel.leads_open()
    panel.ask("ROUT:CLOS (@23)")
    assert panel.ask("SYST:ERR?") == '-224,"Illegal parameter value"'
    assert panel.ask("ROUT:CLOS (@12);CLOS?") == "12"


def test_it_measures_with_seven_digits(panel):
    assert panel.ask("MEAS:VOLT?;:MEAS:CURR?") == "7.123450E-02;1.000012E+00"


def test_its_wire_faults(panel):
    panel.faults.switch("wrong_identity", on=True)
    panel.faults.switch("nan", on=True)
    assert panel.ask("*IDN?;:MEAS:VOLT?;:MEAS:CURR?") == "other;9.91E37;9.91E37"
