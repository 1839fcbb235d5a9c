"""What the live room is told about its bench: plain values, made from the bench file elsewhere. It decides nothing."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.contract import Capability
from benchd.rules.balance import BalancePlan
from benchd.rules.channels import Channel
from benchd.rules.coasting import ShaftTrain
from benchd.rules.derivations import Rule
from benchd.rules.jog import Jog
from benchd.rules.limits import Limit
from benchd.rules.loops import Loop
from benchd.rules.moves import Role
from benchd.rules.ramps import Slopes
from benchd.rules.resonance import Band, Order
from benchd.rules.terminal_voltage import SenseLine


@dataclass(frozen=True, slots=True)
class PortRef:
    """One port of one device."""

    device: str
    port: str

    def __str__(self) -> str:
        return f"{self.device}.{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class DevicePlan:
    """How one device is polled and what was promised for it."""

    name: str
    poll_hz: float
    reply_time_s: float
    safe_time_s: float
    ports: Mapping[str, Capability]


@dataclass(frozen=True, slots=True, kw_only=True)
class DcLink:
    """The DC link's facts: the rungs of the voltage ladder above the supply's set-point."""

    sink_threshold_v: float
    sink_current_limit_a: float
    over_voltage_protection_v: float
    component_rating_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """How the bench comes to rest."""

    standstill_rpm: float
    braking_torque_nm: float
    controlled_stop_time_s: float
    coasting_time_s: float
    discharged_v: float = 60.0  # touch limit for DC, IEC 60204-1


@dataclass(frozen=True, slots=True, kw_only=True)
class Starting:
    """What has to hold before anything is enabled."""

    remote_required: bool
    pre_start_warning_s: float
    transducer_zero_limit_nm: float
    zero_time_s: float
    release_at_bench: bool = False  # a key or button there, pressed after the start was asked for
    release_within_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One parameter that a drive must show, and the file, line and key that say so."""

    name: str
    value: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedSet:
    """What a drive must show before it is enabled: single values, the SHA-256 of all that it tells, or both."""

    values: tuple[Expected, ...] = ()
    sha256: str | None = None
    sha256_origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlan:
    """One bench, ready to be run. Every role names ports that exist and can do what the role needs.

    A role that this bench does not have is None. `waveforms` is the sample stream that windows are captured from.
    """

    name: str
    tick_hz: float
    devices: Mapping[str, DevicePlan]
    channels: tuple[Channel, ...]
    supply: PortRef
    sink: PortRef
    load_drive: PortRef
    safety_chain: PortRef
    slopes: Slopes
    dc_link: DcLink
    stopping: Stopping
    starting: Starting
    motor_drive: PortRef | None = None
    resistance_meter: PortRef | None = None
    waveforms: PortRef | None = None
    expected_parameters: Mapping[PortRef, ExpectedSet] = field(default_factory=dict)  # a drive left out is not compared

    @property
    def drives(self) -> tuple[PortRef, ...]:
        """The load drive, and the motor drive where there is one."""
        return (self.load_drive,) if self.motor_drive is None else (self.load_drive, self.motor_drive)

    @property
    def roles(self) -> Mapping[Role, PortRef]:
        """The port of each role that can be given a target."""
        found = {
            Role.SUPPLY: self.supply,
            Role.LOAD_DRIVE: self.load_drive,
            Role.MOTOR_DRIVE: self.motor_drive,
            Role.RESISTANCE_METER: self.resistance_meter,
        }
        return {role: ref for role, ref in found.items() if ref is not None}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedZero:
    """A zero that was measured before, uncoupled, and is taken off instead of the average at standstill."""

    channel: str
    value: float
    standard_uncertainty: float
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TwistPlan:
    """What is looked for in the sample stream: `signal` times `nm_per_unit` is the torque, told from `warn_nm` on."""

    signal: str
    nm_per_unit: float
    frequencies_hz: tuple[float, ...]  # torsional natural ones
    half_width_ratio: float  # of a frequency, to either side
    warn_nm: float  # amplitude
    rated_nm: float
    orders: tuple[Order, ...] = ()  # that have a name


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """What one run may do at most: the effective limits, and the magnitudes set-points are clamped to.

    `torque_limit_nm` and `speed_limit_rpm` are the load drive's; what is not given for the other devices is nothing.
    """

    limits: tuple[Limit, ...]
    train_speed_rpm: float  # what the weakest part of the shaft train carries
    train_torque_nm: float
    voltage_limit_v: float
    current_limit_a: float
    torque_limit_nm: float
    speed_limit_rpm: float
    motor_torque_limit_nm: float = 0.0
    motor_speed_limit_rpm: float = 0.0
    winding_current_limit_a: float = 0.0
    generated_v_per_rpm: float = 0.0  # peak, line to line, that the specimen's magnets put on the link; 0: none
    stated_zeros: tuple[StatedZero, ...] = ()
    jog: Jog | None = None  # how the shaft is tried before the first test that turns it; None: it is not
    no_jog: str = ""  # why it is not, where somebody decided so
    balance: BalancePlan | None = None  # None: the powers along the chain are not compared
    derivations: Mapping[str, Rule] = field(default_factory=dict)  # of derived channels, with the motor's values
    shaft: ShaftTrain | None = None  # for predicting how long it coasts
    loops: tuple[Loop, ...] = ()  # outer loops of this motor on this bench, as tuned; none: the devices' own are all
    sense: SenseLine | None = None  # what lies between the supply and where `dc_voltage` is sensed; None: not stated
    bands: tuple[Band, ...] = ()  # of speeds that set-points cross by the steeper slope
    twist: TwistPlan | None = None  # what is looked for in the sample stream; None: nothing
    specimen_parameters: tuple[Expected, ...] = ()  # what the motor drive must show where it tells them
