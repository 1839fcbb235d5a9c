"""A simulated bench from plain values: what rating plate, data sheet, set-up and bench file say of a bench.

A rehearsal hands a twin a `Plate` and gets a `SimulatedBench`: drivers by the bench file's own device names. Nothing
here simulates; values that are None are not stated, and the twin says what it assumed instead.
"""

import dataclasses
import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.contract.capabilities import Driver


@dataclass(frozen=True, slots=True, kw_only=True)
class BrushedPlate:
    """A brushed DC motor, fed by the supply itself: rated values, then the data sheet's."""

    voltage_v: float
    current_a: float
    speed_rpm: float
    torque_nm: float
    resistance_ohm: float  # between the terminals at 20 °C, brushes included
    ke_v_s: float  # back-EMF per rad/s, which is torque per ampere
    inertia_kgm2: float
    inductance_h: float | None = None
    dry_friction_nm: float | None = None
    viscous_friction_nm_s: float | None = None  # N·m per rad/s
    thermal_time_constant_s: float | None = None  # of the winding
    max_winding_degc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrushlessPlate:
    """A three-phase motor with permanent magnets, fed by a converter: rated values, then the data sheet's."""

    voltage_v: float  # of the DC link
    phase_current_a: float  # rms
    speed_rpm: float
    torque_nm: float
    pole_pairs: int
    resistance_ohm: float  # between two terminals at 20 °C
    voltage_constant_v_per_krpm: float  # line to line, rms, per 1000 r/min
    inductance_d_h: float  # of a phase
    inductance_q_h: float
    inertia_kgm2: float
    slots: int | None = None  # of the stator
    max_phase_current_a: float | None = None  # rms
    dry_friction_nm: float | None = None  # bearings and the iron's hysteresis
    viscous_friction_nm_s: float | None = None  # N·m per rad/s, eddy currents included
    thermal_time_constant_s: float | None = None  # of the winding
    max_winding_degc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateSignal:
    """One signal of a port and the channel made of it: channel = sign · (gain · signal + offset).

    `channel` is the name that tests and evaluation know (`shaft_torque`, `winding_temperature`, ...), None where the
    bench file makes no channel of the signal.
    """

    signal: str
    channel: str | None = None
    gain: float = 1.0
    offset: float = 0.0
    sign: float = 1.0
    full_scale: float | None = None  # of the sensor, magnitude, in the channel's unit


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivePlate:
    """A drive of the bench: what may be asked of it, and what it was commissioned with as far as that is stated."""

    max_torque_nm: float
    max_speed_rpm: float
    rated_torque_nm: float | None = None
    own_torque_nm: float | None = None  # the drive's own limit
    overspeed_rpm: float | None = None  # its own trip
    rated_current_a: float | None = None
    peak_current_a: float | None = None  # of a phase
    pole_pairs: int | None = None
    pwm_frequency_hz: float | None = None
    parameters: Mapping[str, float] = field(default_factory=dict)  # told as they stand, by the driver's own names


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatePort:
    """A port of the bench: the device and port names of the bench file, its role, and the signals that are free there.

    Roles are those of the bench file: supply, sink, motor_drive, load_drive, measuring_unit, waveforms, power_analyser,
    resistance_meter, thermometers, safety_chain. `parameters` names what a drive's driver tells.
    """

    device: str
    port: str
    role: str
    signals: tuple[PlateSignal, ...] = ()
    parameters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """A bench with a specimen on it, as its files describe them.

    `shaft_inertia_kgm2` is the load machine's side: load machine, transducer, encoder. Raises `ValueError` in one
    sentence for a number that no bench has.
    """

    bench: str  # its name, for sentences
    specimen: str  # its type designation
    motor: BrushedPlate | BrushlessPlate
    ports: tuple[PlatePort, ...]
    supply_max_v: float
    supply_max_a: float
    sink_max_v: float
    sink_max_a: float
    link_capacitance_f: float
    over_voltage_protection_v: float
    cable_ohm: float
    fuse_current_a: float
    coupling_stiffness_nm_rad: float
    coupling_inertia_kgm2: float
    shaft_inertia_kgm2: float
    shaft_max_speed_rpm: float
    load_drive: DrivePlate
    motor_drive: DrivePlate | None = None
    transducer_stiffness_nm_rad: float | None = None  # in series with the coupling
    shaft_dry_friction_nm: float | None = None
    shaft_viscous_friction_nm_s: float | None = None
    coupling_specimen_side_kgm2: float | None = None  # the part of the coupling on the specimen's side
    analyser_window_s: float | None = None
    waveform_rate_hz: float | None = None
    ambient_degc: float | None = None

    def __post_init__(self) -> None:
        """Refuse what no bench has: values that are not finite, and zero or less where a size is meant."""
        for where, part in (
            ("the plate", self),
            ("the motor", self.motor),
            ("the load drive", self.load_drive),
            ("the motor drive", self.motor_drive),
        ):
            for key, value in _numbers(part):
                least_is_zero = "friction" in key or key in _MAY_BE_ZERO
                if math.isfinite(value) and (value > 0.0 or (value == 0.0 and least_is_zero)):
                    continue
                if math.isfinite(value) and key == "ambient_degc":
                    continue
                raise ValueError(
                    f"No simulated bench can be made of {self.bench!r}: {key} of {where} is {value:g}; "
                    f"write a finite number {'not below' if least_is_zero else 'above'} 0."
                )


_MAY_BE_ZERO = frozenset({"cable_ohm", "coupling_specimen_side_kgm2"})


def _numbers(part: object) -> list[tuple[str, float]]:
    if not dataclasses.is_dataclass(part):
        return []
    values = ((one.name, getattr(part, one.name)) for one in dataclasses.fields(part))
    return [(name, float(value)) for name, value in values if isinstance(value, int | float)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwelt:
    """How far a simulated bench got in long steps, and in one sentence why it did not get further; "" if it did."""

    seconds: float
    why: str


class SimulatedBench(Mapping[str, Driver], ABC):
    """Drivers by device name, none entered, all on one plant whose time is the running event loop's.

    Both a shipped specimen's bench and one that was made of a `Plate` are such a mapping; the latter has the bench
    file's device, port and signal names.
    """

    leaps: bool  # leap over time in which nothing but temperatures changes, also between polls; off where made

    @property
    @abstractmethod
    def assumed(self) -> tuple[str, ...]:
        """What the plate did not state and the twin took for granted, a sentence each; () for a shipped specimen."""

    @abstractmethod
    def press(self, button: str) -> None:
        """A person presses a button of the safety chain. Raises `ValueError` in one sentence for an unknown one."""

    @abstractmethod
    def dwell(self, seconds: float) -> Dwelt:
        """Go on as commanded for so long in long steps, ahead of the event loop's time; stop when it is not steady.

        Nothing but temperatures, and what follows from them, may change. Watchdogs and heartbeat count as fed. The
        simulated bench then stands still until the loop's time has caught up: the caller moves its clock by
        `Dwelt.seconds`.
        """

    @abstractmethod
    def truth(self) -> Mapping[str, float]:
        """True values now by name with unit; NaN for what a bench of this kind does not have."""
