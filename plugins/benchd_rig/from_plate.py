"""A simulated specimen on its bench from what rating plate, data sheet, set-up and bench file state.

What they do not state is taken as it usually is, and every such value is one sentence in `assumed`. The physics is
elsewhere; this file turns a plate's words into the plant's constants and must never simulate.

Defaults marked "common practice" are the order of magnitude that small machines on rack benches have, not a source.
"""

import math
from dataclasses import dataclass, field

from benchd.contract import BrushedPlate, BrushlessPlate, Plate
from benchd_rig.plate_bench import bench_model
from benchd_rig.specimen import BrushlessMotor, DcMotor, Rating, Specimen

AMBIENT_DEGC = 23.0
_RAD_S_PER_RPM = math.pi / 30.0
_COPPER_PER_K = 0.00393
_REFERENCE_DEGC = 20.0  # to which data sheets state resistances, as the contract says
_RATED_AMBIENT_DEGC = 40.0  # IEC 60034-1 (value from memory)
_USUAL_LIMIT_DEGC = 120.0  # thermal class B at 40 °C (IEC 60034-1, value from memory)
_RISE_SHARE = 0.75  # of the rise that the winding may have, at rated load for ever (common practice)
_WINDING_SHARE = 0.45  # of the thermal resistance, from winding to housing (common practice)
_HOUSING_TIMES = 9.0  # the housing's time constant beside the winding's (common practice)
_WINDING_TIME_S = 60.0  # common practice
_ELECTRICAL_TIME_S = 1.5e-3  # inductance over resistance of a small brushed motor (common practice)
_LEAST_DRAG_RATIO = 0.02  # of rated torque, where plate and voltage constant leave no friction (common practice)
_COGGING_RATIO = 0.0125  # amplitude, of rated torque (common practice)
_HYSTERESIS_SHARE = 0.6  # of the dry friction that is stated for bearings and iron together (common practice)
_EDDY_SHARE = 0.8  # of the viscous one (common practice)
_MAGNET_PER_K = -0.0011  # flux of neodymium magnets (common practice)
_IRON_TO_MAGNET = 0.1  # share of the iron loss that warms the magnets (common practice)


@dataclass(slots=True)
class Assumed:
    """What was taken for granted, a sentence each."""

    sentences: list[str] = field(default_factory=list)

    def take(self, what: str, value: float, unit: str, why: str = "common practice") -> float:
        """The value, told."""
        self.sentences.append(f"{what}: not stated, taken as {value:.3g} {unit} ({why}).".replace("  ", " "))
        return value

    def tell(self, sentence: str) -> None:
        """Something that is left out."""
        self.sentences.append(sentence)


def specimen_of(plate: Plate) -> tuple[Specimen, tuple[str, ...]]:
    """The specimen on its bench, and what was assumed. Raises `ValueError` in one sentence for what does not fit."""
    assumed = Assumed()
    ambient_degc = plate.ambient_degc
    if ambient_degc is None:
        ambient_degc = assumed.take("Ambient temperature", AMBIENT_DEGC, "°C")
    motor: DcMotor | BrushlessMotor
    if isinstance(plate.motor, BrushedPlate):
        motor, current_a = _brushed(plate.motor, plate, assumed), plate.motor.current_a
    else:
        motor, current_a = _brushless(plate.motor, plate, assumed), plate.motor.phase_current_a
    return (
        Specimen(
            name=plate.specimen,
            summary=f"{plate.specimen} from its rating plate, on {plate.bench}",
            rating=Rating(
                voltage_v=plate.motor.voltage_v,
                current_a=current_a,
                speed_rpm=plate.motor.speed_rpm,
                torque_nm=plate.motor.torque_nm,
            ),
            motor=motor,
            bench=bench_model(plate, motor, assumed, ambient_degc=ambient_degc),
        ),
        tuple(assumed.sentences),
    )


def _brushed(motor: BrushedPlate, plate: Plate, assumed: Assumed) -> DcMotor:
    electromagnetic_nm = motor.ke_v_s * motor.current_a
    dry_nm, viscous_nm_s = _friction(motor, electromagnetic_nm, assumed)
    inductance_h = motor.inductance_h
    if inductance_h is None:
        inductance_h = assumed.take("Inductance", _ELECTRICAL_TIME_S * motor.resistance_ohm, "H")
    assumed.tell("Brushes: their drop is part of the stated resistance and grows with the current.")
    friction_w = (dry_nm + viscous_nm_s * _speed(motor)) * _speed(motor)
    thermal = _thermal(motor, copper_w=motor.resistance_ohm * motor.current_a**2, beside_w=friction_w, assumed=assumed)
    return DcMotor(
        kind="brushed_dc",
        resistance_ohm=motor.resistance_ohm,
        reference_degc=_REFERENCE_DEGC,
        resistance_per_k=_COPPER_PER_K,
        inductance_h=inductance_h,
        constant_v_s=motor.ke_v_s,
        brush_drop_v=0.0,
        brush_scale_a=0.02 * motor.current_a,
        brush_drop_per_k=0.0,
        coulomb_nm=dry_nm,
        viscous_nm_s=viscous_nm_s,
        cubic_nm_s3=0.0,  # windage is within the viscous friction that a plate states
        inertia_kgm2=motor.inertia_kgm2 + _coupling_side_kgm2(plate),
        **thermal,
    )


