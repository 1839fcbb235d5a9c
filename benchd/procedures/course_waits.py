"""Looks at a channel while a course waits for it, frame by frame. It decides by `rules/course_conditions` alone."""

import math

from benchd.rules.course_conditions import Settled, Standing, Temperature, standing
from benchd.rules.frames import NOTHING_YET, Frame

BINS_A_WINDOW = 64  # that a condition's samples are averaged in: its window may be long, and a frame has no time


class Seen:
    """What was seen of a condition's channel since it opened, which is with the first frame."""

    def __init__(self, condition: Settled | Temperature) -> None:
        self._condition = condition
        self._opened_s: float | None = None
        self._taken_s = -math.inf
        self._bins: list[tuple[float, float, int]] = []  # sum of seconds, sum of values, how many

    @property
    def begun(self) -> bool:
        """Whether a frame has been looked at."""
        return self._opened_s is not None

    def look(self, frame: Frame) -> Standing:
        """How the condition stands at this frame. A value that is not good meets nothing."""
        if self._opened_s is None:
            self._opened_s = frame.time_mono_s
        now_s = frame.time_mono_s - self._opened_s
        channel = self._condition.channel
        value = frame.value(channel)
        taken_s = frame.samples.get(channel, NOTHING_YET).taken_mono_s
        if not math.isfinite(value):
            self._add(now_s, value, now_s)
        elif taken_s > self._taken_s:
            self._taken_s = taken_s
            self._add(max(0.0, taken_s - self._opened_s), value, now_s)
        samples = [(seconds / count, values / count) for seconds, values, count in self._bins]
        return standing(self._condition, samples, now_s=now_s)

    def _add(self, time_s: float, value: float, now_s: float) -> None:
        """One more sample; what has left the window goes."""
        if isinstance(self._condition, Temperature):
            self._bins = [(time_s, value, 1)]
            return
        window_s = self._condition.window_s
        width_s = window_s / BINS_A_WINDOW
        if self._bins and time_s - self._bins[-1][0] / self._bins[-1][2] < width_s / 2.0:
            seconds, values, count = self._bins[-1]
            self._bins[-1] = (seconds + time_s, values + value, count + 1)
        else:
            self._bins.append((time_s, value, 1))
        while self._bins[0][0] / self._bins[0][2] < now_s - 1.5 * window_s:
            self._bins.pop(0)


def lateness(condition: Settled | Temperature) -> str:
    """That the condition was not met in time, as the beginning of a sentence."""
    within = f"within {condition.within_s:g} s"
    if isinstance(condition, Settled):
        return (
            f"{condition.channel} did not settle at {condition.around:g} ± {condition.mean_band:g} for "
            f"{condition.window_s:g} s {within}"
        )
    if condition.below_degc is not None:
        return f"{condition.channel} did not fall below {condition.below_degc:g} °C {within}"
    return f"{condition.channel} did not rise above {condition.above_degc:g} °C {within}"
