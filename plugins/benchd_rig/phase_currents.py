"""The currents of a brushless motor over one step: led by a converter, rectified by its diodes, or none.

Currents led by a converter move by the implicit midpoint rule: exact in steady state, stable at any speed, and its
energy balance closes. Where diodes conduct they move by the implicit Euler rule, which can block. It must never know
why a current is wanted.
"""

import cmath
import math
from collections.abc import Callable

from benchd_rig.pmsm import Axes

_MOST_TRIES = 60
_TOLERANCE_V = 1e-9


class PhaseCurrents:
    """State: current and voltage in the rotor's d and q axes, peak of a phase; and how the converter sees the motor."""

    def __init__(self, *, step_s: float) -> None:
        self.current_a = 0j
        self.mean_a = 0j  # over the last step
        self.voltage_v = 0j  # over the last step
        self.swapped = False  # two phase leads are exchanged
        self.offset_rad = 0.0  # electrical, of the converter's frame ahead of the rotor's
        self._step_s = step_s

    def as_seen(self, current_a: complex, *, angle_rad: float) -> complex:
        """A current in the rotor's axes as the converter sees it in its own, at this electrical angle."""
        if self.swapped:  # what turns forward for one turns backward for the other
            return current_a.conjugate() * cmath.rect(1.0, -2.0 * angle_rad - self.offset_rad)
        return current_a * cmath.rect(1.0, -self.offset_rad)

    def as_is(self, seen_a: complex, *, angle_rad: float) -> complex:
        """The current in the rotor's axes that the converter sees so."""
        if self.swapped:
            return seen_a.conjugate() * cmath.rect(1.0, -2.0 * angle_rad - self.offset_rad)
        return seen_a * cmath.rect(1.0, self.offset_rad)

    def follow(
        self, target_a: complex, axes: Axes, *, stays: float, angle_rad: float, turn_rad: float, most_v: float
    ) -> None:
        """One step towards a current in the converter's axes, of whose error a share stays, as far as voltage goes."""
        start_a, per_s = self.current_a, 1.0 / self._step_s
        seen_a = target_a + (self.as_seen(start_a, angle_rad=angle_rad) - target_a) * stays
        end_a = self.as_is(seen_a, angle_rad=angle_rad + turn_rad)
        mean_a, change_a = 0.5 * (start_a + end_a), (end_a - start_a) * per_s
        electrical_rad_s = turn_rad * per_s
        inducing_v = complex(axes.d_inductance_h * change_a.real, axes.q_inductance_h * change_a.imag)
        voltage_v = axes.voltage_v(mean_a, electrical_rad_s=electrical_rad_s) + inducing_v
        if abs(voltage_v) > most_v:
            voltage_v *= most_v / abs(voltage_v)
            d, q = 2.0 * axes.d_inductance_h * per_s, 2.0 * axes.q_inductance_h * per_s
            pushing_v = voltage_v + complex(d * start_a.real, q * start_a.imag - electrical_rad_s * axes.flux_v_s)
            mean_a = _solved(
                pushing_v,
                d + axes.resistance_ohm,
                q + axes.resistance_ohm,
                electrical_rad_s * axes.d_inductance_h,
                electrical_rad_s * axes.q_inductance_h,
            )
            end_a = 2.0 * mean_a - start_a
        self.current_a, self.mean_a, self.voltage_v = end_a, mean_a, voltage_v

    def rectify(self, axes: Axes, *, turn_rad: float, hold: Callable[[float], float]) -> float:
        """One step through diodes that hold a voltage by amplitude against the current; returns the energy lost in it.

        The loss is what the implicit Euler rule takes: nothing in steady state, some where a current is cut off.
        """
        start_a, per_s = self.current_a, 1.0 / self._step_s
        electrical_rad_s = turn_rad * per_s
        d, q = axes.d_inductance_h * per_s, axes.q_inductance_h * per_s
        cross_d, cross_q = electrical_rad_s * axes.d_inductance_h, electrical_rad_s * axes.q_inductance_h
        emf_v = 1j * electrical_rad_s * axes.flux_v_s
        pushing_v = complex(d * start_a.real, q * start_a.imag) - emf_v
        if abs(pushing_v) <= hold(0.0):
            self.current_a = self.mean_a = 0j
            self.voltage_v = emf_v
            return axes.stored_j(start_a)

        def through(ohm: float) -> tuple[complex, float]:
            current_a = _solved(
                pushing_v, d + axes.resistance_ohm + ohm, q + axes.resistance_ohm + ohm, cross_d, cross_q
            )
            amplitude_a = abs(current_a)
            return current_a, amplitude_a * ohm - hold(amplitude_a)

        ohm = _root(lambda trial_ohm: through(trial_ohm)[1], first=d)
        end_a, _ = through(ohm)
        self.current_a = self.mean_a = end_a
        self.voltage_v = -ohm * end_a
        return axes.stored_j(end_a - start_a)

    def interrupt(self, axes: Axes, *, turn_rad: float) -> float:
        """One step with open leads; returns the energy of the arc that ended a current."""
        arc_j = axes.stored_j(self.current_a)
        self.current_a = self.mean_a = 0j
        self.voltage_v = 1j * turn_rad / self._step_s * axes.flux_v_s
        return arc_j


def _solved(pushing_v: complex, d_ohm: float, q_ohm: float, cross_d_ohm: float, cross_q_ohm: float) -> complex:
    """The current in d and q against resistances in each axis and cross terms of rotation."""
    whole = d_ohm * q_ohm + cross_d_ohm * cross_q_ohm
    return complex(
        (q_ohm * pushing_v.real + cross_q_ohm * pushing_v.imag) / whole,
        (d_ohm * pushing_v.imag - cross_d_ohm * pushing_v.real) / whole,
    )


def _root(excess_v: Callable[[float], float], *, first: float) -> float:
    """Where a rising function that is negative at zero crosses zero: regula falsi, Illinois variant."""
    low, low_v = 0.0, excess_v(0.0)
    high = first
    while (high_v := excess_v(high)) < 0.0:
        low, low_v = high, high_v
        high *= 4.0
    for _ in range(_MOST_TRIES):
        middle = (low * high_v - high * low_v) / (high_v - low_v)
        middle_v = excess_v(middle)
        if math.fabs(middle_v) < _TOLERANCE_V:
            return middle
        if middle_v > 0.0:
            high, high_v = middle, middle_v
            low_v *= 0.5
        else:
            low, low_v = middle, middle_v
            high_v *= 0.5
    return 0.5 * (low + high)
