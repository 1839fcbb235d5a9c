"""Frames: all channels at one instant, each with its age and quality. Pure; nothing here knows where they come from."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.rules.channels import Quality


@dataclass(frozen=True, slots=True)
class Sample:
    """One channel's latest value: calibrated, in the channel's unit, with the time at which it was taken."""

    value: float
    quality: Quality
    taken_mono_s: float


NOTHING_YET = Sample(math.nan, Quality.MISSING, -math.inf)


@dataclass(frozen=True, slots=True)
class Frame:
    """All channels at one tick. `time_mono_s` is the event loop's clock; samples are held, so ages differ."""

    time_mono_s: float
    samples: Mapping[str, Sample]
    answer: str = ""  # to what the test has just asked the operator
    resumed: bool = False  # the first one after the test was held or had asked; the time before it is not the test's
    leapt_s: float = 0.0  # of the time since the frame before: what a rehearsal leapt over, as the test said it may

    def value(self, channel: str) -> float:
        """The channel's latest value in its unit; NaN when it is not good."""
        sample = self.samples.get(channel, NOTHING_YET)
        return sample.value if sample.quality is Quality.GOOD else math.nan

    def age_s(self, channel: str) -> float:
        """How long ago the channel's value was taken; infinite when nothing arrived yet."""
        return self.time_mono_s - self.samples.get(channel, NOTHING_YET).taken_mono_s
