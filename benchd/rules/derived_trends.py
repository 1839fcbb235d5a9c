"""Derived channels that look at how one input moves: its rate, and whether it is stuck. Pure."""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import replace

from benchd.rules.channels import Quality
from benchd.rules.derivations import Rate, Stuck
from benchd.rules.derived import BELIEVED, Input, sample_of, worst
from benchd.rules.frames import NOTHING_YET, Sample

_LEAST_POINTS = 3


class RateAtWork:
    """A `Rate`: sums over the window, kept up to date and made anew once a window so that no rounding adds up."""

    def __init__(self, rule: Rate, inputs: Mapping[str, Input]) -> None:
        self._input = inputs[rule.of]
        self._window_s = rule.window_s
        self._points: deque[tuple[float, float]] = deque()
        self._origin_s = self._level = 0.0
        self._t = self._tt = self._v = self._tv = 0.0
        self._last = NOTHING_YET

    def begin(self, time_mono_s: float, /) -> None:
        """It has no memory of runs."""

    def leap(self, seconds: float, /) -> None:
        """What the window holds moves along with the time."""
        self._points = deque((time_s + seconds, value) for time_s, value in self._points)
        self._origin_s += seconds
        self._last = replace(self._last, taken_mono_s=self._last.taken_mono_s + seconds)

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        sample = samples[self._input.name]
        quality = self._input.quality(sample, now_mono_s)
        last, taken_s = self._last, sample.taken_mono_s
        if quality not in BELIEVED or math.isinf(sample.value):
            self._points.clear()
            self._last = sample_of(math.nan, quality, taken_s)  # an overloaded input has no slope either
            return self._last
        points = self._points
        if points and taken_s <= points[-1][0]:
            return last
        if points and taken_s - points[-1][0] > self._input.age_limit_s:
            points.clear()
        self._add(taken_s, sample.value)
        slope = self._slope()
        self._last = sample_of(slope, Quality.MISSING if math.isnan(slope) else quality, taken_s)
        return self._last

    def _add(self, time_s: float, value: float) -> None:
        points, first_s = self._points, time_s - self._window_s
        points.append((time_s, value))
        if len(points) == 1 or time_s - self._origin_s > 2.0 * self._window_s:
            while points[0][0] < first_s:
                points.popleft()
            self._origin_s, self._level = points[0]
            self._t = self._tt = self._v = self._tv = 0.0
            for at_s, each in points:
                self._sum(at_s, each, 1.0)
            return
        self._sum(time_s, value, 1.0)
        while points[0][0] < first_s:
            self._sum(*points.popleft(), -1.0)

    def _sum(self, time_s: float, value: float, sign: float) -> None:
        t, v = time_s - self._origin_s, value - self._level
        self._t += sign * t
        self._tt += sign * t * t
        self._v += sign * v
        self._tv += sign * t * v

    def _slope(self) -> float:
        points = self._points
        count = len(points)
        if count < _LEAST_POINTS or points[-1][0] - points[0][0] < 0.5 * self._window_s:
            return math.nan
        return (count * self._tv - self._t * self._v) / (count * self._tt - self._t * self._t)


class StuckAtWork:
    """A `Stuck`: remembers where the value was when it changed last, and how far the other has moved since."""

    def __init__(self, rule: Stuck, inputs: Mapping[str, Input]) -> None:
        self._rule = rule
        self._of, self._moving = inputs[rule.of], inputs[rule.moving]
        self._kept = math.nan
        self._low = self._high = math.nan
        self._since_s = math.nan  # when the other had moved far enough; NaN while it has not

    def begin(self, _time_mono_s: float, /) -> None:
        """A new run begins with a fresh look: what moved before says nothing."""
        self._kept = math.nan

    def leap(self, seconds: float, /) -> None:
        """Nothing moved meanwhile, so nothing was stuck either."""
        self._since_s += seconds

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        of, moving = samples[self._rule.of], samples[self._rule.moving]
        quality = worst(self._of.quality(of, now_mono_s), self._moving.quality(moving, now_mono_s))
        if quality not in BELIEVED:
            self._kept = math.nan
            return Sample(math.nan, quality, min(of.taken_mono_s, moving.taken_mono_s))
        value, other = of.value, moving.value
        if not abs(value - self._kept) <= self._rule.resolution:  # also where nothing was kept; inf − inf is frozen
            frozen = math.isinf(value) and value == self._kept
            if not frozen:
                self._kept, self._low, self._high, self._since_s = value, other, other, math.nan
        self._low, self._high = min(self._low, other), max(self._high, other)
        if math.isnan(self._since_s) and self._high - self._low > self._rule.moving_by:
            self._since_s = now_mono_s
        stuck_s = 0.0 if math.isnan(self._since_s) else max(0.0, now_mono_s - self._since_s)
        return Sample(stuck_s, quality, max(of.taken_mono_s, moving.taken_mono_s))
