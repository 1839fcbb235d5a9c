"""What motor, set-up and programme files hold. It must never check one file against another; `fit` does."""

from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.settings.bench_file import LimitTable
from benchd.settings.pieces import Listed, NotNegative, Positive, Table, Text


class Rated(Table):
    """The rating plate."""

    voltage_v: Positive
    current_a: Positive
    speed_rpm: Positive
    torque_nm: Positive
    power_w: Positive  # at the shaft


class DataSheet(Table):
    """What the maker says about the motor; for planning only, never a result."""

    resistance_ohm: Positive  # at the terminals, 20 °C
    ke_v_s: Positive  # back-EMF per rad/s, which equals the torque per ampere in N·m/A
    inertia_kgm2: Positive


class MotorFile(Table):
    """A motor type."""

    kind: Literal["brushed_dc"]
    type_designation: Text
    manufacturer: Text
    thermal_class: Literal["A", "E", "B", "F", "H"]  # IEC 60034-1
    max_speed_rpm: Positive
    max_current_a: Positive
    max_winding_degc: Positive | None = None  # left out: nothing measures the winding
    rated: Rated
    data_sheet: DataSheet


class Coupling(Table):
    """The coupling between specimen and transducer, adapter included."""

    max_torque_nm: Positive
    max_speed_rpm: Positive
    stiffness_nm_per_rad: Positive
    inertia_kgm2: Positive


class Cable(Table):
    """The power cable from the bench terminals to the specimen."""

    resistance_ohm: NotNegative  # both conductors


class SetupFile(Table):
    """What couples a specimen to the bench."""

    adapter: Text
    fuse_current_a: Positive
    coupling: Coupling
    cable: Cable


class ProgrammeFile(Table):
    """A programme; each test's own model judges the rest of its table."""

    name: Text
    test: Annotated[tuple[dict[str, Any], ...], Listed, Field(min_length=1)]
    limits: Annotated[tuple[LimitTable, ...], Listed] = ()
