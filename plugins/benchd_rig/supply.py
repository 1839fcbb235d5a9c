"""The DC supply: set-points, output, over-voltage protection, interlock input.

Its one job is the front panel and firmware of the device; what the output does to the link is the plant's. It gives
current and takes none back: that, too, is the plant's. It knows no bytes beyond its SCPI command table.
"""

from typing import Protocol

from benchd_rig.commands import SupplyCommand
from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import NOT_A_NUMBER, ScpiRefusal, fixed, number, switch
from benchd_rig.wire_faults import WireFaults

MODEL = "QS80-60"
MAX_VOLTAGE_V = 80.0
MAX_CURRENT_A = 60.0
MAX_PROTECTION_V = 88.0
_DECIMALS = 3


class OutputStage(Protocol):
    """What the supply reaches of the plant."""

    supply: SupplyCommand

    @property
    def supply_voltage_v(self) -> float:
        """Voltage at the terminals."""

    @property
    def supply_current_a(self) -> float:
        """Current out of the supply."""


class Supply:
    """One output, 80 V and 60 A. Set-points have a resolution of 1 mV and 1 mA, and so has what it measures."""

    def __init__(self, *, stage: OutputStage) -> None:
        self._stage = stage
        self.interlock_closed = True
        self.tripped = False
        self.reset()

    def reset(self) -> None:
        """The state after power-up and after `*RST`. A tripped protection stays tripped."""
        self.output_on = False
        self.voltage_v = 0.0
        self.current_limit_a = 0.0
        self.over_voltage_v = MAX_PROTECTION_V
        self._tell()

    def set_voltage(self, voltage_v: float) -> None:
        """Take a voltage set-point within [0, 80] V."""
        self.voltage_v = round(voltage_v, _DECIMALS)
        self._tell()

    def set_current_limit(self, current_a: float) -> None:
        """Take a current set-point within [0, 60] A."""
        self.current_limit_a = round(current_a, _DECIMALS)
        self._tell()

    def set_over_voltage(self, voltage_v: float) -> None:
        """Take the threshold of the over-voltage protection within [0, 88] V."""
        self.over_voltage_v = round(voltage_v, _DECIMALS)

    def switch_output(self, *, on: bool) -> None:
        """Switch the output. Raises `ScpiRefusal` -221 with the interlock open or the protection tripped."""
        if on and not self.interlock_closed:
            raise ScpiRefusal(-221, "interlock is open")
        if on and self.tripped:
            raise ScpiRefusal(-221, "protection has tripped")
        self.output_on = on
        self._tell()

    def clear_protection(self) -> None:
        """Clear a tripped protection; the output stays off."""
        self.tripped = False

    def trip(self) -> None:
        """The protection acts: output off, latched."""
        self.tripped = True
        self.output_on = False
        self._tell()

    def interlock(self, *, closed: bool) -> None:
        """The hardware input of the main contactor. Open takes the output away, closed gives nothing back."""
        self.interlock_closed = closed
        if not closed and self.output_on:
            self.output_on = False
            self._tell()

    def step(self) -> None:
        """Compare the terminals with the over-voltage threshold, as fast as the hardware does."""
        if self.output_on and self._stage.supply_voltage_v > self.over_voltage_v:
            self.trip()

    @property
    def measured_v(self) -> float:
        """Voltage at the terminals, in steps of 1 mV."""
        return round(self._stage.supply_voltage_v, _DECIMALS)

    @property
    def measured_a(self) -> float:
        """Current out of the supply, in steps of 1 mA."""
        return round(self._stage.supply_current_a, _DECIMALS)

    def _tell(self) -> None:
        command = self._stage.supply
        command.output_on = self.output_on
        command.voltage_v = self.voltage_v
        command.current_limit_a = self.current_limit_a


def supply_instrument(supply: Supply, *, faults: WireFaults, identity: str, other_identity: str) -> ScpiInstrument:
    """The supply's SCPI command tree."""
    instrument = ScpiInstrument(
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=supply.reset
    )

    def volts(parameters: Parameters) -> None:
        supply.set_voltage(number(parameters[0], unit="V", low=0.0, high=MAX_VOLTAGE_V, default=0.0))

    def amperes(parameters: Parameters) -> None:
        supply.set_current_limit(number(parameters[0], unit="A", low=0.0, high=MAX_CURRENT_A, default=0.0))

    def protection(parameters: Parameters) -> None:
        high = MAX_PROTECTION_V
        supply.set_over_voltage(number(parameters[0], unit="V", low=0.0, high=high, default=high))

    def measured(value: float) -> str:
        return NOT_A_NUMBER if faults.is_on("nan") else fixed(value, decimals=_DECIMALS)

    one = (1, 1)
    instrument.on("OUTPut[:STATe]", lambda p: supply.switch_output(on=switch(p[0])), parameters=one)
    instrument.on("OUTPut[:STATe]?", lambda _: str(int(supply.output_on)))
    instrument.on("[SOURce:]VOLTage[:LEVel]", volts, parameters=one)
    instrument.on("[SOURce:]VOLTage[:LEVel]?", lambda _: fixed(supply.voltage_v, decimals=_DECIMALS))
    instrument.on("[SOURce:]CURRent[:LEVel]", amperes, parameters=one)
    instrument.on("[SOURce:]CURRent[:LEVel]?", lambda _: fixed(supply.current_limit_a, decimals=_DECIMALS))
    instrument.on("[SOURce:]VOLTage:PROTection[:LEVel]", protection, parameters=one)
    instrument.on("[SOURce:]VOLTage:PROTection[:LEVel]?", lambda _: fixed(supply.over_voltage_v, decimals=_DECIMALS))
    instrument.on("[SOURce:]VOLTage:PROTection:TRIPped?", lambda _: str(int(supply.tripped)))
    instrument.on("OUTPut:PROTection:CLEar", lambda _: supply.clear_protection())
    instrument.on("MEASure[:SCALar]:VOLTage[:DC]?", lambda _: measured(supply.measured_v))
    instrument.on("MEASure[:SCALar]:CURRent[:DC]?", lambda _: measured(supply.measured_a))
    instrument.on("MEASure[:SCALar]:POWer[:DC]?", lambda _: measured(supply.measured_v * supply.measured_a))
    return instrument
