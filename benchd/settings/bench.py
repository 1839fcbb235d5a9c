"""What settings hand to the rest of the house: frozen, checked, each with the file it came from.

These hold values; they must never read a file.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pydantic import BaseModel

from benchd.contract import Manifest, PortSpec
from benchd.rules.channels import Channel
from benchd.settings.bench_file import (
    CalibrationRule,
    CommissioningTable,
    DcLink,
    LimitTable,
    SentryTable,
    ShaftTrain,
    Slopes,
    Start,
    Stopping,
    TorqueRanges,
)
from benchd.settings.document import Document
from benchd.settings.drive_parameters import ExpectedParameters
from benchd.settings.manual_table import ManualTable
from benchd.settings.outside_file import MetricsTable, MqttTable
from benchd.settings.plausible_file import JogTable, PowerBalanceTable
from benchd.settings.specimen_files import MotorFile, SetupFile
from benchd.settings.torsion_file import CriticalSpeedTable, TorsionTable
from benchd.settings.tuning_file import TuningTable


@dataclass(frozen=True, slots=True, kw_only=True)
class PortAddress:
    """A port of a device on this bench."""

    device: str
    port: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device of the bench with its driver's manifest, checked settings and the ports it will yield."""

    name: str
    driver: str
    manifest: Manifest
    settings: BaseModel
    poll_hz: float
    ports: tuple[PortSpec, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench file that holds together; `warnings` are sentences for the operator, such as an overdue sensor."""

    name: str
    data_directory: Path  # absolute
    tick_rate_hz: float
    devices: Mapping[str, Device]
    roles: Mapping[str, tuple[PortAddress, ...]]  # every role; empty where the bench has none
    channel_by_name: Mapping[str, Channel]
    limits: tuple[LimitTable, ...]
    dc_link: DcLink
    shaft_train: ShaftTrain
    start: Start
    slopes: Slopes
    stopping: Stopping
    warnings: tuple[str, ...]
    document: Document
    sensor_documents: Mapping[str, Document]  # by channel
    calibration: CalibrationRule = field(default_factory=CalibrationRule)
    jog: JogTable = field(default_factory=JogTable)
    power_balance: PowerBalanceTable | None = None
    drive_parameters: Mapping[str, ExpectedParameters] = field(default_factory=dict)  # by role
    torque_ranges: TorqueRanges | None = None
    waveform_channels: tuple[Channel, ...] = ()  # sampled, so without an age limit; names as those of channels
    waveform_sensor_documents: Mapping[str, Document] = field(default_factory=dict)  # by waveform
    mqtt: MqttTable | None = None
    metrics: MetricsTable | None = None
    sentry: SentryTable | None = None
    commissioning: CommissioningTable | None = None
    tuning: TuningTable = field(default_factory=TuningTable)
    manual: ManualTable = field(default_factory=ManualTable)
    torsion: TorsionTable = field(default_factory=TorsionTable)
    critical_speeds: tuple[CriticalSpeedTable, ...] = ()

    def channels(self) -> tuple[Channel, ...]:
        """The channels in the order of the bench file."""
        return tuple(self.channel_by_name.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """A motor type from its file."""

    settings: MotorFile
    warnings: tuple[str, ...]
    document: Document


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A set-up from its file."""

    settings: SetupFile
    document: Document


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeTest:
    """One test of a programme: its registered kind and its settings, judged by that kind's model."""

    kind: str
    settings: BaseModel
    confirm: str | None = None  # what the operator is to confirm before it begins


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """What one quantity ("test.quantity") has to keep, in `unit`; a side that is None is free."""

    quantity: str
    low: float | None
    high: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """How results are held against requirements; the guard band is `guard_band_ratio` times U."""

    rule: Literal["simple acceptance", "guard band"]
    guard_band_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """A programme from its file; `decision` is None where nothing is required."""

    name: str
    tests: tuple[ProgrammeTest, ...]
    limits: tuple[LimitTable, ...]
    document: Document
    decision: DecisionRule | None = None
    requirements: tuple[Requirement, ...] = ()
    attended: bool = False  # somebody is at the bench and answers what is asked
    answer_within_s: float = 300.0
