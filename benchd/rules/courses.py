"""A course: what one quantity shall do over time. Pure; it never asks whether a bench can.

Course time is the time in which it moves: while a condition is open it stands. A course is taken to come from rest at
its first value and to rest at its last one, and to rest wherever it waits.
"""

import bisect
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from benchd.rules.course_conditions import Condition
from benchd.rules.course_pieces import Linear, Piece, Sine, SShaped, Staircase, Table
from benchd.rules.course_segments import ACCELERATION, SLOPE, VALUE, At, Peak, Segment, greatest, resting
from benchd.rules.demand import Demanded

MOST_REPEATS = 1_000_000
_SAME_SLOPE_RATIO = 1e-6  # of the steeper neighbour: less is rounding, more is a corner
PIECES = (Linear, SShaped, Staircase, Sine, Table)


class Placed(NamedTuple):
    """A segment, the second of the round at which it begins, and the number of its part."""

    start_s: float
    segment: Segment
    part: int


class Joint(NamedTuple):
    """Where one segment ends and the next begins."""

    at_s: float
    before: Segment
    after: Segment

    def sharpness(self, what: int) -> float:
        """Infinite where the value jumps (SLOPE), or it or the slope does (ACCELERATION); else 0."""
        if self.before.end != self.after.start:
            return math.inf if what != VALUE else 0.0
        left, right = self.before.at(self.before.lasts_s).slope_per_s, self.after.at(0.0).slope_per_s
        steepest = max(greatest(each, SLOPE, 0.0, each.lasts_s).amount for each in (self.before, self.after))
        corner = abs(left - right) > _SAME_SLOPE_RATIO * steepest
        return math.inf if corner and what == ACCELERATION else 0.0


class Wait(NamedTuple):
    """A condition, the second of course time at which it opens, and the value that is held meanwhile."""

    at_s: float
    value: float
    condition: Condition


@dataclass(frozen=True, kw_only=True)
class Course:
    """One quantity over time: pieces, and conditions between them, all repeated so many times.

    Raises `ValueError` for a course without a piece, or a number of repeats that is not 1 to `MOST_REPEATS`.
    """

    quantity: Demanded
    parts: tuple[Piece | Condition, ...]
    repeated: int = 1

    def __post_init__(self) -> None:
        if not any(isinstance(part, PIECES) for part in self.parts):
            raise ValueError(f"A course of {self.quantity.title} needs a piece that moves or holds it.")
        if not 1 <= self.repeated <= MOST_REPEATS:
            raise ValueError(f"A course is repeated 1 to {MOST_REPEATS} times, not {self.repeated!r}.")
        if not math.isfinite(self.moving_s):
            raise ValueError(f"A course of {self.quantity.title} must end; its pieces last too long.")

    @cached_property
    def placed(self) -> tuple[Placed, ...]:
        """The segments of one round in order, without what rests."""
        made: list[Placed] = []
        start_s = 0.0
        for number, part in enumerate(self.parts):
            if isinstance(part, PIECES):
                for segment in part.segments():
                    made.append(Placed(start_s, segment, number))
                    start_s += segment.lasts_s
        return tuple(made)

    @cached_property
    def _starts_s(self) -> list[float]:
        return [each.start_s for each in self.placed]

    @cached_property
    def round_s(self) -> float:
        """How long one round moves."""
        last = self.placed[-1]
        return last.start_s + last.segment.lasts_s

    @property
    def moving_s(self) -> float:
        """Course time in all: what it lasts without its waiting."""
        return self.round_s * self.repeated

    @property
    def duration_s(self) -> float | None:
        """What it lasts; None where conditions decide."""
        return None if self._waits else self.moving_s

    def at(self, time_s: float) -> At:
        """Value, slope and acceleration at this second of course time; where it jumps, those after the jump.

        From its end on it rests at exactly its last value. Raises `ValueError` for a time that is negative or NaN.
        """
        if not time_s >= 0.0:
            raise ValueError(f"A course has no value at {time_s!r} s.")
        if time_s >= self.moving_s:
            return At(self.placed[-1].segment.end, 0.0, 0.0)
        inside_s = math.fmod(time_s, self.round_s)
        found = self.placed[bisect.bisect_right(self._starts_s, inside_s) - 1]
        return found.segment.at(min(inside_s - found.start_s, found.segment.lasts_s))

    @cached_property
    def _waits(self) -> tuple[Wait, ...]:
        """Those of the first round; one at its very beginning holds the first value."""
        made: list[Wait] = []
        for number, part in enumerate(self.parts):
            if isinstance(part, PIECES):
                continue
            before = [each for each in self.placed if each.part < number]
            last = before[-1] if before else None
            at_s = last.start_s + last.segment.lasts_s if last else 0.0
            made.append(Wait(at_s, last.segment.end if last else self.placed[0].segment.start, part))
        return tuple(made)

    def wait(self, number: int) -> Wait | None:
        """The condition that opens after `number` others have been met; None where there is none left."""
        if not self._waits or number >= len(self._waits) * self.repeated:
            return None
        turn, place = divmod(number, len(self._waits))
        found = self._waits[place]
        leads = turn > 0 and found.at_s == 0.0  # in later rounds what is held is the end of the round before
        value = self.placed[-1].segment.end if leads else found.value
        return Wait(turn * self.round_s + found.at_s, value, found.condition)

    def joints(self) -> Iterator[Joint]:
        """Where segments meet: in the first round, on to the second one, and at the end."""
        first, last = self.placed[0].segment, self.placed[-1].segment
        waiting = {number for number, part in enumerate(self.parts) if not isinstance(part, PIECES)}
        yield Joint(0.0, resting(first.start), first)
        for one, other in itertools.pairwise(self.placed):
            rests = not waiting.isdisjoint(range(one.part + 1, other.part))
            yield from _joined(other.start_s, one.segment, other.segment, rests=rests)
        if self.repeated > 1:
            leading, trailing = range(self.placed[0].part), range(self.placed[-1].part + 1, len(self.parts))
            rests = not waiting.isdisjoint((*leading, *trailing))
            yield from _joined(self.round_s, last, first, rests=rests)
        yield Joint(self.moving_s, last, resting(last.end))

    def greatest(self, what: int) -> Peak:
        """The greatest magnitude of VALUE, SLOPE or ACCELERATION and the first second at which it occurs.

        Infinite where the value jumps, and for acceleration where the slope does. Found without sampling.
        """
        peaks = [Peak(joint.sharpness(what), joint.at_s) for joint in self.joints()]
        for start_s, segment, _ in self.placed:
            amount, at_s = greatest(segment, what, 0.0, segment.lasts_s)
            peaks.append(Peak(amount, start_s + at_s))
        return max(peaks, key=lambda peak: (peak.amount, -peak.at_s))


def _joined(at_s: float, before: Segment, after: Segment, *, rests: bool) -> Iterator[Joint]:
    if rests:
        yield Joint(at_s, before, resting(before.end))
        yield Joint(at_s, resting(before.end), after)
    else:
        yield Joint(at_s, before, after)
