"""The electronic load: modes, levels, input, protection.

Its one job is the front panel and firmware of the device; how it conducts is the plant's. In constant-voltage mode it
conducts only above its threshold. It cannot give energy. It knows no bytes beyond its SCPI command table.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from benchd_rig.commands import SinkCommand
from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import NOT_A_NUMBER, ScpiRefusal, choice, fixed, number, short_form, switch
from benchd_rig.watchdog import CommunicationWatchdog, watchdog_commands
from benchd_rig.wire_faults import WireFaults

_DECIMALS = 3

Mode = Literal["voltage", "current", "resistance", "power"]
FUNCTIONS: Mapping[str, Mode] = {
    "VOLTage": "voltage",
    "CURRent": "current",
    "RESistance": "resistance",
    "POWer": "power",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SinkRating:
    """One model of the electronic load."""

    model: str
    max_voltage_v: float
    max_current_a: float
    max_power_w: float

    @property
    def levels(self) -> Mapping[str, tuple[Mode, str, float, float, float]]:
        """Header: mode, unit, low, high, after power-up."""
        volts, amperes = self.max_voltage_v, self.max_current_a
        return {
            "[SOURce:]VOLTage[:LEVel]": ("voltage", "V", 0.0, volts, volts),
            "[SOURce:]CURRent[:LEVel]": ("current", "A", 0.0, amperes, 0.0),
            "[SOURce:]RESistance[:LEVel]": ("resistance", "OHM", 0.05, 5000.0, 5000.0),
            "[SOURce:]POWer[:LEVel]": ("power", "W", 0.0, self.max_power_w, 0.0),
        }


LOW_VOLTAGE = SinkRating(model="QL80-60", max_voltage_v=80.0, max_current_a=60.0, max_power_w=2400.0)
HIGH_VOLTAGE = SinkRating(model="QL400-30", max_voltage_v=400.0, max_current_a=30.0, max_power_w=6000.0)


class InputStage(Protocol):
    """What the sink reaches of the plant."""

    sink: SinkCommand

    @property
    def link_v(self) -> float:
        """Voltage of the DC link."""

    @property
    def sink_current_a(self) -> float:
        """Current into the sink."""


class Sink:
    """One input. Levels have a resolution of 1 mV, 1 mA, 1 mΩ, 1 mW."""

    def __init__(self, *, stage: InputStage, rating: SinkRating = LOW_VOLTAGE) -> None:
        self.rating = rating
        self._stage = stage
        self.tripped = False
        self.watchdog = CommunicationWatchdog()
        self.levels: dict[Mode, float] = {}
        self.reset()

    def reset(self) -> None:
        """The state after power-up and after `*RST`."""
        self.input_on = False
        self.mode: Mode = "voltage"
        self.levels = {mode: start for mode, _, _, _, start in self.rating.levels.values()}
        self.current_limit_a = self.rating.max_current_a
        self.watchdog.period_s = 0.0
        self._tell()

    def set_level(self, mode: Mode, level: float) -> None:
        """Take the level of one mode; it acts while that mode is selected."""
        self.levels[mode] = round(level, _DECIMALS)
        self._tell()

    def set_mode(self, mode: Mode) -> None:
        """Select what is held constant."""
        self.mode = mode
        self._tell()

    def set_current_limit(self, current_a: float) -> None:
        """Bound the current in every mode."""
        self.current_limit_a = round(current_a, _DECIMALS)
        self._tell()

    def switch_input(self, *, on: bool) -> None:
        """Switch the input. Raises `ScpiRefusal` -221 while the protection has tripped."""
        if on and self.tripped:
            raise ScpiRefusal(-221, "protection has tripped")
        self.input_on = on
        self._tell()

    def clear_protection(self) -> None:
        """Clear a tripped protection; the input stays off."""
        self.tripped = False

    def trip(self) -> None:
        """The protection acts: input off, latched."""
        self.tripped = True
        self.input_on = False
        self._tell()

    def step(self, time_s: float) -> None:
        """Watch the wire, where somebody has armed that: the input goes off, whatever still feeds the link."""
        if self.watchdog.ran_out(time_s, watching=self.input_on):
            self.trip()

    @property
    def measured_v(self) -> float:
        """Voltage at the terminals, in steps of 1 mV."""
        return round(self._stage.link_v, _DECIMALS)

    @property
    def measured_a(self) -> float:
        """Current into the sink, in steps of 1 mA."""
        return round(self._stage.sink_current_a, _DECIMALS)

    def _tell(self) -> None:
        command = self._stage.sink
        command.input_on = self.input_on
        command.mode = self.mode
        command.level = self.levels[self.mode]
        command.current_limit_a = self.current_limit_a


def sink_instrument(sink: Sink, *, faults: WireFaults, identity: str, other_identity: str) -> ScpiInstrument:
    """The sink's SCPI command tree."""
    instrument = ScpiInstrument(
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=sink.reset
    )

    def function(parameters: Parameters) -> None:
        chosen = choice(parameters[0], tuple(FUNCTIONS))
        sink.set_mode(FUNCTIONS[chosen])

    def function_now(_: Parameters) -> str:
        return next(short_form(word) for word, mode in FUNCTIONS.items() if mode == sink.mode)

    def limit(parameters: Parameters) -> None:
        high = sink.rating.max_current_a
        sink.set_current_limit(number(parameters[0], unit="A", low=0.0, high=high, default=high))

    def measured(value: float) -> str:
        return NOT_A_NUMBER if faults.is_on("nan") else fixed(value, decimals=_DECIMALS)

    one = (1, 1)
    watchdog_commands(instrument, sink.watchdog)
    instrument.on("INPut[:STATe]", lambda p: sink.switch_input(on=switch(p[0])), parameters=one)
    instrument.on("INPut[:STATe]?", lambda _: str(int(sink.input_on)))
    instrument.on("[SOURce:]FUNCtion[:MODE]", function, parameters=one)
    instrument.on("[SOURce:]FUNCtion[:MODE]?", function_now)
    for header, level in sink.rating.levels.items():
        _level_commands(instrument, sink, header, level)
    instrument.on("[SOURce:]CURRent:LIMit", limit, parameters=one)
    instrument.on("[SOURce:]CURRent:LIMit?", lambda _: fixed(sink.current_limit_a, decimals=_DECIMALS))
    instrument.on("INPut:PROTection:TRIPped?", lambda _: str(int(sink.tripped)))
    instrument.on("INPut:PROTection:CLEar", lambda _: sink.clear_protection())
    instrument.on("MEASure[:SCALar]:VOLTage[:DC]?", lambda _: measured(sink.measured_v))
    instrument.on("MEASure[:SCALar]:CURRent[:DC]?", lambda _: measured(sink.measured_a))
    instrument.on("MEASure[:SCALar]:POWer[:DC]?", lambda _: measured(sink.measured_v * sink.measured_a))
    return instrument


def _level_commands(
    instrument: ScpiInstrument, sink: Sink, header: str, level: tuple[Mode, str, float, float, float]
) -> None:
    mode, unit, low, high, start = level

    def take(parameters: Parameters) -> None:
        sink.set_level(mode, number(parameters[0], unit=unit, low=low, high=high, default=start))

    instrument.on(header, take, parameters=(1, 1))
    instrument.on(f"{header}?", lambda _: fixed(sink.levels[mode], decimals=_DECIMALS))
