"""A set-point on its way: no faster than its rate, no more sudden than its acceleration, at rest when it arrives. Pure.

The way is computed whole and looked up at the time that passed, so that one long step and many short ones agree.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Moving:
    """Where a set-point is, and how fast it moves per second."""

    value: float
    slope_per_s: float = 0.0


def advanced(now: Moving, target: float, *, rate_per_s: float, acceleration_per_s2: float, dt_s: float) -> Moving:
    """The set-point `dt_s` later on its quickest way to rest at `target`; exactly `target` once it has arrived.

    Either limit may be infinite: without one of acceleration it is a plain ramp, without both it jumps. A target that
    comes nearer than the set-point can stop is overrun by what stopping takes; limits that were narrowed meanwhile are
    reached by braking. So it never leaves what its targets span, as long as its limits stay.

    Raises `ValueError` for a limit that is not positive or a time that runs backwards.
    """
    if not (rate_per_s > 0.0 and acceleration_per_s2 > 0.0):
        raise ValueError(f"A set-point's limits must be positive, not {rate_per_s!r} and {acceleration_per_s2!r}.")
    if not dt_s >= 0.0:
        raise ValueError(f"A set-point's time step must not be negative, not {dt_s!r} s.")
    if math.isinf(acceleration_per_s2):
        return _ramped(now, target, rate_per_s=rate_per_s, dt_s=dt_s)
    slope, most = now.slope_per_s, acceleration_per_s2
    rests_at = now.value + 0.5 * slope * abs(slope) / most
    side = math.copysign(1.0, target - rests_at)  # everything below looks along the way
    speed, gap = side * slope, side * (target - now.value)
    peak = min(rate_per_s, math.sqrt(max(0.0, most * gap + 0.5 * speed * speed)))
    gaining = math.copysign(most, peak - speed)
    gaining_s = abs(peak - speed) / most
    gained = 0.5 * (peak + speed) * gaining_s
    cruising_s = max(0.0, (gap - gained - 0.5 * peak * peak / most) / peak) if peak > 0.0 else 0.0
    left_s = gaining_s + cruising_s + peak / most - dt_s
    if left_s <= 0.0:
        return Moving(target)
    if dt_s < gaining_s:
        return Moving(
            now.value + side * (speed + 0.5 * gaining * dt_s) * dt_s,
            side * (speed + gaining * dt_s),
        )
    if dt_s < gaining_s + cruising_s:
        return Moving(now.value + side * (gained + peak * (dt_s - gaining_s)), side * peak)
    return Moving(target - side * 0.5 * most * left_s * left_s, side * most * left_s)


def _ramped(now: Moving, target: float, *, rate_per_s: float, dt_s: float) -> Moving:
    """A straight ramp, which needs no memory of its slope."""
    if math.isinf(rate_per_s):
        return Moving(target)
    reach = rate_per_s * dt_s
    return Moving(target if abs(target - now.value) <= reach else now.value + math.copysign(reach, target - now.value))
