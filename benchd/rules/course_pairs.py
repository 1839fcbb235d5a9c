"""Speed and torque in step: two courses that go together part by part, their power and energy. Pure."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from benchd.rules.course_segments import VALUE, Wave, greatest, resting
from benchd.rules.courses import PIECES, Course, Placed
from benchd.rules.demand import Demanded

RAD_S_PER_RPM = math.pi / 30.0
_SAME_TIME_RATIO = 1e-9
_ROOT = 2.0 / 7.0 * math.sqrt(6.0 / 5.0)
_NODES = (  # four points of Gauss and Legendre with weights: exact to the seventh power, two cubics make the sixth
    (math.sqrt(3.0 / 7.0 - _ROOT), (18.0 + math.sqrt(30.0)) / 36.0),
    (math.sqrt(3.0 / 7.0 + _ROOT), (18.0 - math.sqrt(30.0)) / 36.0),
)


class Together(NamedTuple):
    """A stretch in which both channels stay within one segment each; seconds of the round."""

    start_s: float
    end_s: float
    speed: Placed
    torque: Placed

    def most_speed(self, what: int, first_s: float, last_s: float) -> float:
        """The greatest magnitude of the speed's VALUE, SLOPE or ACCELERATION between two seconds of the round."""
        start_s = self.speed.start_s
        return greatest(self.speed.segment, what, first_s - start_s, last_s - start_s).amount

    def most_torque(self, first_s: float, last_s: float) -> float:
        """The greatest torque between two seconds of the round, in either direction."""
        start_s = self.torque.start_s
        return greatest(self.torque.segment, VALUE, first_s - start_s, last_s - start_s).amount


@dataclass(frozen=True, kw_only=True)
class InStep:
    """A course of speed and one of torque that go together part by part.

    Raises `ValueError` unless both have the same conditions at the same places, pieces that last equally long, and the
    same number of repeats.
    """

    speed: Course
    torque: Course

    def __post_init__(self) -> None:
        speed, torque = self.speed, self.torque
        if (speed.quantity, torque.quantity) != (Demanded.SPEED, Demanded.TORQUE):
            raise ValueError("Two channels in step are a course of speed and one of torque.")
        if speed.repeated != torque.repeated or len(speed.parts) != len(torque.parts):
            raise ValueError("Speed and torque in step need equally many parts and repeats.")
        for number, (one, other) in enumerate(zip(speed.parts, torque.parts, strict=True), start=1):
            if not (isinstance(one, PIECES) and isinstance(other, PIECES)):
                if one != other:
                    raise ValueError(f"Part {number} of speed and torque must be the same condition in both.")
                continue
            lasts_s = [sum(each.lasts_s for each in piece.segments()) for piece in (one, other)]
            if not math.isclose(*lasts_s, rel_tol=_SAME_TIME_RATIO):
                raise ValueError(
                    f"Part {number} lasts {lasts_s[0]:g} s in speed and {lasts_s[1]:g} s in torque; make them equal."
                )

    def power_w(self, time_s: float) -> float:
        """Torque × speed at this second of course time; errors as of `Course.at`."""
        return self.speed.at(time_s).value * self.torque.at(time_s).value * RAD_S_PER_RPM

    @cached_property
    def energy_j(self) -> float:
        """What goes through the shaft in all rounds, braking counted negative, waiting not counted."""
        return self.speed.repeated * math.fsum(_energy_j(each) for each in self.together())

    @property
    def mean_power_w(self) -> float:
        """The energy over the time in which it moves."""
        return self.energy_j / self.speed.moving_s

    def together(self) -> Iterator[Together]:
        """The stretches of one round in order; one of no time where a part ends in a value that takes none."""
        for number, part in enumerate(self.speed.parts):
            if isinstance(part, PIECES):
                yield from _together(*self._by_part[number])

    @cached_property
    def _by_part(self) -> dict[int, tuple[list[Placed], list[Placed]]]:
        found: dict[int, tuple[list[Placed], list[Placed]]] = {}
        for which, course in enumerate((self.speed, self.torque)):
            for each in course.placed:
                found.setdefault(each.part, ([], []))[which].append(each)
        return found


def _together(speeds: list[Placed], torques: list[Placed]) -> Iterator[Together]:
    last_s = speeds[-1].start_s + speeds[-1].segment.lasts_s
    near_s = _SAME_TIME_RATIO * last_s
    one = other = 0
    while one < len(speeds) and other < len(torques):
        speed, torque = speeds[one], torques[other]
        ends_s = (speed.start_s + speed.segment.lasts_s, torque.start_s + torque.segment.lasts_s)
        start_s = max(speed.start_s, torque.start_s)
        if min(ends_s) > start_s:
            yield Together(start_s, min(ends_s), speed, torque)
        one += ends_s[0] <= ends_s[1] + near_s
        other += ends_s[1] <= ends_s[0] + near_s
    ending = [Placed(last_s, resting(each[-1].segment.end), each[-1].part) for each in (speeds, torques)]
    yield Together(last_s, last_s, ending[0], ending[1])


def _energy_j(stretch: Together) -> float:
    quarters = [
        each.segment.period_s / 4.0 for each in (stretch.speed, stretch.torque) if isinstance(each.segment, Wave)
    ]
    lasts_s = stretch.end_s - stretch.start_s
    count = max(1, math.ceil(2.0 * lasts_s / min(quarters))) if quarters else 1
    half_s = lasts_s / count / 2.0
    total = 0.0
    for place in range(count):
        middle_s = stretch.start_s + (2 * place + 1) * half_s
        for node, weight in _NODES:
            for time_s in (middle_s - node * half_s, middle_s + node * half_s):
                speed = stretch.speed.segment.at(time_s - stretch.speed.start_s).value
                torque = stretch.torque.segment.at(time_s - stretch.torque.start_s).value
                total += weight * half_s * speed * torque
    return total * RAD_S_PER_RPM
