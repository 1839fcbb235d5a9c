"""From rows to operating points: every channel's settled mean at every point. It must never judge the motor."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.averages import Mean, carried, first_rows, settled_mean
from benchd.analysis.record import Record, RecordedPoint

LEAST_SAMPLES = 5
LEAST_SAMPLES_OF_TEMPERATURE = 1  # a winding's temperature moves slower than a thermometer is polled
DRIFT_WORTH_TELLING = 1e-3  # of the reading; a smaller trend counts in the uncertainty without a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTable:
    """n operating points of one or more tests; means in each channel's unit, NaN where a mean must not be used."""

    tests: tuple[int, ...]  # index of the test a point belongs to
    kinds: tuple[str, ...]
    asked: tuple[RecordedPoint, ...]
    mean: Mapping[str, NDArray[np.float64]]
    scatter: Mapping[str, NDArray[np.float64]]
    degrees_of_freedom: Mapping[str, NDArray[np.float64]]
    drift: Mapping[str, NDArray[np.float64]]
    slope: Mapping[str, NDArray[np.float64]]  # the channel's unit per second
    slope_uncertainty: Mapping[str, NDArray[np.float64]]
    complaints: tuple[Mapping[str, str], ...]  # by point: channel to reason
    changes: tuple[Mapping[str, float], ...]  # by point: channel to change over the window, where it is worth a word

    @property
    def size(self) -> int:
        """How many points."""
        return len(self.kinds)

    def has(self, channel: str) -> bool:
        """Whether any point has a usable mean of this channel."""
        return channel in self.mean and bool(np.isfinite(self.mean[channel]).any())

    def complete(self, channels: Sequence[str]) -> NDArray[np.bool_]:
        """Which points (n,) have usable means of all these channels."""
        whole = np.ones(self.size, dtype=np.bool_)
        for channel in channels:
            whole &= np.isfinite(self.mean[channel]) if channel in self.mean else np.zeros(self.size, np.bool_)
        return whole

    def of_kind(self, kind: str) -> NDArray[np.bool_]:
        """Which points (n,) belong to a test of this kind."""
        return np.array([k == kind for k in self.kinds], dtype=np.bool_)

    def of_test(self, index: int) -> NDArray[np.bool_]:
        """Which points (n,) belong to this test."""
        return np.array([t == index for t in self.tests], dtype=np.bool_)

    def going(self, direction: str) -> NDArray[np.bool_]:
        """Which points (n,) were approached in this direction."""
        return np.array([p.direction == direction for p in self.asked], dtype=np.bool_)

    def take(self, which: NDArray[np.bool_]) -> "PointTable":
        """The points where `which` (n,) is true."""
        index = np.flatnonzero(which)
        return PointTable(
            tests=tuple(self.tests[i] for i in index),
            kinds=tuple(self.kinds[i] for i in index),
            asked=tuple(self.asked[i] for i in index),
            mean={c: v[index] for c, v in self.mean.items()},
            scatter={c: v[index] for c, v in self.scatter.items()},
            degrees_of_freedom={c: v[index] for c, v in self.degrees_of_freedom.items()},
            drift={c: v[index] for c, v in self.drift.items()},
            slope={c: v[index] for c, v in self.slope.items()},
            slope_uncertainty={c: v[index] for c, v in self.slope_uncertainty.items()},
            complaints=tuple(self.complaints[i] for i in index),
            changes=tuple(self.changes[i] for i in index),
        )


def point_table(record: Record, tests: Sequence[int], channels: Sequence[str]) -> PointTable:
    """The settled means of `channels` at all points of the tests with these indices, in the order they were run.

    The means of a point belong to the middle of its window (`carried`). A channel that the record does not hold is left
    out; a point without rows keeps a complaint.
    """
    held = [c for c in channels if c in record.values]
    wanted = [(t, p) for t in record.tests if t.index in set(tests) for p in t.points]
    means: dict[str, list[Mean]] = {c: [] for c in held}
    for test, asked in wanted:
        lacking = [c for c in held if (test.index, asked.point, c) not in record.kept]
        if lacking:
            rows = np.flatnonzero((record.test == test.index) & (record.point == asked.point))
            middle_s = 0.5 * float(record.time_mono_s[rows[0]] + record.time_mono_s[rows[-1]]) if rows.size else 0.0
            for channel in lacking:
                mean = carried(_mean_of(record, channel, rows, _fresh(record, channel)), to_s=middle_s)
                record.kept[test.index, asked.point, channel] = mean
        for channel in held:
            means[channel].append(cast(Mean, record.kept[test.index, asked.point, channel]))
    count = len(wanted)

    def column(of: Callable[[Mean], float]) -> dict[str, NDArray[np.float64]]:
        return {c: np.array([of(m) for m in means[c]], dtype=np.float64) for c in held}

    return PointTable(
        tests=tuple(t.index for t, _ in wanted),
        kinds=tuple(t.kind for t, _ in wanted),
        asked=tuple(p for _, p in wanted),
        mean=column(lambda m: m.value),
        scatter=column(lambda m: m.scatter),
        degrees_of_freedom=column(lambda m: m.degrees_of_freedom),
        drift=column(lambda m: m.drift),
        slope=column(lambda m: m.slope),
        slope_uncertainty=column(lambda m: m.slope_uncertainty),
        complaints=tuple({c: means[c][i].complaint for c in held if means[c][i].complaint} for i in range(count)),
        changes=tuple(
            {c: means[c][i].change for c in held if _worth_telling(record, c, means[c][i])} for i in range(count)
        ),
    )


def _fresh(record: Record, channel: str) -> NDArray[np.bool_]:
    """Which rows of the whole record show a sample of this channel for the first time."""
    if channel not in record.kept:
        record.kept[channel] = first_rows(record.time_mono_s, record.ages_s[channel])
    return cast(NDArray[np.bool_], record.kept[channel])


def _is_temperature(record: Record, channel: str) -> bool:
    return record.units.get(channel) == "°C"


def _worth_telling(record: Record, channel: str, mean: Mean) -> bool:
    if _is_temperature(record, channel) or not mean.drift > 0.0:
        return False
    return math.isfinite(mean.value) and abs(mean.change) > DRIFT_WORTH_TELLING * abs(mean.value)


def _mean_of(record: Record, channel: str, rows: NDArray[np.intp], fresh: NDArray[np.bool_]) -> Mean:
    if rows.size == 0:
        empty = np.zeros(0)
        return settled_mean(empty, empty, np.zeros(0, np.uint8), least_samples=LEAST_SAMPLES)
    own = rows[fresh[rows]]
    if own.size == 0:  # a slow channel: the sample that stood over the whole window
        own = rows[:1]
    least = LEAST_SAMPLES_OF_TEMPERATURE if _is_temperature(record, channel) else LEAST_SAMPLES
    taken_s = record.time_mono_s[own] - record.ages_s[channel][own]
    return settled_mean(record.values[channel][own], taken_s, record.quality[channel][own], least_samples=least)
