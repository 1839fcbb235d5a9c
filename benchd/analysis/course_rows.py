"""The rows of a duty cycle, by course time: what each channel showed at common instants. It must never judge a motor.

Each reading belongs to the instant at which it was taken; between readings a channel is joined by straight lines. So
channels that are polled at different times are looked at together, as settled means are carried to one instant.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.averages import BAD_SHARE_LIMIT, first_rows
from benchd.analysis.record import Record, RecordedTest
from benchd.rules.channels import Quality
from benchd.rules.course_pairs import InStep
from benchd.rules.course_plain import in_step_of
from benchd.rules.courses import Course

Floats = NDArray[np.float64]

LEAST_ROWS = 3
MISSED_ROWS = 3  # of a stretch, at most, where the repetition still counts as whole
ASKED_EVERY_S = 0.005  # at most: between these instants the course is taken as straight
MOST_ASKED = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One channel's own readings: when each was taken and what it showed, real readings only."""

    taken_s: Floats
    values: Floats
    interval_s: float
    noise: float  # standard deviation of a single reading, from how it departs from its two neighbours

    def at(self, time_s: Floats, *, shift_s: float = 0.0) -> Floats:
        """What it showed at these instants (n,), had its clock been out by `shift_s`."""
        return np.asarray(np.interp(time_s + shift_s, self.taken_s, self.values), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseRows:
    """Common instants (n,) of all whole repetitions: clock, second of the round, place of the repetition, weight in s.

    Summing `weight_s` times a quantity is its integral by trapezoids. `repetitions` are the numbers of those that are
    whole, `interrupted` of those that are not, such as one that was held in between.
    """

    time_s: Floats
    second: Floats
    place: NDArray[np.intp]
    weight_s: Floats
    repetitions: Sequence[int]
    interrupted: Sequence[int]
    asked: Mapping[str, Floats] = field(default_factory=dict)  # by "speed_rpm" and "torque_nm"

    @property
    def moving_s(self) -> float:
        """How long all whole repetitions move."""
        return float(self.weight_s.sum())


def course_of(test: RecordedTest) -> InStep | None:
    """What was asked for; None where the run's settings do not say it."""
    parts, repeated = test.settings.get("part"), test.settings.get("repeated", 1)
    if not isinstance(parts, Sequence) or not isinstance(repeated, int):
        return None
    try:
        return in_step_of(parts, repeated=repeated)
    except (ValueError, KeyError, TypeError):
        return None


def course_rows(record: Record, test: RecordedTest, course: InStep) -> CourseRows:
    """The rows that belong to the course, by repetition."""
    round_s = course.speed.round_s
    found: dict[int, list[tuple[Floats, Floats]]] = {}
    missed_s: dict[int, float] = {}
    for point in test.points:
        repetition, began_s = point.asked.get("repetition"), point.asked.get("course_s")
        if repetition is None or began_s is None:
            continue
        number = int(repetition)
        found.setdefault(number, [])
        rows = np.flatnonzero((record.test == test.index) & (record.point == point.point))
        if rows.size < LEAST_ROWS:
            continue
        times = record.time_mono_s[rows]
        tick_s = float(np.median(np.diff(times)))
        times = np.concatenate([[times[0] - tick_s], times])  # the move was made a tick before its first row
        seconds = began_s - (number - 1) * round_s + (times - times[0])
        found[number].append((times, seconds))
        missed_s[number] = missed_s.get(number, 0.0) + MISSED_ROWS * tick_s
    whole: list[int] = []
    interrupted: list[int] = []
    for number, stretches in sorted(found.items()):
        covered_s = sum(float(times[-1] - times[0]) for times, _ in stretches)
        (whole if covered_s >= round_s - missed_s.get(number, 0.0) else interrupted).append(number)
    times_s: list[Floats] = []
    seconds_s: list[Floats] = []
    places: list[NDArray[np.intp]] = []
    weights: list[Floats] = []
    for place, number in enumerate(whole):
        for stretch_s, second in found[number]:
            times_s.append(stretch_s)
            seconds_s.append(np.clip(second, 0.0, round_s))
            places.append(np.full(stretch_s.size, place, dtype=np.intp))
            weights.append(_weights(stretch_s))
    nothing = np.zeros(0)
    second = np.concatenate([nothing, *seconds_s])
    return CourseRows(
        time_s=np.concatenate([nothing, *times_s]),
        second=second,
        place=np.concatenate([np.zeros(0, dtype=np.intp), *places]),
        weight_s=np.concatenate([nothing, *weights]),
        repetitions=tuple(whole),
        interrupted=tuple(interrupted),
        asked={"speed_rpm": _asked(course.speed, second), "torque_nm": _asked(course.torque, second)},
    )


def _weights(times: Floats) -> Floats:
    widths = np.diff(times)
    weights = np.zeros(times.size)
    weights[:-1] += 0.5 * widths
    weights[1:] += 0.5 * widths
    return weights


def _asked(course: Course, second: Floats) -> Floats:
    """What was asked at these seconds of the round."""
    count = min(MOST_ASKED, max(2, math.ceil(course.round_s / ASKED_EVERY_S)))
    starts = [each.start_s for each in course.placed]
    every = np.unique(np.concatenate([np.linspace(0.0, course.round_s, count + 1), starts]))
    every = every[every < course.round_s]
    values = [course.at(float(time_s)).value for time_s in every]
    ends = [*values, course.placed[-1].segment.end]
    return np.asarray(np.interp(second, np.append(every, course.round_s), np.array(ends)), dtype=np.float64)


def series_of(record: Record, test: RecordedTest, channel: str) -> Series | str:
    """The channel's readings during a test; a sentence's part where they must not be used."""
    if channel not in record.values:
        return "the record holds no sample of it"
    inside = np.flatnonzero(record.test == test.index)
    fresh = inside[first_rows(record.time_mono_s[inside], record.ages_s[channel][inside])]
    quality, values = record.quality[channel][fresh], record.values[channel][fresh]
    over = int((quality == Quality.OVER_RANGE).sum())
    if over:
        return f"{over} of {fresh.size} samples are over range"
    taken = record.time_mono_s[fresh] - record.ages_s[channel][fresh]
    good = (quality == Quality.GOOD) & np.isfinite(values) & np.isfinite(taken)
    if fresh.size - int(good.sum()) > BAD_SHARE_LIMIT * fresh.size:
        return f"{fresh.size - int(good.sum())} of {fresh.size} samples are not a number, stale or missing"
    taken, values = taken[good], values[good]
    rising = np.concatenate([[True], np.diff(taken) > 0.0]) if taken.size else np.zeros(0, dtype=np.bool_)
    taken, values = taken[rising], values[rising]
    if taken.size < LEAST_ROWS:
        return f"only {taken.size} good samples, {LEAST_ROWS} needed"
    bends = values[:-2] - 2.0 * values[1:-1] + values[2:]
    return Series(
        taken_s=taken,
        values=values,
        interval_s=float(np.median(np.diff(taken))),
        noise=float(np.median(np.abs(bends))) / (0.6745 * math.sqrt(6.0)),  # robust against the corners of a course
    )
