"""What the simulated bench is made of: the true constants of a specimen and of the bench around it, read from TOML.

The numbers here are the truth that a test is meant to find. This file must never compute physics.
"""

import tomllib
from importlib import resources
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class _Section(BaseModel):
    """A frozen section that takes known keys and finite numbers only."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Rating(_Section):
    """What the specimen's plate says; the physics does not use it."""

    voltage_v: Positive
    current_a: Positive
    speed_rpm: Positive
    torque_nm: Positive


class DcMotor(_Section):
    """A brushed DC motor with permanent magnets: electrical, mechanical and thermal constants."""

    resistance_ohm: Positive  # winding with commutator, at reference_degc
    reference_degc: float
    resistance_per_k: NotNegative  # 0.00393 is copper
    inductance_h: Positive
    constant_v_s: Positive  # volt per rad/s, which is newton metre per ampere
    brush_drop_v: NotNegative  # both brushes together, at reference_degc and full current
    brush_scale_a: Positive  # current at which the drop has reached 76 % (tanh law)
    brush_drop_per_k: float  # relative change of the drop
    coulomb_nm: NotNegative
    viscous_nm_s: NotNegative
    cubic_nm_s3: NotNegative  # windage
    inertia_kgm2: Positive
    winding_j_k: Positive
    housing_j_k: Positive
    winding_to_housing_k_w: Positive
    housing_to_ambient_k_w: Positive


class SupplyModel(_Section):
    """The DC supply's output stage: it can give current and cannot take any back."""

    output_resistance_ohm: Positive
    rise_s: NotNegative  # time constant of the set-point; 0 follows at once


class SinkModel(_Section):
    """The electronic load's input stage."""

    on_resistance_ohm: Positive  # slope above the threshold, and the least it can be in any mode


class LinkModel(_Section):
    """The DC link between supply, sink and specimen."""

    capacitance_f: Positive
    bleed_ohm: Positive
    cable_ohm: NotNegative  # both conductors, link to motor terminals


class CouplingModel(_Section):
    """All that is elastic between the two rotors: coupling, transducer, adapters."""

    stiffness_nm_rad: Positive
    damping_nm_s_rad: NotNegative


class LoadMachineModel(_Section):
    """The load machine with its drive."""

    rated_torque_nm: Positive
    peak_torque_nm: Positive
    torque_lag_s: Positive
    inertia_kgm2: Positive
    coulomb_nm: NotNegative
    viscous_nm_s: NotNegative
    speed_gain_nm_s: Positive  # speed loop, newton metre per rad/s
    speed_reset_s: Positive  # its integral time


class InputModel(_Section):
    """One measuring input with the sensor before it; errors refer to the measured quantity."""

    gain_error: float  # relative
    offset: float
    noise: NotNegative  # standard deviation of a value averaged over 10 ms


class TransducerModel(_Section):
    """The torque transducer with its two ranges."""

    nominal_nm: Positive
    narrow_nm: Positive
    wide: InputModel
    narrow: InputModel


class SensorsModel(_Section):
    """What the measuring unit's inputs do to the truth."""

    terminal_voltage: InputModel
    link_voltage: InputModel
    current: InputModel
    transducer: TransducerModel
    encoder_noise_rpm: NotNegative
    encoder_resolution_rpm: NotNegative


class BenchModel(_Section):
    """The bench around the specimen."""

    ambient_degc: float
    supply: SupplyModel
    sink: SinkModel
    link: LinkModel
    coupling: CouplingModel
    load_machine: LoadMachineModel
    sensors: SensorsModel


class Specimen(_Section):
    """A simulated specimen on its bench."""

    name: str
    summary: str
    rating: Rating
    motor: DcMotor
    bench: BenchModel


_FOLDER = resources.files("benchd_rig") / "specimens"

SPECIMENS: tuple[str, ...] = tuple(
    sorted(entry.name.removesuffix(".toml") for entry in _FOLDER.iterdir() if entry.name.endswith(".toml"))
)


def load_specimen(name: str) -> Specimen:
    """The specimen of that name. Raises `ValueError` for an unknown one, naming those that exist."""
    if name not in SPECIMENS:
        raise ValueError(f"There is no simulated specimen {name!r}: choose one of {', '.join(SPECIMENS)}.")
    return Specimen.model_validate(tomllib.loads((_FOLDER / f"{name}.toml").read_text(encoding="utf-8")))
