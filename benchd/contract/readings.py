"""What drivers hand up: frozen readings with the unit in every name, stamped with the event loop's clock.

Signs are those of the house, shaft side: clockwise looking at the specimen's drive end is positive; a torque is
positive when the specimen drives the shaft in the positive direction; supply current is positive out of the supply,
sink current positive into the sink. A driver maps its device's own signs onto these.
"""

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

UNIT_OF_SUFFIX: Mapping[str, str] = {
    "_v": "V",
    "_a": "A",
    "_w": "W",
    "_va": "VA",
    "_nm": "N·m",
    "_rpm": "r/min",
    "_degc": "°C",
    "_ohm": "Ω",
    "_hz": "Hz",
    "_on": "1",
}


def unit_of_signal(signal: str) -> str:
    """The unit that a signal's name carries, "1" where the name ends in none of the known suffixes."""
    return next((unit for suffix, unit in UNIT_OF_SUFFIX.items() if signal.endswith(suffix)), "1")


class Reading(Protocol):
    """One look at a port: when it was taken and its numbers by signal name."""

    @property
    def taken_mono_s(self) -> float:
        """Event-loop time of the middle of the exchange, s."""

    def signals(self) -> Mapping[str, float]:
        """Each signal's number; a missing sensor is NaN, a flag is 0 or 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyReading:
    """One look at a supply output."""

    voltage_v: float
    current_a: float
    output_on: bool
    tripped: bool  # one of the device's own protections has switched the output off
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """voltage_v, current_a, output_on, tripped_on."""
        return {
            "voltage_v": self.voltage_v,
            "current_a": self.current_a,
            "output_on": float(self.output_on),
            "tripped_on": float(self.tripped),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySettings:
    """What a supply output is set to, read back from the device, never remembered."""

    voltage_v: float
    current_limit_a: float
    over_voltage_protection_v: float
    output_on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SinkReading:
    """One look at a sink input (an electronic load)."""

    voltage_v: float
    current_a: float
    input_on: bool
    tripped: bool
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """voltage_v, current_a, input_on, tripped_on."""
        return {
            "voltage_v": self.voltage_v,
            "current_a": self.current_a,
            "input_on": float(self.input_on),
            "tripped_on": float(self.tripped),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SinkSettings:
    """What a sink is set to, read back: armed means input on in constant-voltage mode at `threshold_v`."""

    armed: bool
    threshold_v: float
    current_limit_a: float


class DriveState(enum.Enum):
    """The states of CiA 402 / IEC 61800-7-201."""

    NOT_READY_TO_SWITCH_ON = "not ready to switch on"
    SWITCH_ON_DISABLED = "switch-on disabled"
    READY_TO_SWITCH_ON = "ready to switch on"
    SWITCHED_ON = "switched on"
    OPERATION_ENABLED = "operation enabled"
    QUICK_STOP_ACTIVE = "quick stop active"
    FAULT_REACTION_ACTIVE = "fault reaction active"
    FAULT = "fault"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReading:
    """One look at a motor drive, shaft side, house signs."""

    state: DriveState
    speed_rpm: float
    torque_nm: float
    dc_link_v: float | None  # None: this drive does not tell
    winding_degc: float | None  # None: this drive has no such sensor
    fault_code: int  # object 603Fh, 0 without a fault
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """speed_rpm, torque_nm, dc_link_v, winding_degc, enabled_on, fault_on."""
        nan = float("nan")
        return {
            "speed_rpm": self.speed_rpm,
            "torque_nm": self.torque_nm,
            "dc_link_v": nan if self.dc_link_v is None else self.dc_link_v,
            "winding_degc": nan if self.winding_degc is None else self.winding_degc,
            "enabled_on": float(self.state is DriveState.OPERATION_ENABLED),
            "fault_on": float(self.state in {DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE}),
        }


class StopOption(enum.IntEnum):
    """What the drive does on quick stop, shutdown and disable (objects 605Ah, 605Bh, 605Ch of IEC 61800-7-201)."""

    COAST = 0
    SLOW_DOWN_RAMP = 1
    QUICK_STOP_RAMP = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveLimits:
    """The limits a drive holds by itself, read back from the device, shaft side."""

    overspeed_rpm: float  # the drive trips itself above this magnitude
    torque_limit_nm: float  # the drive never makes more than this magnitude
    rated_torque_nm: float
    quick_stop_option: int  # 605Ah
    disable_option: int  # 605Ch
    fault_reaction_option: int  # 605Eh


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveParameters:
    """What a drive was commissioned with, read back from it: what its set-points mean and how far it may go.

    In the drive's own terms, before any gear and without house signs, as its commissioning sheet has them. Names end in
    their unit; counts and options (`pole_pairs`, `quick_stop_option`) have none. Nothing in here is written while a
    bench runs, so that two looks at an untouched drive are equal.
    """

    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometersReading:
    """One look at a group of thermometers; an open sensor is None."""

    temperatures_degc: Mapping[str, float | None]
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """One `<name>_degc` a thermometer, NaN where the sensor is open."""
        nan = float("nan")
        return {f"{name}_degc": nan if t is None else t for name, t in self.temperatures_degc.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringReading:
    """The latest averaged value of each input of a measuring unit, in the input's own unit."""

    values: Mapping[str, float]  # signal name with its unit suffix, such as ai1_v or encoder_rpm
    overloaded: frozenset[str]  # inputs that the unit itself reports beyond their range
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """As `values`, NaN for an overloaded input (a saturated number is not a measurement)."""
        if not self.overloaded:
            return self.values
        return {name: float("nan") if name in self.overloaded else v for name, v in self.values.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleBlock:
    """Waveform samples as the unit took them: little-endian float32, interleaved, the channels side by side.

    `data` holds n samples of `len(signals)` numbers each, in each input's own unit. `first_index` counts samples since
    the stream was started, so that a gap shows; `lost` is how many the unit itself dropped since then.
    """

    signals: tuple[str, ...]
    rate_hz: float
    first_index: int
    lost: int
    data: bytes
    taken_mono_s: float  # when the reply came: the last sample is at most one exchange older

    @property
    def samples(self) -> int:
        """How many samples of each channel."""
        return len(self.data) // (4 * len(self.signals))


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerReading:
    """One result of a power analyser, integrated over `window_s` that ended just before `taken_mono_s`.

    `values` by signal name: phases `u1_v`, `i1_a`, `p1_w` and so on; the whole `u_v` (mean of the line-to-line true rms
    voltages), `u_fundamental_v` (line to line, rms), `i_a` (mean true rms), `p_w` (sum), `s_va`, `power_factor`,
    `frequency_hz`. What the analyser cannot tell is NaN.
    """

    values: Mapping[str, float]
    overloaded: frozenset[str]
    window_s: float
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """As `values`, NaN for an overloaded one (a saturated number is not a measurement)."""
        if not self.overloaded:
            return self.values
        return {name: float("nan") if name in self.overloaded else v for name, v in self.values.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceReading:
    """One look at a resistance meter: four-wire voltage at the winding and the current through it, with their signs.

    `pair` names the winding's terminals, the smaller digit first (12, 23, 13; a two-terminal winding is 12); 0 while
    nothing is connected. `power_leads_open` is what the contact between the winding and whatever feeds it shows.
    """

    voltage_v: float
    current_a: float
    pair: int
    power_leads_open: bool
    taken_mono_s: float

    def signals(self) -> Mapping[str, float]:
        """voltage_v, current_a, pair_on (whether one is connected), power_leads_open_on."""
        return {
            "voltage_v": self.voltage_v,
            "current_a": self.current_a,
            "pair_on": float(self.pair != 0),
            "power_leads_open_on": float(self.power_leads_open),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyChainReading:
    """The hardware safety chain's inputs as it tells them; read only."""

    guard_closed: bool
    estop_released: bool
    remote_selected: bool
    torque_enabled: bool  # False: safe torque off is active
    permit: bool  # the chain's word that energy may flow
    taken_mono_s: float
    release_pressed: bool | None = None  # the key or button at the bench that releases a start; None: it has no such

    def signals(self) -> Mapping[str, float]:
        """guard_closed_on, estop_released_on, remote_selected_on, torque_enabled_on, permit_on, release_pressed_on.

        The last one only where the chain has that input.
        """
        release = {} if self.release_pressed is None else {"release_pressed_on": float(self.release_pressed)}
        return {
            "guard_closed_on": float(self.guard_closed),
            "estop_released_on": float(self.estop_released),
            "remote_selected_on": float(self.remote_selected),
            "torque_enabled_on": float(self.torque_enabled),
            "permit_on": float(self.permit),
            **release,
        }
