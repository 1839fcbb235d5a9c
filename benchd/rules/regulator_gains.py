"""What a regulator is set to: gains, how they go with speed, bounds of its output. Pure values; speeds in rad/s."""

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter


@dataclass(frozen=True, slots=True, kw_only=True)
class Gains:
    """The three gains in parallel, in output per unit of what is held.

    A plant that falls as its input rises has negative ones. Raises `ValueError` for what is not finite, and for signs
    that contradict each other: one of them would feed back positively.
    """

    proportional: float
    integral_per_s: float
    derivative_s: float = 0.0

    def __post_init__(self) -> None:
        values = (self.proportional, self.integral_per_s, self.derivative_s)
        if not all(map(math.isfinite, values)):
            raise ValueError(f"A regulator's gains are finite numbers, not {self}.")
        if min(values) < 0.0 < max(values):
            raise ValueError(f"A regulator's gains have one sign, not {self}: one of them would drive it away.")


@dataclass(frozen=True, slots=True)
class Schedule:
    """Gains over the magnitude of speed: straight lines between the points, constant beyond the outer ones.

    `points` are (speed in rad/s, gains), from slow to fast. Raises `ValueError` for none, for speeds that are negative
    or do not rise, and for gains of both signs.
    """

    points: tuple[tuple[float, Gains], ...]

    def __post_init__(self) -> None:
        speeds = [speed for speed, _ in self.points]
        if not speeds or not all(map(math.isfinite, speeds)) or speeds[0] < 0.0:
            raise ValueError(f"A gain schedule has points at finite speeds from 0 rad/s on, not at {speeds}.")
        if any(after <= before for before, after in pairwise(speeds)):
            raise ValueError(f"A gain schedule's speeds rise from point to point, not {speeds} rad/s.")
        values = [(one.proportional, one.integral_per_s, one.derivative_s) for _, one in self.points]
        if min(map(min, values)) < 0.0 < max(map(max, values)):
            raise ValueError("A gain schedule's gains have one sign at all speeds: between them it would not regulate.")

    def at(self, speed_rad_s: float) -> Gains:
        """The gains at this speed, either direction of rotation alike."""
        speed = abs(speed_rad_s)
        place = bisect_right(self.points, speed, key=itemgetter(0))
        if place in {0, len(self.points)}:
            return self.points[min(place, len(self.points) - 1)][1]
        (slow, before), (fast, after) = self.points[place - 1], self.points[place]
        share = (speed - slow) / (fast - slow)
        return Gains(
            proportional=_between(before.proportional, after.proportional, share),
            integral_per_s=_between(before.integral_per_s, after.integral_per_s, share),
            derivative_s=_between(before.derivative_s, after.derivative_s, share),
        )


def _between(before: float, after: float, share: float) -> float:
    return (1.0 - share) * before + share * after


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What an output stays within. Raises `ValueError` for bounds that are not finite or stand the wrong way round."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise ValueError(f"Bounds are finite and the low one is not above the high one, not {self}.")

    def clamped(self, value: float) -> float:
        """The value, or the bound that it lies beyond."""
        return max(self.low, min(self.high, value))

    def narrowed(self, other: "Bounds | None") -> "Bounds":
        """These bounds as far as `other` does not tighten them; never anything beyond these."""
        return self if other is None else Bounds(low=self.clamped(other.low), high=self.clamped(other.high))
