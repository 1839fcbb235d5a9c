"""What the simulated bench is made of: the true constants of a specimen and of the bench around it, read from TOML.

The numbers here are the truth that a test is meant to find. This file must never compute physics.
"""

import tomllib
from importlib import resources
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]


class _Section(BaseModel):
    """A frozen section that takes known keys and finite numbers only."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Rating(_Section):
    """What the specimen's plate says; the physics does not use it."""

    voltage_v: Positive  # of the DC link
    current_a: Positive  # brushless: rms of a phase
    speed_rpm: Positive
    torque_nm: Positive


class _Motor(_Section):
    """What motors of every kind have: a winding, a rotor with its friction, and mass that warms."""

    resistance_ohm: Positive  # at reference_degc; what it is the resistance of, each kind says
    reference_degc: float
    resistance_per_k: NotNegative  # 0.00393 is copper
    coulomb_nm: NotNegative
    viscous_nm_s: NotNegative
    cubic_nm_s3: NotNegative  # windage
    inertia_kgm2: Positive
    winding_j_k: Positive
    housing_j_k: Positive
    winding_to_housing_k_w: Positive
    housing_to_ambient_k_w: Positive


class DcMotor(_Motor):
    """A brushed DC motor with permanent magnets. Its resistance is that of the winding with its commutator."""

    kind: Literal["brushed_dc"]
    inductance_h: Positive
    constant_v_s: Positive  # volt per rad/s, which is newton metre per ampere
    brush_drop_v: NotNegative  # both brushes together, at reference_degc and full current
    brush_scale_a: Positive  # current at which the drop has reached 76 % (tanh law)
    brush_drop_per_k: float  # relative change of the drop


class BrushlessMotor(_Motor):
    """A three-phase motor with permanent magnets and sinusoidal back-EMF, star-connected. Its resistance is a phase's.

    Currents, voltages and fluxes in the rotor's d and q axes are peak values of a phase.
    """

    kind: Literal["brushless"]
    pole_pairs: Annotated[int, Field(ge=1)]
    slots: Annotated[int, Field(ge=3)]
    phase_spread: tuple[float, float, float]  # relative deviation of each phase's resistance, for the resistance meter
    d_inductance_h: Positive
    q_inductance_h: Positive
    flux_v_s: Positive  # of the magnets at reference_degc
    flux_per_k: float  # relative change with the magnets' temperature
    cogging_nm: NotNegative  # amplitude; LCM(slots, poles) periods a revolution
    hysteresis_nm: NotNegative  # iron loss as torque: constant share, at the magnets' flux alone
    eddy_nm_s: NotNegative  # and the share that grows with speed
    iron_to_magnet: Annotated[float, Field(ge=0.0, le=1.0)]  # share of the iron loss that warms the magnets
    magnet_j_k: Positive
    magnet_to_housing_k_w: Positive


class ConverterModel(_Section):
    """The specimen's converter: what it can do, what it loses and what it believes of the motor."""

    current_limit_a: Positive  # peak of a phase
    current_lag_s: Positive  # of the closed current loop
    least_link_v: NotNegative  # below it the power stage locks out
    carrier_hz: Positive
    ripple_share: NotNegative  # ripple current, rms, as a share of link voltage / (d inductance * carrier)
    threshold_v: NotNegative  # of a conducting switch
    on_ohm: NotNegative  # of a conducting switch
    diode_v: Positive  # of a conducting diode
    switching_s: NotNegative  # time of both transitions together: loss = link voltage * current * time * carrier
    idle_w: NotNegative  # electronics and gate drives while the power stage is on
    believed_flux_v_s: Positive  # its own motor data: set-points and torque estimate come from them
    believed_d_inductance_h: Positive
    believed_q_inductance_h: Positive
    speed_gain_nm_s: Positive  # speed loop, newton metre per rad/s
    speed_reset_s: Positive  # its integral time


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


class AnalyserModel(_Section):
    """The power analyser between converter and specimen; ranges are true rms, errors relative."""

    voltage_range_v: Positive
    current_range_a: Positive
    voltage_gain_error: float
    current_gain_error: float
    power_gain_error: float
    power_offset_w: float
    noise: NotNegative  # relative standard deviation of a value averaged over 100 ms


class ResistanceMeterModel(_Section):
    """The four-wire resistance meter."""

    voltage_gain_error: float
    current_gain_error: float
    thermal_emf_v: float  # of the contacts, whatever the current
    noise_v: NotNegative
    rise_s: Positive  # of the current into the winding


class SensorsModel(_Section):
    """What the measuring unit's inputs do to the truth."""

    volt_per_volt: Positive = 0.1  # voltage inputs, averaged and sampled
    volt_per_ampere: Positive = 0.1  # current inputs, averaged and sampled
    terminal_voltage: InputModel
    link_voltage: InputModel
    current: InputModel
    transducer: TransducerModel
    encoder_noise_rpm: NotNegative
    encoder_resolution_rpm: NotNegative


class BenchModel(_Section):
    """The bench around the specimen. A brushless one needs a converter and has an analyser behind it."""

    ambient_degc: float
    overspeed_rpm: Positive = 6000.0  # above it either drive trips by itself
    supply: SupplyModel
    sink: SinkModel
    link: LinkModel
    coupling: CouplingModel
    load_machine: LoadMachineModel
    sensors: SensorsModel
    resistance_meter: ResistanceMeterModel
    converter: ConverterModel | None = None
    analyser: AnalyserModel | None = None


class Specimen(_Section):
    """A simulated specimen on its bench."""

    name: str
    summary: str
    rating: Rating
    motor: Annotated[DcMotor | BrushlessMotor, Field(discriminator="kind")]
    bench: BenchModel

    @model_validator(mode="after")
    def _converter_where_needed(self) -> Self:
        needed = self.motor.kind == "brushless"
        if needed != (self.bench.converter is not None) or needed != (self.bench.analyser is not None):
            raise ValueError(
                "A brushless specimen needs [bench.converter] and [bench.analyser], a brushed one neither."
            )
        return self


_FOLDER = resources.files("benchd_rig") / "specimens"

SPECIMENS: tuple[str, ...] = tuple(
    sorted(entry.name.removesuffix(".toml") for entry in _FOLDER.iterdir() if entry.name.endswith(".toml"))
)


def load_specimen(name: str) -> Specimen:
    """The specimen of that name. Raises `ValueError` for an unknown one, naming those that exist."""
    if name not in SPECIMENS:
        raise ValueError(f"There is no simulated specimen {name!r}: choose one of {', '.join(SPECIMENS)}.")
    return Specimen.model_validate(tomllib.loads((_FOLDER / f"{name}.toml").read_text(encoding="utf-8")))
