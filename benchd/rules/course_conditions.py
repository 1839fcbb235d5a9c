"""What a course may wait for between its pieces. Pure: samples in, a word out; it never looks at a clock itself.

The third kind of condition is a question to the operator: `benchd.rules.moves.Ask` as it is.
"""

import enum
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.rules.moves import Ask

LEAST_SAMPLES = 5  # a window with fewer has neither a mean nor a trend worth the name
MOST_GAP_RATIO = 0.25  # of the window, without a sample


class Standing(enum.Enum):
    """How a condition stands."""

    OPEN = "open"
    MET = "met"
    TOO_LATE = "too_late"  # its time limit ran out first


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A channel's mean lies within `mean_band` about `around`, and its trend within ± `trend_band_per_s`.

    Both over the last `window_s`; bands are half widths in the channel's unit. Raises `ValueError` for a window, band
    or time limit that is not positive, and for a time limit shorter than the window.
    """

    channel: str
    around: float
    mean_band: float
    trend_band_per_s: float
    window_s: float
    within_s: float

    def __post_init__(self) -> None:
        positive = (self.mean_band, self.trend_band_per_s, self.window_s, self.within_s)
        if not (all(0.0 < number < math.inf for number in positive) and math.isfinite(self.around)):
            raise ValueError(f"What {self.channel} shall settle at needs positive bands, window and time limit.")
        if self.within_s < self.window_s:
            raise ValueError(f"{self.channel} cannot settle over {self.window_s:g} s within {self.within_s:g} s.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """A channel in °C is below (or above) a value. Raises `ValueError` unless exactly one of both is given."""

    channel: str
    below_degc: float | None = None
    above_degc: float | None = None
    within_s: float

    def __post_init__(self) -> None:
        stated = [each for each in (self.below_degc, self.above_degc) if each is not None]
        if len(stated) != 1 or not math.isfinite(stated[0]):
            raise ValueError(f"Waiting for {self.channel} needs either below_degc or above_degc, and a finite one.")
        if not 0.0 < self.within_s < math.inf:
            raise ValueError(f"Waiting for {self.channel} needs a positive time limit, not {self.within_s!r} s.")


Condition = Settled | Temperature | Ask
Sampled = Sequence[tuple[float, float]]  # (second, value), rising; the seconds count from when the condition opened


def mean_and_trend(samples: Sampled, *, window_s: float, now_s: float) -> tuple[float, float] | None:
    """Mean, and slope of the least-squares line per second, of the samples within the last `window_s` up to `now_s`.

    None where they do not carry it: the window not covered, too few, a hole longer than a quarter of it, or a value
    that is not finite.
    """
    first_s = now_s - window_s
    inside = [(time_s, value) for time_s, value in samples if first_s <= time_s <= now_s]
    if len(inside) < LEAST_SAMPLES or not all(math.isfinite(value) for _, value in inside):
        return None
    edges = (first_s, *(time_s for time_s, _ in inside), now_s)
    if first_s < 0.0 or any(after - before > MOST_GAP_RATIO * window_s for before, after in itertools.pairwise(edges)):
        return None
    middle_s = math.fsum(time_s for time_s, _ in inside) / len(inside)
    mean = math.fsum(value for _, value in inside) / len(inside)
    spread = math.fsum((time_s - middle_s) ** 2 for time_s, _ in inside)
    trend = math.fsum((time_s - middle_s) * (value - mean) for time_s, value in inside) / spread
    return mean, trend


def standing(condition: Settled | Temperature, samples: Sampled, *, now_s: float) -> Standing:
    """How the condition stands `now_s` after it opened, by the samples of its channel since then.

    A condition that is met at the very end of its time is met. A temperature is judged by the last sample alone, and
    NaN meets nothing; whether a sample is too old to be believed is the caller's to say.
    """
    late = now_s > condition.within_s
    if not late and _met(condition, samples, now_s):
        return Standing.MET
    return Standing.TOO_LATE if now_s >= condition.within_s else Standing.OPEN


def _met(condition: Settled | Temperature, samples: Sampled, now_s: float) -> bool:
    if isinstance(condition, Settled):
        found = mean_and_trend(samples, window_s=condition.window_s, now_s=now_s)
        if found is None:
            return False
        mean, trend = found
        return abs(mean - condition.around) <= condition.mean_band and abs(trend) <= condition.trend_band_per_s
    last = samples[-1][1] if samples else math.nan
    if condition.below_degc is not None:
        return last < condition.below_degc
    return condition.above_degc is not None and last > condition.above_degc
