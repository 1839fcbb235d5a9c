"""The pieces that a course is made of, each as the segments that it amounts to. Pure; it never knows what comes before.

S-shaped and cubic follow published relations (from memory): the seven phases of bounded jerk from rest to rest, and the
monotone cubic of Fritsch and Butland (1984), whose slope is nought wherever the values turn.
"""

import enum
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.rules.course_segments import Cubic, Segment, Wave

MOST_LEVELS = 10_000
MOST_CYCLES = 100_000.0


def _line(start: float, end: float, lasts_s: float) -> Cubic:
    return Cubic(lasts_s=lasts_s, start=start, end=end, slope_per_s=(end - start) / lasts_s)


def _finite(what: str, *numbers: float) -> None:
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError(f"{what} needs finite numbers, not {', '.join(f'{number!r}' for number in numbers)}.")


def _positive(what: str, **numbers: float) -> None:
    for name, number in numbers.items():
        if not (math.isfinite(number) and number > 0.0):
            raise ValueError(f"{what} needs a positive {name}, not {number!r}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Linear:
    """Straight from `start` to `end` in `time_s`; with both the same it holds. Raises `ValueError` for no time."""

    start: float
    end: float
    time_s: float

    def __post_init__(self) -> None:
        _finite("A linear piece", self.start, self.end)
        _positive("A linear piece", time_s=self.time_s)

    def segments(self) -> Sequence[Segment]:
        """The one line."""
        return (_line(self.start, self.end, self.time_s),)


@dataclass(frozen=True, slots=True, kw_only=True)
class SShaped:
    """From rest at `start` to rest at exactly `end` as quickly as rate, acceleration and jerk allow.

    Raises `ValueError` for limits that are not positive and finite, and where it has no way to go.
    """

    start: float
    end: float
    rate_per_s: float
    acceleration_per_s2: float
    jerk_per_s3: float

    def __post_init__(self) -> None:
        _finite("An s-shaped piece", self.start, self.end)
        limits = {
            "rate_per_s": self.rate_per_s,
            "acceleration_per_s2": self.acceleration_per_s2,
            "jerk_per_s3": self.jerk_per_s3,
        }
        _positive("An s-shaped piece", **limits)
        if self.start == self.end:
            raise ValueError(f"An s-shaped piece must lead somewhere, not from {self.start:g} to the same.")

    def segments(self) -> Sequence[Segment]:
        """Up to seven phases: jerk, steady acceleration, jerk back, cruise, and the same mirrored."""
        way, most, jerk = abs(self.end - self.start), self.acceleration_per_s2, self.jerk_per_s3
        rise_s = most / jerk
        if way >= 2.0 * most * rise_s * rise_s:  # long enough to reach the full acceleration
            reached = 0.5 * most * (math.sqrt(rise_s * rise_s + 4.0 * way / most) - rise_s)
        else:
            reached = math.cbrt(0.25 * way * way * jerk)
        peak = min(self.rate_per_s, reached)
        if peak >= most * rise_s:
            jerking_s, steady_s = rise_s, peak / most - rise_s
        else:
            jerking_s, steady_s = math.sqrt(peak / jerk), 0.0
        cruising_s = max(0.0, way / peak - 2.0 * jerking_s - steady_s) if peak < reached else 0.0
        phases = ((jerking_s, jerk), (steady_s, 0.0), (jerking_s, -jerk), (cruising_s, 0.0))
        mirrored = ((jerking_s, -jerk), (steady_s, 0.0), (jerking_s, jerk))
        return self._phases(phases, mirrored)

    def _phases(self, going: Sequence[tuple[float, float]], coming: Sequence[tuple[float, float]]) -> Sequence[Segment]:
        side = math.copysign(1.0, self.end - self.start)
        made: list[Segment] = []
        value, slope, bend = self.start, 0.0, 0.0
        lasting = [(lasts_s, side * jerk) for lasts_s, jerk in (*going, *coming) if lasts_s > 0.0]
        for place, (lasts_s, jerk) in enumerate(lasting):
            after = value + lasts_s * (slope + lasts_s * (bend / 2.0 + lasts_s * jerk / 6.0))
            if place == len(lasting) - 1:
                after = self.end
            made.append(
                Cubic(
                    lasts_s=lasts_s,
                    start=value,
                    end=after,
                    slope_per_s=slope,
                    acceleration_per_s2=bend,
                    jerk_per_s3=jerk,
                )
            )
            value, slope, bend = after, slope + lasts_s * (bend + lasts_s * jerk / 2.0), bend + lasts_s * jerk
        return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Staircase:
    """`levels` evenly spaced from `start` to `end`, each held; from one to the next a ramp, or a jump with `ramp_s` 0.

    Raises `ValueError` for fewer than two levels, more than `MOST_LEVELS`, or a hold that takes no time.
    """

    start: float
    end: float
    levels: int
    hold_s: float
    ramp_s: float = 0.0

    def __post_init__(self) -> None:
        _finite("A staircase", self.start, self.end)
        _positive("A staircase", hold_s=self.hold_s)
        if not 2 <= self.levels <= MOST_LEVELS:
            raise ValueError(f"A staircase has 2 to {MOST_LEVELS} levels, not {self.levels!r}.")
        if not 0.0 <= self.ramp_s < math.inf:
            raise ValueError(f"A staircase's ramp_s must not be negative, not {self.ramp_s!r}.")

    def segments(self) -> Sequence[Segment]:
        """Hold, ramp, hold and so on; the last level is exactly `end`."""
        last = self.levels - 1
        heights = [self.start + (self.end - self.start) * place / last for place in range(last)] + [self.end]
        made: list[Segment] = [_line(heights[0], heights[0], self.hold_s)]
        for below, above in itertools.pairwise(heights):
            if self.ramp_s > 0.0:
                made.append(_line(below, above, self.ramp_s))
            made.append(_line(above, above, self.hold_s))
        return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Sine:
    """`offset` + `amplitude` · sin(2π t / `period_s`) for so many cycles; `ValueError` for none."""

    offset: float
    amplitude: float
    period_s: float
    cycles: float = 1.0

    def __post_init__(self) -> None:
        _finite("A sine", self.offset, self.amplitude)
        _positive("A sine", period_s=self.period_s, cycles=self.cycles)
        _positive("A sine", duration=self.period_s * self.cycles)
        if self.cycles > MOST_CYCLES:
            raise ValueError(f"A sine has up to {MOST_CYCLES:g} cycles, not {self.cycles:g}.")

    def segments(self) -> Sequence[Segment]:
        """The one wave."""
        lasts_s = self.period_s * self.cycles
        return (Wave(lasts_s=lasts_s, start=self.offset, amplitude=self.amplitude, period_s=self.period_s),)


class Between(enum.Enum):
    """What a table means between two of its rows."""

    LINEAR = "linear"
    STEPWISE = "stepwise"  # it stays until the next row; the last one takes no time, and is asked for all the same
    CUBIC = "cubic"  # smooth, monotone wherever the values are, and never beyond two neighbouring values


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Values at seconds that begin with 0 and rise. Raises `ValueError` for any other times, or fewer than two rows."""

    times_s: tuple[float, ...]
    values: tuple[float, ...]
    between: Between = Between.LINEAR

    def __post_init__(self) -> None:
        if len(self.times_s) != len(self.values) or len(self.times_s) < 2:
            raise ValueError("A table needs two rows or more, and as many values as times.")
        if not all(math.isfinite(number) for number in (*self.times_s, *self.values)):
            raise ValueError("A table needs finite times and values.")
        rises = all(later > earlier for earlier, later in itertools.pairwise(self.times_s))
        if self.times_s[0] != 0.0 or not rises:
            raise ValueError("A table's times begin with 0 s and rise from row to row.")

    def segments(self) -> Sequence[Segment]:
        """One from each row to the next; stepwise also the last value, which takes no time."""
        rows = list(zip(self.times_s, self.values, strict=True))
        steps = [(left, right, end_s - at_s) for (at_s, left), (end_s, right) in itertools.pairwise(rows)]
        if self.between is Between.LINEAR:
            return [_line(left, right, lasts_s) for left, right, lasts_s in steps]
        if self.between is Between.STEPWISE:
            last = self.values[-1]
            return [
                *(_line(left, left, lasts_s) for left, _, lasts_s in steps),
                Cubic(lasts_s=0.0, start=last, end=last),
            ]
        widths = [lasts_s for _, _, lasts_s in steps]
        rates = [(right - left) / lasts_s for left, right, lasts_s in steps]
        slopes = monotone_slopes(widths, rates)
        return [
            _hermite(step, rate, *ends)
            for step, rate, ends in zip(steps, rates, itertools.pairwise(slopes), strict=True)
        ]


def _hermite(step: tuple[float, float, float], rate: float, first: float, last: float) -> Cubic:
    """The cubic between two values with these slopes at both."""
    left, right, lasts_s = step
    return Cubic(
        lasts_s=lasts_s,
        start=left,
        end=right,
        slope_per_s=first,
        acceleration_per_s2=2.0 * (3.0 * rate - 2.0 * first - last) / lasts_s,
        jerk_per_s3=6.0 * (first + last - 2.0 * rate) / (lasts_s * lasts_s),
    )


def monotone_slopes(widths_s: Sequence[float], rates_per_s: Sequence[float]) -> Sequence[float]:
    """The slope at each row that keeps the cubic monotone: a weighted harmonic mean, nought where the values turn."""
    if len(rates_per_s) == 1:
        return (rates_per_s[0], rates_per_s[0])
    inner = [
        _harmonic(*widths, *rates)
        for widths, rates in zip(itertools.pairwise(widths_s), itertools.pairwise(rates_per_s), strict=True)
    ]
    first = _outer(widths_s[0], widths_s[1], rates_per_s[0], rates_per_s[1])
    last = _outer(widths_s[-1], widths_s[-2], rates_per_s[-1], rates_per_s[-2])
    return (first, *inner, last)


def _harmonic(left_s: float, right_s: float, left: float, right: float) -> float:
    if math.copysign(1.0, left) != math.copysign(1.0, right) or left == 0.0 or right == 0.0:
        return 0.0
    near, far = 2.0 * right_s + left_s, right_s + 2.0 * left_s
    return (near + far) / (near / left + far / right)


def _outer(near_s: float, far_s: float, near: float, far: float) -> float:
    """The slope at an outer row: that of the parabola through three rows, as far as it stays monotone."""
    slope = ((2.0 * near_s + far_s) * near - near_s * far) / (near_s + far_s)
    if slope * near <= 0.0:
        return 0.0
    return 3.0 * near if near * far <= 0.0 and abs(slope) > 3.0 * abs(near) else slope


Piece = Linear | SShaped | Staircase | Sine | Table
