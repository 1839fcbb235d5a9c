"""A brushless motor's own laws in the rotor's d and q axes, peak values of a phase.

    u_d = R · i_d + L_d · di_d/dt - ω · L_q · i_q
    u_q = R · i_q + L_q · di_q/dt + ω · (L_d · i_d + ψ)
    T = 3/2 · p · (ψ · i_q + (L_d - L_q) · i_d · i_q)        ω = p · rotor speed

A current or a voltage is one complex number, d its real part. Nothing here holds a state: `brushless` does.
"""

import math
from dataclasses import dataclass

from benchd_rig.specimen import BrushlessMotor

_SOFT_RAD_S = 2.0  # speed at which the hysteresis torque has reached half of its value: it does not hold at rest
_NEWTON_STEPS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """Motor data in d and q: what a motor is at its temperatures, or what its converter believes it to be."""

    pole_pairs: int
    resistance_ohm: float
    d_inductance_h: float
    q_inductance_h: float
    flux_v_s: float

    def torque_nm(self, current_a: complex) -> float:
        """Torque between stator and rotor at this current."""
        reluctance = (self.d_inductance_h - self.q_inductance_h) * current_a.real
        return 1.5 * self.pole_pairs * (self.flux_v_s + reluctance) * current_a.imag

    def flux(self, current_a: complex) -> complex:
        """Flux linkage of the stator at this current, V·s."""
        return complex(self.d_inductance_h * current_a.real + self.flux_v_s, self.q_inductance_h * current_a.imag)

    def voltage_v(self, current_a: complex, *, electrical_rad_s: float) -> complex:
        """Voltage that keeps this current at this electrical speed."""
        return self.resistance_ohm * current_a + 1j * electrical_rad_s * self.flux(current_a)

    def stored_j(self, current_a: complex) -> float:
        """Magnetic energy of this current."""
        return 0.75 * (self.d_inductance_h * current_a.real**2 + self.q_inductance_h * current_a.imag**2)

    def least_current_a(self, torque_nm: float, *, limit_a: float) -> complex:
        """The smallest current that makes this torque (maximum torque per ampere), at most `limit_a`."""
        per_amp = 1.5 * self.pole_pairs
        q_a = torque_nm / (per_amp * self.flux_v_s)
        saliency_h = self.q_inductance_h - self.d_inductance_h
        d_a = 0.0
        if abs(saliency_h) > 1e-9 * self.q_inductance_h:
            centre_a = 0.5 * self.flux_v_s / saliency_h
            for _ in range(_NEWTON_STEPS):
                root_a = math.copysign(math.hypot(centre_a, q_a), centre_a)
                d_a = centre_a - root_a
                excess_nm = per_amp * (self.flux_v_s - saliency_h * d_a) * q_a - torque_nm
                slope = per_amp * (self.flux_v_s - saliency_h * d_a + saliency_h * q_a * q_a / root_a)
                q_a -= excess_nm / slope
            d_a = centre_a - math.copysign(math.hypot(centre_a, q_a), centre_a)
        current_a = complex(d_a, q_a)
        if abs(current_a) <= limit_a:
            return current_a
        return self.best_current_a(limit_a, positive=torque_nm > 0.0)

    def best_current_a(self, amplitude_a: float, *, positive: bool) -> complex:
        """The current of this amplitude that makes the most torque."""
        saliency_h = self.q_inductance_h - self.d_inductance_h
        d_a = 0.0
        if abs(saliency_h) > 1e-9 * self.q_inductance_h:
            quarter_a = 0.25 * self.flux_v_s / saliency_h
            d_a = quarter_a - math.copysign(math.sqrt(quarter_a**2 + 0.5 * amplitude_a**2), quarter_a)
        q_a = math.sqrt(max(amplitude_a**2 - d_a**2, 0.0))
        return complex(d_a, q_a if positive else -q_a)


def warmed(motor: BrushlessMotor, *, winding_degc: float, magnet_degc: float) -> tuple[float, float]:
    """A phase's resistance and the magnets' flux at these temperatures."""
    return (
        motor.resistance_ohm * (1.0 + motor.resistance_per_k * (winding_degc - motor.reference_degc)),
        motor.flux_v_s * (1.0 + motor.flux_per_k * (magnet_degc - motor.reference_degc)),
    )


def axes(motor: BrushlessMotor, *, winding_degc: float, magnet_degc: float) -> Axes:
    """What the motor is at its temperatures."""
    resistance_ohm, flux_v_s = warmed(motor, winding_degc=winding_degc, magnet_degc=magnet_degc)
    return Axes(
        pole_pairs=motor.pole_pairs,
        resistance_ohm=resistance_ohm,
        d_inductance_h=motor.d_inductance_h,
        q_inductance_h=motor.q_inductance_h,
        flux_v_s=flux_v_s,
    )


class Iron:
    """The iron's drag: hysteresis and eddy currents, growing with the square of the stator's flux."""

    def __init__(self, motor: BrushlessMotor) -> None:
        self._hysteresis_nm = motor.hysteresis_nm
        self._eddy_nm_s = motor.eddy_nm_s
        self._per_square = 1.0 / motor.flux_v_s**2

    def torque_nm(self, speed_rad_s: float, *, flux: complex) -> float:
        """Torque that brakes the rotor at this speed, with the speed's sign."""
        share = (flux.real * flux.real + flux.imag * flux.imag) * self._per_square
        soft = speed_rad_s / (abs(speed_rad_s) + _SOFT_RAD_S)
        return share * (self._hysteresis_nm * soft + self._eddy_nm_s * speed_rad_s)


class Cogging:
    """The magnets' pull on the slots: LCM(slots, poles) periods a revolution, no work over one of them."""

    def __init__(self, motor: BrushlessMotor) -> None:
        self.periods = math.lcm(motor.slots, 2 * motor.pole_pairs)
        self._amplitude_nm = motor.cogging_nm

    def torque_nm(self, angle_rad: float) -> float:
        """Torque on the rotor at this angle."""
        return -self._amplitude_nm * math.sin(self.periods * angle_rad)

    def mean_torque_nm(self, angle_rad: float, turn_rad: float) -> float:
        """Torque averaged over a turn from this angle on: what remains of it where a step spans many periods."""
        half = 0.5 * self.periods * turn_rad
        sinc = math.sin(half) / half if abs(half) > 1e-6 else 1.0
        return -self._amplitude_nm * math.sin(self.periods * angle_rad + half) * sinc

    def stored_j(self, angle_rad: float) -> float:
        """Energy in the field at this angle, above its least."""
        return self._amplitude_nm / self.periods * (1.0 - math.cos(self.periods * angle_rad))
