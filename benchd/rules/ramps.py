"""Ramps: a value that moves towards its target no faster than its slope. Pure arithmetic, exact at the end."""

from dataclasses import dataclass


def towards(value: float, target: float, *, slope_per_s: float, dt_s: float) -> float:
    """The value `dt_s` later, moved towards `target` by at most `slope_per_s`; exactly `target` once it is in reach.

    Raises `ValueError` for a slope that is not positive or a time that runs backwards.
    """
    if not slope_per_s > 0.0:
        raise ValueError(f"A ramp's slope must be positive, not {slope_per_s!r} per second.")
    if not dt_s >= 0.0:
        raise ValueError(f"A ramp's time step must not be negative, not {dt_s!r} s.")
    reach = slope_per_s * dt_s
    if abs(target - value) <= reach:
        return target
    return value + reach if target > value else value - reach


def clamped(value: float, magnitude: float) -> float:
    """The value, at most `magnitude` in either direction."""
    return max(-magnitude, min(magnitude, value))


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """How fast the bench lets its set-points move."""

    voltage_v_per_s: float
    torque_nm_per_s: float
    speed_rpm_per_s: float
    crossing_rpm_per_s: float = 0.0  # of a speed within a critical band, where that is steeper
