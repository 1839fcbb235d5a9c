"""What motor, set-up and programme files hold. It must never check one file against another; `fit` does."""

import datetime as dt
import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.rules.moves import LONGEST_QUESTION_S
from benchd.settings.bench_file import LimitTable
from benchd.settings.pieces import Listed, NotNegative, Positive, Table, Text
from benchd.settings.torsion_file import CriticalSpeedTable

ThermalClass = Literal["A", "E", "B", "F", "H"]  # IEC 60034-1
RAD_S_PER_RPM = math.pi / 30.0


class Rated(Table):
    """The rating plate of a brushed motor."""

    voltage_v: Positive
    current_a: Positive
    speed_rpm: Positive
    torque_nm: Positive
    power_w: Positive  # at the shaft


class DataSheet(Table):
    """What the maker says about a brushed motor; for planning only, never a result."""

    resistance_ohm: Positive  # at the terminals, 20 °C
    ke_v_s: Positive  # back-EMF per rad/s, which equals the torque per ampere in N·m/A
    inertia_kgm2: Positive
    dry_friction_nm: NotNegative | None = None  # brushes and bearings; left out: coasting is not predicted
    viscous_friction_nm_s: NotNegative | None = None  # N·m per rad/s


class BrushedMotorFile(Table):
    """A type of brushed DC motor, fed by the supply itself."""

    kind: Literal["brushed_dc"]
    type_designation: Text
    manufacturer: Text
    thermal_class: ThermalClass
    max_speed_rpm: Positive
    max_current_a: Positive
    max_winding_degc: Positive | None = None  # left out: what thermal_class allows, where the winding is measured
    thermal_time_constant_s: Positive | None = None  # of the winding: how fast it warms; for its thermal image
    rated: Rated
    data_sheet: DataSheet


class BrushlessRated(Table):
    """The rating plate of a brushless motor."""

    voltage_v: Positive  # of the DC link
    phase_current_a: Positive  # rms
    dc_current_a: Positive  # into the converter
    speed_rpm: Positive
    torque_nm: Positive
    power_w: Positive  # at the shaft


class BrushlessDataSheet(Table):
    """What the maker says about a brushless motor; for planning only, never a result."""

    resistance_ohm: Positive  # between two terminals, 20 °C
    voltage_constant_v_per_krpm: Positive  # line to line, rms, per 1000 r/min
    inductance_d_h: Positive  # of a phase
    inductance_q_h: Positive
    inertia_kgm2: Positive
    dry_friction_nm: NotNegative | None = None  # bearings and iron; left out: coasting is not predicted
    viscous_friction_nm_s: NotNegative | None = None  # N·m per rad/s

    @property
    def ke_v_s(self) -> float:
        """The line-to-line rms voltage per rad/s of the shaft."""
        return self.voltage_constant_v_per_krpm / (1000.0 * RAD_S_PER_RPM)

    def peak_voltage_v(self, speed_rpm: float) -> float:
        """The peak line-to-line voltage that the magnets make at this speed."""
        return math.sqrt(2.0) * self.voltage_constant_v_per_krpm * speed_rpm / 1000.0


class BrushlessMotorFile(Table):
    """A type of three-phase motor with permanent magnets, fed by a converter."""

    kind: Literal["brushless"]
    type_designation: Text
    manufacturer: Text
    thermal_class: ThermalClass
    pole_pairs: Annotated[int, Field(ge=1, le=100)]
    slots: Annotated[int, Field(ge=3, le=500)] | None = None  # of the stator; left out: cogging is not reckoned with
    max_speed_rpm: Positive
    max_current_a: Positive  # of the DC link
    max_phase_current_a: Positive | None = None  # rms; left out: nothing measures the phases
    max_winding_degc: Positive | None = None
    thermal_time_constant_s: Positive | None = None  # of the winding
    max_magnet_degc: Positive | None = None
    rated: BrushlessRated
    data_sheet: BrushlessDataSheet


MotorFile = BrushedMotorFile | BrushlessMotorFile
MOTOR_FILES: Mapping[str, type[BrushedMotorFile] | type[BrushlessMotorFile]] = {
    "brushed_dc": BrushedMotorFile,
    "brushless": BrushlessMotorFile,
}


class Coupling(Table):
    """The coupling between specimen and transducer, adapter included."""

    max_torque_nm: Positive
    max_speed_rpm: Positive
    stiffness_nm_per_rad: Positive
    inertia_kgm2: Positive
    specimen_side_inertia_kgm2: Positive | None = None  # the part of it on the specimen's side of the transducer


class Cable(Table):
    """The power cable from the bench terminals to the specimen."""

    resistance_ohm: NotNegative  # both conductors


class RangeZero(Table):
    """What one range of the transducer shows without torque."""

    value_nm: float
    standard_uncertainty_nm: Positive


class TransducerZero(RangeZero):
    """The transducer's zero, taken uncoupled while the set-up was built; of the wide range, and of the narrow one."""

    taken_on: dt.date
    taken: Literal["uncoupled"]
    narrow: RangeZero | None = None


class SetupFile(Table):
    """What couples a specimen to the bench."""

    adapter: Text
    fuse_current_a: Positive
    coupling: Coupling
    cable: Cable
    transducer_zero: TransducerZero | None = None  # used where the bench file says so
    critical_speeds: Annotated[tuple[CriticalSpeedTable, ...], Listed] = ()


class DecisionTable(Table):
    """How results are held against requirements (ILAC-G8:09/2019; value from memory)."""

    rule: Literal["simple acceptance", "guard band"]
    guard_band_ratio: NotNegative = 1.0  # of the expanded uncertainty U


class RequirementTable(Table):
    """What one quantity of one test has to keep."""

    quantity: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$")]
    low: float | None = None
    high: float | None = None
    unit: Text


class ProgrammeFile(Table):
    """A programme; each test's own model judges the rest of its table."""

    name: Text
    attended: bool = False  # somebody is at the bench and answers what the tests ask
    answer_within_s: Annotated[float, Field(gt=0.0, le=LONGEST_QUESTION_S)] = 300.0
    test: Annotated[tuple[dict[str, Any], ...], Listed, Field(min_length=1)]
    limits: Annotated[tuple[LimitTable, ...], Listed] = ()
    decision: DecisionTable | None = None
    requirement: Annotated[tuple[RequirementTable, ...], Listed] = ()