def _brushless(motor: BrushlessPlate, plate: Plate, assumed: Assumed) -> BrushlessMotor:
    ke_v_s = motor.voltage_constant_v_per_krpm / (1000.0 * _RAD_S_PER_RPM)  # line to line, rms
    # line rms = √(3/2) · p · ω · ψ for sinusoidal voltages of a star (closed form)
    flux_v_s = ke_v_s / (math.sqrt(1.5) * motor.pole_pairs)
    dry_nm, viscous_nm_s = _friction(motor, math.sqrt(3.0) * ke_v_s * motor.phase_current_a, assumed)
    slots = motor.slots
    if slots is None:
        slots = round(assumed.take("Slots", 3.0 * motor.pole_pairs, "", why="concentrated winding, common practice"))
    cogging_nm = assumed.take("Cogging, amplitude", _COGGING_RATIO * motor.torque_nm, "N·m")
    assumed.tell(
        f"Iron: {_HYSTERESIS_SHARE:.0%} of the dry and {_EDDY_SHARE:.0%} of the viscous friction are taken as the "
        "iron's, a tenth of which warms the magnets (common practice)."
    )
    assumed.tell(f"Magnets: {100.0 * _MAGNET_PER_K:g} % of flux per K (neodymium, common practice).")
    phase_ohm = 0.5 * motor.resistance_ohm
    drag_w = (dry_nm + viscous_nm_s * _speed(motor)) * _speed(motor)
    thermal = _thermal(motor, copper_w=3.0 * phase_ohm * motor.phase_current_a**2, beside_w=drag_w, assumed=assumed)
    return BrushlessMotor(
        kind="brushless",
        resistance_ohm=phase_ohm,
        reference_degc=_REFERENCE_DEGC,
        resistance_per_k=_COPPER_PER_K,
        pole_pairs=motor.pole_pairs,
        slots=slots,
        phase_spread=(0.0, 0.0, 0.0),
        d_inductance_h=motor.inductance_d_h,
        q_inductance_h=motor.inductance_q_h,
        flux_v_s=flux_v_s,
        flux_per_k=_MAGNET_PER_K,
        cogging_nm=cogging_nm,
        hysteresis_nm=_HYSTERESIS_SHARE * dry_nm,
        eddy_nm_s=_EDDY_SHARE * viscous_nm_s,
        iron_to_magnet=_IRON_TO_MAGNET,
        coulomb_nm=(1.0 - _HYSTERESIS_SHARE) * dry_nm,
        viscous_nm_s=(1.0 - _EDDY_SHARE) * viscous_nm_s,
        cubic_nm_s3=0.0,
        inertia_kgm2=motor.inertia_kgm2 + _coupling_side_kgm2(plate),
        magnet_j_k=0.15 * thermal["housing_j_k"],  # a rotor beside its housing, common practice
        magnet_to_housing_k_w=3.5 * thermal["winding_to_housing_k_w"],  # across the air gap, common practice
        **thermal,
    )


def _speed(motor: BrushedPlate | BrushlessPlate) -> float:
    return motor.speed_rpm * _RAD_S_PER_RPM


def _friction(motor: BrushedPlate | BrushlessPlate, electromagnetic_nm: float, assumed: Assumed) -> tuple[float, float]:
    """Dry and viscous; one not stated is half of what current and voltage constant make beyond the plate's torque."""
    dry_nm, viscous_nm_s = motor.dry_friction_nm, motor.viscous_friction_nm_s
    half_nm = 0.5 * max(electromagnetic_nm - motor.torque_nm, _LEAST_DRAG_RATIO * motor.torque_nm)
    why = "half of what voltage constant and rated current make beyond the rated torque"
    if dry_nm is None:
        dry_nm = assumed.take("Dry friction", half_nm, "N·m", why=why)
    if viscous_nm_s is None:
        viscous_nm_s = assumed.take("Viscous friction", half_nm / _speed(motor), "N·m per rad/s", why=why)
    return dry_nm, viscous_nm_s


def _coupling_side_kgm2(plate: Plate) -> float:
    """The coupling's inertia that turns with the rotor: half of it where nothing else is stated."""
    side_kgm2 = plate.coupling_specimen_side_kgm2
    return 0.5 * plate.coupling_inertia_kgm2 if side_kgm2 is None else side_kgm2


def _thermal(
    motor: BrushedPlate | BrushlessPlate, *, copper_w: float, beside_w: float, assumed: Assumed
) -> dict[str, float]:
    """Two thermal masses that reach a share of the permitted rise at rated load; `copper_w` is at 20 °C."""
    limit_degc = motor.max_winding_degc
    if limit_degc is None:
        limit_degc = assumed.take("Highest winding temperature", _USUAL_LIMIT_DEGC, "°C", why="thermal class B")
    if limit_degc <= _RATED_AMBIENT_DEGC:
        raise ValueError(
            f"No simulated motor can be made of max_winding_degc {limit_degc:g} °C, which is no rise above "
            f"{_RATED_AMBIENT_DEGC:g} °C: write what the winding bears."
        )
    time_s = motor.thermal_time_constant_s
    if time_s is None:
        time_s = assumed.take("Thermal time constant of the winding", _WINDING_TIME_S, "s")
    rise_k = _RISE_SHARE * (limit_degc - _RATED_AMBIENT_DEGC)
    hot_w = copper_w * (1.0 + _COPPER_PER_K * (_RATED_AMBIENT_DEGC + rise_k - _REFERENCE_DEGC))
    whole_k_w = rise_k / (hot_w + (1.0 - _WINDING_SHARE) * beside_w)
    inner_k_w, outer_k_w = _WINDING_SHARE * whole_k_w, (1.0 - _WINDING_SHARE) * whole_k_w
    assumed.tell(
        f"Warming: at rated load the winding rises by {rise_k:.0f} K above the air, the housing {_HOUSING_TIMES:g} "
        "times as slowly as the winding (common practice)."
    )
    return {
        "winding_to_housing_k_w": inner_k_w,
        "housing_to_ambient_k_w": outer_k_w,
        "winding_j_k": time_s / inner_k_w,
        "housing_j_k": _HOUSING_TIMES * time_s / outer_k_w,
    }
