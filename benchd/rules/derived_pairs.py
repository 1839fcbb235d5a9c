"""Derived channels of several inputs at one instant: difference and product. Pure."""

import math
from collections.abc import Mapping

from benchd.rules.channels import Quality
from benchd.rules.derivations import Difference, Product
from benchd.rules.derived import BELIEVED, Aligned, Input, sample_of
from benchd.rules.frames import NOTHING_YET, Sample

_RAD_S_PER_RPM = math.pi / 30.0


class DifferenceAtWork:
    """A `Difference`, told anew only when the instant that all inputs know moves on."""

    def __init__(self, rule: Difference, inputs: Mapping[str, Input]) -> None:
        self._rule = rule
        self._half_s = 0.5 * rule.window_s if rule.speed is not None else 0.0
        leads_s = (0.0, 0.0) if rule.speed is None else (0.0, 0.0, self._half_s)
        self._aligned = Aligned([inputs[name] for name in rule.inputs], leads_s=leads_s)
        self._last = NOTHING_YET

    def begin(self, time_mono_s: float, /) -> None:
        """It has no memory of runs."""

    def leap(self, seconds: float, /) -> None:
        """See `benchd.rules.derived.Derived`."""
        self._aligned.leap(seconds)

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        quality, instant_s = self._aligned.look(samples, now_mono_s)
        last = self._last
        if last.taken_mono_s == instant_s and last.quality is quality:
            return last
        if quality is Quality.OVER_RANGE and not self._finite(samples):
            rule = self._rule  # an overloaded input differs from everything, wherever it stands in time
            value = samples[rule.of].value - rule.ratio * samples[rule.against].value
        elif quality in BELIEVED:
            value = self._at(instant_s)
            if value != value:  # noqa: PLR0124 - the tracks do not reach so far back yet
                quality = Quality.STALE
        else:
            value = math.nan
        self._last = sample_of(value, quality, instant_s)
        return self._last

    def _finite(self, samples: Mapping[str, Sample]) -> bool:
        return all(math.isfinite(samples[name].value) for name in self._rule.inputs)

    def _at(self, instant_s: float) -> float:
        aligned, rule = self._aligned, self._rule
        value = aligned.track(0).at(instant_s) - rule.ratio * aligned.track(1).at(instant_s)
        if rule.speed is None:
            return value
        speed = aligned.track(2)
        change_rpm = speed.at(instant_s + self._half_s) - speed.at(instant_s - self._half_s)
        return value - rule.inertia_kgm2 * change_rpm * _RAD_S_PER_RPM / rule.window_s


class ProductAtWork:
    """A `Product`, told anew only when the instant that both inputs know moves on."""

    def __init__(self, rule: Product, inputs: Mapping[str, Input]) -> None:
        self._rule = rule
        self._aligned = Aligned([inputs[name] for name in rule.inputs], leads_s=(0.0, 0.0))
        self._last = NOTHING_YET

    def begin(self, time_mono_s: float, /) -> None:
        """It has no memory of runs."""

    def leap(self, seconds: float, /) -> None:
        """See `benchd.rules.derived.Derived`."""
        self._aligned.leap(seconds)

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        quality, instant_s = self._aligned.look(samples, now_mono_s)
        last = self._last
        if last.taken_mono_s == instant_s and last.quality is quality:
            return last
        value, rule = math.nan, self._rule
        if quality in BELIEVED:
            of, by = samples[rule.of].value, samples[rule.by].value
            if math.isfinite(of) and math.isfinite(by):
                of, by = self._aligned.track(0).at(instant_s), self._aligned.track(1).at(instant_s)
                if of != of or by != by:  # noqa: PLR0124 - the tracks do not reach so far back yet
                    quality = Quality.STALE
            value = rule.factor * of * by
        self._last = sample_of(value, quality, instant_s)
        return self._last
