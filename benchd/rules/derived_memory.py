"""Derived channels that remember: thermal image, overload, energy, run time. Pure.

What an input leaves untold for longer than its age limit is judged to the safe side: the greater of both ends is taken
to have lasted for as long as a value may be old, and what nobody saw beyond that neither heats nor cools.
"""

import math
from collections.abc import Mapping

from benchd.rules.channels import Quality
from benchd.rules.derivations import Energy, I2t, Overload, RunTime
from benchd.rules.derived import BELIEVED, Input
from benchd.rules.frames import NOTHING_YET, Sample


class _Remembering:
    """One input and a memory that is carried from each of its samples to the next."""

    def __init__(self, input_: Input) -> None:
        self._input = input_
        self._level = 0.0  # what acts on the memory, at the last sample
        self._taken_s = -math.inf

    def begin(self, time_mono_s: float, /) -> None:
        """What it remembers belongs to the thing, not to the run."""

    def leap(self, seconds: float, /) -> None:
        """The last level acted on for so long."""
        if math.isfinite(self._taken_s):
            self._pass(self._level, self._level, seconds)
            self._taken_s += seconds

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        sample = samples[self._input.name]
        quality = self._input.quality(sample, now_mono_s)
        taken_s = sample.taken_mono_s
        level = self._acts(sample.value) if quality in BELIEVED else math.nan
        if taken_s > self._taken_s and math.isfinite(level):
            passed_s = taken_s - self._taken_s
            if passed_s <= self._input.age_limit_s:
                self._pass(self._level, level, passed_s)
            elif math.isfinite(passed_s):
                self._bridge(max(self._level, level), self._input.age_limit_s)
            self._level, self._taken_s = level, taken_s
        return Sample(self._memory(), quality, taken_s)

    def _acts(self, value: float) -> float:
        raise NotImplementedError

    def _pass(self, before: float, after: float, seconds: float) -> None:
        raise NotImplementedError

    def _bridge(self, level: float, seconds: float) -> None:
        self._pass(level, level, seconds)

    def _memory(self) -> float:
        raise NotImplementedError


class I2tAtWork(_Remembering):
    """An `I2t`; begins cold."""

    def __init__(self, rule: I2t, inputs: Mapping[str, Input]) -> None:
        super().__init__(inputs[rule.of])
        self._known = rule.rated is not None and rule.time_constant_s is not None
        self._rated = rule.rated or 1.0
        self._tau_s = rule.time_constant_s or 1.0
        self.heat = 0.0

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`; nothing is known until the run says what the rated value is."""
        return super().update(samples, now_mono_s) if self._known else NOTHING_YET

    def _acts(self, value: float) -> float:
        ratio = value / self._rated
        return ratio * ratio

    def _pass(self, before: float, after: float, seconds: float) -> None:
        steps = seconds / self._tau_s
        gone = -math.expm1(-steps)
        lag = 1.0 - gone / steps if steps > 0.0 else 0.0  # of the image behind a straight line from before to after
        self.heat += (before - self.heat) * gone + (after - before) * lag

    def _bridge(self, level: float, seconds: float) -> None:
        if level > self.heat:
            self._pass(level, level, seconds)

    def _memory(self) -> float:
        return self.heat


class OverloadAtWork(_Remembering):
    """An `Overload`; begins empty."""

    def __init__(self, rule: Overload, inputs: Mapping[str, Input]) -> None:
        super().__init__(inputs[rule.of])
        self._nominal = rule.nominal
        self._seconds = 0.0

    def _acts(self, value: float) -> float:
        ratio = value / self._nominal
        return ratio * ratio - 1.0

    def _pass(self, before: float, after: float, seconds: float) -> None:
        self._seconds = max(0.0, self._seconds + 0.5 * (before + after) * seconds)

    def _bridge(self, level: float, seconds: float) -> None:
        if level > 0.0:
            self._pass(level, level, seconds)

    def _memory(self) -> float:
        return self._seconds


class EnergyAtWork(_Remembering):
    """An `Energy`; begins each run at nothing."""

    def __init__(self, rule: Energy, inputs: Mapping[str, Input]) -> None:
        super().__init__(inputs[rule.of])
        self._sign = -1.0 if rule.direction == "returned" else 1.0
        self._energy_ws = 0.0

    def begin(self, time_mono_s: float, /) -> None:
        """Nothing has come back in this run yet."""
        self._energy_ws = 0.0
        if math.isfinite(self._taken_s):
            self._taken_s = max(self._taken_s, time_mono_s)

    def _acts(self, value: float) -> float:
        return self._sign * value

    def _pass(self, before: float, after: float, seconds: float) -> None:
        if before <= 0.0 and after <= 0.0:
            return
        if before >= 0.0 and after >= 0.0:
            self._energy_ws += 0.5 * (before + after) * seconds
            return
        most = max(before, after)  # the straight line is on this side for a part of the time only
        self._energy_ws += 0.5 * most * seconds * (most / abs(after - before))

    def _memory(self) -> float:
        return self._energy_ws


class RunTimeAtWork:
    """A `RunTime`; the tick tells it the time."""

    def __init__(self, _rule: RunTime, _inputs: Mapping[str, Input]) -> None:
        self._began_s = math.nan

    def begin(self, time_mono_s: float, /) -> None:
        """The run begins now."""
        self._began_s = time_mono_s

    def leap(self, _seconds: float, /) -> None:
        """It counts by the clock, which has moved."""

    def update(self, _samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        if math.isnan(self._began_s):
            return NOTHING_YET
        return Sample(now_mono_s - self._began_s, Quality.GOOD, now_mono_s)
