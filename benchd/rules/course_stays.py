"""How long a course of speed stays within critical bands, stretch by stretch. Pure; it judges no bound."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from benchd.rules.course_segments import VALUE, Segment, Wave
from benchd.rules.courses import PIECES, Course
from benchd.rules.resonance import Band, dwells_in

_HALVINGS = 60
_MOST_CYCLES = 100.0


class Stay(NamedTuple):
    """From this second of course time on the speed lies within this band for so long; the part is where it begins.

    Infinite where the course waits within it.
    """

    start_s: float
    lasts_s: float
    band: Band
    part: int


def stays(course: Course, bands: Sequence[Band]) -> tuple[Stay, ...]:
    """Every stretch of one round within a band, also across the seam to the next one, in the order of their beginning.

    A stretch that runs on through several segments is one. A wait within a band is a stretch of its own.
    """
    if not bands:
        return ()
    found = [*_moving(course, bands), *_waiting(course, bands)]
    return tuple(sorted(found, key=lambda stay: stay.start_s))


def _moving(course: Course, bands: Sequence[Band]) -> Iterator[Stay]:
    rounds = min(course.repeated, 2)  # the second one for what lasts across the seam
    open_stay: Stay | None = None
    for turn in range(rounds):
        for placed in course.placed:
            start_s = turn * course.round_s + placed.start_s
            for first_s, last_s, band in _pieces(placed.segment, bands):
                if open_stay is not None and open_stay.band == band:
                    open_stay = open_stay._replace(lasts_s=start_s + last_s - open_stay.start_s)
                    continue
                if open_stay is not None:
                    yield open_stay
                if turn > 0:
                    return  # what begins in the second round was told in the first
                open_stay = None if band is None else Stay(start_s + first_s, last_s - first_s, band, placed.part)
    if open_stay is not None:
        yield open_stay


def _waiting(course: Course, bands: Sequence[Band]) -> Iterator[Stay]:
    conditions = [number for number, part in enumerate(course.parts) if not isinstance(part, PIECES)]
    for place, number in enumerate(conditions):
        wait = course.wait(place)
        band = None if wait is None else dwells_in(bands, speed_rpm=wait.value)
        if wait is not None and band is not None:
            yield Stay(wait.at_s, math.inf, band, number)


def _pieces(segment: Segment, bands: Sequence[Band]) -> Iterator[tuple[float, float, Band | None]]:
    """A segment cut where it enters or leaves a band, with the band that each piece lies in.

    A wave of very many cycles is cut in its first ones only: the others are like them.
    """
    if isinstance(segment, Wave) and segment.lasts_s > (longest_s := _MOST_CYCLES * segment.period_s):
        first = list(_pieces(replace(segment, lasts_s=longest_s), bands))
        if len({band for _, _, band in first}) == 1:
            yield 0.0, segment.lasts_s, first[0][2]
            return
        yield from first
        yield longest_s, segment.lasts_s, None
        return
    turns_s = sorted({0.0, *(at_s for at_s in _turns_s(segment) if at_s < segment.lasts_s), segment.lasts_s})
    edges = [sign * edge for band in bands for edge in (band.low_rpm, band.high_rpm) for sign in (1.0, -1.0)]
    for first_s, last_s in itertools.pairwise(turns_s):  # monotone in between
        start, end = segment.at(first_s).value, segment.at(last_s).value
        within = [edge for edge in edges if min(start, end) < edge < max(start, end)]
        cuts_s = [_when(segment, edge, first_s, last_s) for edge in within]
        for one_s, other_s in itertools.pairwise(sorted([first_s, *cuts_s, last_s])):
            if other_s > one_s:
                middle = segment.at(0.5 * (one_s + other_s)).value
                yield one_s, other_s, dwells_in(bands, speed_rpm=middle)


def _turns_s(segment: Segment) -> Iterator[float]:
    """Where it turns back; of a wave every crest and trough."""
    if isinstance(segment, Wave):
        quarter_s = 0.25 * segment.period_s
        return (quarter_s * (2 * half + 1) for half in range(math.ceil(0.5 * segment.lasts_s / quarter_s)))
    return segment.turns(VALUE, 0.0, segment.lasts_s)


def _when(segment: Segment, value: float, first_s: float, last_s: float) -> float:
    """The second between both at which a monotone stretch has this value."""
    rises = segment.at(last_s).value > segment.at(first_s).value
    low_s, high_s = first_s, last_s
    for _ in range(_HALVINGS):
        middle_s = 0.5 * (low_s + high_s)
        if (segment.at(middle_s).value < value) == rises:
            low_s = middle_s
        else:
            high_s = middle_s
    return 0.5 * (low_s + high_s)
