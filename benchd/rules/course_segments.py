"""The shortest parts of a course: a monotone cubic and a wave, with where their extremes lie. Pure arithmetic."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

VALUE, SLOPE, ACCELERATION = range(3)  # places in `At`


class At(NamedTuple):
    """A course at one second: the value, and how it changes."""

    value: float
    slope_per_s: float
    acceleration_per_s2: float


class Peak(NamedTuple):
    """A magnitude and the second at which it occurs first; infinite where a course jumps, or turns a corner."""

    amount: float
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cubic:
    """From `start` to `end` without turning back, by the slope, acceleration and jerk that it has at its start.

    The caller sees to it that these three lead to `end` and that the way is monotone; rounding is kept within both.
    """

    lasts_s: float
    start: float
    end: float
    slope_per_s: float = 0.0
    acceleration_per_s2: float = 0.0
    jerk_per_s3: float = 0.0

    def at(self, time_s: float) -> At:
        """Value, slope and acceleration `time_s` after the start, which may be 0 to `lasts_s`."""
        slope, bend, jerk = self.slope_per_s, self.acceleration_per_s2, self.jerk_per_s3
        value = self.start + time_s * (slope + time_s * (bend / 2.0 + time_s * jerk / 6.0))
        if time_s <= 0.0:
            value = self.start
        elif time_s >= self.lasts_s:
            value = self.end
        low, high = min(self.start, self.end), max(self.start, self.end)
        return At(min(high, max(low, value)), slope + time_s * (bend + time_s * jerk / 2.0), bend + time_s * jerk)

    def turns(self, what: int, first_s: float, last_s: float) -> Iterator[float]:
        """The seconds between both at which `what` may be extreme, beside both themselves."""
        if what == SLOPE and self.jerk_per_s3 != 0.0:
            vertex_s = -self.acceleration_per_s2 / self.jerk_per_s3
            if first_s < vertex_s < last_s:
                yield vertex_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Wave:
    """A sine about `start`, upwards first where the amplitude is positive."""

    lasts_s: float
    start: float
    amplitude: float
    period_s: float

    @property
    def end(self) -> float:
        """The value after `lasts_s`."""
        return self.at(self.lasts_s).value

    def at(self, time_s: float) -> At:
        """Value, slope and acceleration `time_s` after the start."""
        per_s = 2.0 * math.pi / self.period_s
        phase = 2.0 * math.pi * math.fmod(time_s / self.period_s, 1.0)
        swing = self.amplitude * math.sin(phase)
        return At(self.start + swing, self.amplitude * per_s * math.cos(phase), -per_s * per_s * swing)

    def turns(self, what: int, first_s: float, last_s: float) -> Iterator[float]:
        """The seconds between both at which `what` may be extreme: the first two, a crest and a trough."""
        half_s = self.period_s / 2.0
        offset_s = 0.0 if what == SLOPE else half_s / 2.0
        number = math.ceil((first_s - offset_s) / half_s)
        for place in (number, number + 1):
            if first_s < offset_s + place * half_s < last_s:
                yield offset_s + place * half_s


Segment = Cubic | Wave


def resting(value: float) -> Cubic:
    """No time at all at rest at `value`: what a course is before it begins, after it ends and where it waits."""
    return Cubic(lasts_s=0.0, start=value, end=value)


def greatest(segment: Segment, what: int, first_s: float, last_s: float) -> Peak:
    """The greatest magnitude of `what` (VALUE, SLOPE, ACCELERATION) between two seconds of a segment; exact."""
    looked_at = (first_s, *segment.turns(what, first_s, last_s), last_s)
    peaks = [Peak(abs(segment.at(time_s)[what]), time_s) for time_s in looked_at]
    return max(peaks, key=lambda peak: (peak.amount, -peak.at_s))
