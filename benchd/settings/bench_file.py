"""What a bench file holds, table by table. It must never check one table against another; `bench_checks` does."""

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.settings.drive_parameters import DriveParametersTable
from benchd.settings.manual_table import ManualTable
from benchd.settings.outside_file import MetricsTable, MqttTable
from benchd.settings.pieces import Listed, NotNegative, OneOrMore, Positive, Reaction, Sign, Table, Text
from benchd.settings.plausible_file import JogTable, PowerBalanceTable
from benchd.settings.torsion_file import CriticalSpeedTable, TorsionTable
from benchd.settings.tuning_file import TuningTable


class Tick(Table):
    """The frame and regulation rate."""

    rate_hz: Annotated[float, Field(ge=50.0, le=200.0)] = 100.0


class DeviceTable(Table):
    """One device; its driver's own model judges `settings`."""

    driver: Text
    poll_hz: Annotated[float, Field(ge=1.0, le=100.0)]
    settings: dict[str, Any] = Field(default_factory=dict)


class RolesTable(Table):
    """Which port plays which role, each "device.port", several in a list."""

    supply: OneOrMore
    sink: OneOrMore
    load_drive: OneOrMore
    motor_drive: OneOrMore | None = None
    measuring_unit: OneOrMore
    thermometers: Annotated[tuple[Text, ...], Listed]
    safety_chain: OneOrMore
    power_analyser: OneOrMore | None = None
    resistance_meter: OneOrMore | None = None
    waveforms: OneOrMore | None = None


class CalibrationRule(Table):
    """What becomes of a sensor past its date."""

    overdue: Literal["warn", "refuse"] = "warn"


class ChannelTable(Table):
    """One channel's source "device.port.signal", unit, sensor file and age limit."""

    source: Text
    unit: Text
    sensor: Text | None = None
    age_limit_s: Positive
    sign: Sign = 1
    zeroed: bool = False


class WaveformTable(Table):
    """One sampled quantity: an input "device.port.signal" of the sample stream, its unit and sensor file."""

    source: Text
    unit: Text
    sensor: Text | None = None
    sign: Sign = 1


class TorqueRanges(Table):
    """The transducer's ranges, each a channel, and the torque that the transducer itself bears."""

    wide: Literal["shaft_torque"] = "shaft_torque"
    narrow: Literal["shaft_torque_narrow"] | None = None
    overload_nm: Positive  # mechanical; a range is saturated long before


class LimitTable(Table):
    """Bounds on one channel: low and high trip with `reaction`, warn_low and warn_high only tell."""

    channel: Text
    low: float | None = None
    high: float | None = None
    warn_low: float | None = None
    warn_high: float | None = None
    delay_s: NotNegative = 0.0
    hysteresis: NotNegative = 0.0  # in the channel's unit: how far back the value must come for a crossing to end
    reaction: Reaction
    stale: bool = False  # a value older than the channel's age limit trips too


class DcLink(Table):
    """The DC link and the voltage ladder on it."""

    component_rating_v: Positive
    capacitance_f: Positive
    sink_threshold_v: Positive
    sink_current_limit_a: Positive
    over_voltage_protection_v: Positive
    supply_takes_current_back: bool
    blocking_diode: bool


class ShaftTrain(Table):
    """What the bench's side of the shaft bears: load machine, transducer shaft, encoder."""

    max_speed_rpm: Positive
    max_torque_nm: Positive
    inertia_kgm2: Positive
    dry_friction_nm: NotNegative | None = None  # left out: how long the shaft coasts is not predicted
    viscous_friction_nm_s: NotNegative | None = None  # N·m per rad/s
    transducer_stiffness_nm_per_rad: Positive | None = None  # left out: no natural frequency is computed
    transducer_inertia_kgm2: Positive | None = None  # of inertia_kgm2; left out: the transducer counts to the load side


class Start(Table):
    """What must hold before the shaft may turn."""

    remote_required: bool
    pre_start_warning_s: NotNegative
    transducer_zero_limit_nm: Positive
    zero_time_s: Positive
    release_at_bench: bool = False  # a key or button there must be pressed after the start was asked for
    release_within_s: Annotated[float, Field(gt=0.0, le=600.0)] = 30.0
    transducer_zero: Literal["standstill", "set_up"] = "standstill"  # measured before each run, or stated in the set-up


class Slopes(Table):
    """The steepest change of each set-point."""

    voltage_v_per_s: Positive
    torque_nm_per_s: Positive
    speed_rpm_per_s: Positive


class Stopping(Table):
    """How the shaft is brought to standstill and what counts as standstill."""

    standstill_rpm: Positive
    braking_torque_nm: Positive
    controlled_stop_time_s: Positive
    coasting_time_s: Positive


class SentryTable(Table):
    """A second process owns the safety chain's connection and watches the daemon's tick."""

    tick_silent_s: Annotated[float, Field(ge=0.05, le=1.0)] = 0.1  # longer without a tick withdraws the permit


class CommissioningTable(Table):
    """The job whose limits a campaign of provocations takes, as on the command line: names or paths."""

    programme: Text
    motor: Text
    setup: Text


class BenchFile(Table):
    """A bench file."""

    name: Text  # lower-case, see bench_checks
    data_directory: Text
    tick: Tick = Tick()
    devices: Annotated[dict[str, DeviceTable], Field(min_length=1)]
    roles: RolesTable
    channels: Annotated[dict[str, ChannelTable], Field(min_length=1)]
    waveforms: dict[str, WaveformTable] = Field(default_factory=dict)
    calibration: CalibrationRule = CalibrationRule()
    torque_ranges: TorqueRanges | None = None  # left out: one range, which bears what it measures
    derived: dict[str, dict[str, Any]] = Field(default_factory=dict)  # see derived_file: one model a kind
    limits: Annotated[tuple[LimitTable, ...], Listed] = ()
    dc_link: DcLink
    shaft_train: ShaftTrain
    start: Start
    slopes: Slopes
    torsion: TorsionTable = TorsionTable()
    critical_speeds: Annotated[tuple[CriticalSpeedTable, ...], Listed] = ()  # stated, beside those computed
    stopping: Stopping
    jog: JogTable = JogTable()
    power_balance: PowerBalanceTable | None = None  # left out: nobody compares the powers along the chain
    drive_parameters: DriveParametersTable = DriveParametersTable()  # left out: they are read and told, not compared
    mqtt: MqttTable | None = None  # left out: nobody outside is told or asks
    metrics: MetricsTable | None = None
    commissioning: CommissioningTable | None = None  # left out: the command line names the job
    tuning: TuningTable = TuningTable()
    manual: ManualTable = ManualTable()
    sentry: SentryTable | None = None  # left out: the daemon itself speaks to the safety chain

    def data_path(self) -> Path:
        """The data directory, from the current directory where the file gives a relative one."""
        return Path(self.data_directory).expanduser().absolute()
