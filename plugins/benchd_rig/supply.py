"""The DC supply: set-points, output, over-voltage protection, interlock input.

Its one job is the front panel and firmware of the device; what the output does to the link is the plant's. It gives
current and takes none back: that, too, is the plant's. It knows no bytes beyond its SCPI command table.
"""

from dataclasses import dataclass
from typing import Protocol

from benchd_rig.commands import SupplyCommand
from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import NOT_A_NUMBER, ScpiRefusal, fixed, number, switch
from benchd_rig.watchdog import CommunicationWatchdog, watchdog_commands
from benchd_rig.wire_faults import WireFaults

_DECIMALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyRating:
    """One model of the supply."""

    model: str
    max_voltage_v: float
    max_current_a: float
    max_protection_v: float


LOW_VOLTAGE = SupplyRating(model="QS80-60", max_voltage_v=80.0, max_current_a=60.0, max_protection_v=88.0)
HIGH_VOLTAGE = SupplyRating(model="QS400-30", max_voltage_v=400.0, max_current_a=30.0, max_protection_v=440.0)


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
    """One output. Set-points have a resolution of 1 mV and 1 mA, and so has what it measures."""

    def __init__(self, *, stage: OutputStage, rating: SupplyRating = LOW_VOLTAGE) -> None:
        self.rating = rating
        self._stage = stage
        self.interlock_closed = True
        self.tripped = False
        self.watchdog = CommunicationWatchdog()
        self.reset()

    def reset(self) -> None:
        """The state after power-up and after `*RST`. A tripped protection stays tripped."""
        self.output_on = False
        self.voltage_v = 0.0
        self.current_limit_a = 0.0
        self.over_voltage_v = self.rating.max_protection_v
        self.watchdog.period_s = 0.0
        self._tell()

    def set_voltage(self, voltage_v: float) -> None:
        """Take a voltage set-point within the rating."""
        self.voltage_v = round(voltage_v, _DECIMALS)
        self._tell()

    def set_current_limit(self, current_a: float) -> None:
        """Take a current set-point within the rating."""
        self.current_limit_a = round(current_a, _DECIMALS)
        self._tell()

    def set_over_voltage(self, voltage_v: float) -> None:
        """Take the threshold of the over-voltage protection within the rating."""
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

    def step(self, time_s: float) -> None:
        """Compare the terminals with the over-voltage threshold, as fast as the hardware does, and watch the wire."""
        silent = self.watchdog.ran_out(time_s, watching=self.output_on)
        if self.output_on and (silent or self._stage.supply_voltage_v > self.over_voltage_v):
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
        supply.set_voltage(number(parameters[0], unit="V", low=0.0, high=supply.rating.max_voltage_v, default=0.0))

    def amperes(parameters: Parameters) -> None:
        supply.set_current_limit(
            number(parameters[0], unit="A", low=0.0, high=supply.rating.max_current_a, default=0.0)
        )

    def protection(parameters: Parameters) -> None:
        high = supply.rating.max_protection_v
        supply.set_over_voltage(number(parameters[0], unit="V", low=0.0, high=high, default=high))

    def measured(value: float) -> str:
        return NOT_A_NUMBER if faults.is_on("nan") else fixed(value, decimals=_DECIMALS)

    one = (1, 1)
    watchdog_commands(instrument, supply.watchdog)
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
