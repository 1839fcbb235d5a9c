"""Derived channels at work: each is told of its inputs' samples and gives one of its own, at once and always.

Pure and cheap: it runs on the arrival of every reading, before the limit monitor. It must never wait, raise or invent a
number: what an input lacks, the derived channel lacks.
"""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Protocol

from benchd.rules.channels import Quality
from benchd.rules.frames import Sample

BELIEVED = frozenset({Quality.GOOD, Quality.OVER_RANGE})
_DOUBT: Mapping[Quality, int] = {
    Quality.GOOD: 0,
    Quality.OVER_RANGE: 1,  # beyond, not unknown
    Quality.STALE: 2,
    Quality.NOT_A_NUMBER: 3,
    Quality.MISSING: 4,
}
_KEPT = 160  # samples of one input: more than a second of the fastest poll


class Derived(Protocol):
    """One derived channel at work. Not thread-safe; its memory is its own."""

    def begin(self, time_mono_s: float, /) -> None:
        """A run begins now."""

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """The sample that follows from these at this time; told the same twice, it says the same. Never raises."""

    def leap(self, seconds: float, /) -> None:
        """So much time passed at once, a rehearsal's, in which every input was read on and on and stayed the same."""


class Input:
    """One input: how far it may be believed at an instant."""

    __slots__ = ("age_limit_s", "name")

    def __init__(self, name: str, age_limit_s: float) -> None:
        self.name = name
        self.age_limit_s = age_limit_s

    def quality(self, sample: Sample, now_mono_s: float) -> Quality:
        """The sample's own quality, stale where it is older than the input may be."""
        quality = sample.quality
        if quality is Quality.MISSING or quality is Quality.NOT_A_NUMBER:
            return quality
        return Quality.STALE if now_mono_s - sample.taken_mono_s > self.age_limit_s else quality


def worst(one: Quality, other: Quality) -> Quality:
    """The one of the two that may be believed less: an over-range value is beyond, an old one is unknown."""
    return one if _DOUBT[one] >= _DOUBT[other] else other


class Track:
    """One input's latest believable samples, so that its value between any two of them can be told.

    A sample that is no number and a gap longer than the input's age limit begin a new track: nothing is interpolated
    across them.
    """

    __slots__ = ("_times_s", "_values", "input")

    def __init__(self, input_: Input) -> None:
        self.input = input_
        self._times_s: deque[float] = deque(maxlen=_KEPT)
        self._values: deque[float] = deque(maxlen=_KEPT)

    def take(self, sample: Sample) -> None:
        """Learn of a sample; an old acquaintance changes nothing."""
        times = self._times_s
        if sample.quality not in BELIEVED or math.isinf(sample.value):
            times.clear()
            self._values.clear()
            return
        taken_s = sample.taken_mono_s
        if times:
            if taken_s <= times[-1]:
                return
            if taken_s - times[-1] > self.input.age_limit_s:
                times.clear()
                self._values.clear()
        times.append(taken_s)
        self._values.append(sample.value)

    def leap(self, seconds: float) -> None:
        """What is known moves along with the time."""
        self._times_s = deque((time_s + seconds for time_s in self._times_s), maxlen=_KEPT)

    def at(self, time_mono_s: float) -> float:
        """The value at that time on the straight line between its neighbours; NaN outside what is known."""
        times = self._times_s
        place = len(times) - 1
        if place < 0 or time_mono_s > times[place]:
            return math.nan
        while times[place] > time_mono_s:
            place -= 1
            if place < 0:
                return math.nan
        before_s, before = times[place], self._values[place]
        if before_s == time_mono_s:
            return before
        share = (time_mono_s - before_s) / (times[place + 1] - before_s)
        return before + share * (self._values[place + 1] - before)


class Aligned:
    """Several inputs brought to one instant: the latest that all of them know.

    `lead_s` of an input is how much later than that instant it must be known.
    """

    __slots__ = ("_leads_s", "_tracks")

    def __init__(self, inputs: Sequence[Input], *, leads_s: Sequence[float]) -> None:
        self._tracks = tuple(Track(one) for one in inputs)
        self._leads_s = tuple(leads_s)

    def look(self, samples: Mapping[str, Sample], now_mono_s: float) -> tuple[Quality, float]:
        """The worst quality among the inputs and the instant, -inf where an input never arrived."""
        quality, instant_s = Quality.GOOD, math.inf
        for track, lead_s in zip(self._tracks, self._leads_s, strict=True):
            sample = samples[track.input.name]
            track.take(sample)
            own = track.input.quality(sample, now_mono_s)
            if own is not Quality.GOOD:
                quality = worst(quality, own)
            instant_s = min(instant_s, sample.taken_mono_s - lead_s)
        return quality, instant_s

    def leap(self, seconds: float) -> None:
        """See `Derived`."""
        for track in self._tracks:
            track.leap(seconds)

    def track(self, place: int) -> Track:
        """The input's track."""
        return self._tracks[place]


def sample_of(value: float, quality: Quality, taken_mono_s: float) -> Sample:
    """A sample, not a number where the value is none whatever the inputs' quality promised."""
    if quality in BELIEVED:
        if value != value:  # noqa: PLR0124 - the cheapest test for not-a-number on the way of every reading
            return Sample(value, Quality.NOT_A_NUMBER, taken_mono_s)
        if math.isinf(value):
            return Sample(value, Quality.OVER_RANGE, taken_mono_s)
    return Sample(value, quality, taken_mono_s)
