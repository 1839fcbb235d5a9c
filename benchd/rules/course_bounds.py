"""The first second at which a course asks more than a bench can follow, as the parts of a sentence. Pure.

A set-point that is asked too much lags behind and says nothing; so it is found before. It must never slow a course.
"""

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from benchd.rules.course_pairs import RAD_S_PER_RPM, InStep, Together
from benchd.rules.course_segments import ACCELERATION, SLOPE, VALUE, Segment, Wave, greatest
from benchd.rules.courses import Course
from benchd.rules.demand import Demanded

RESOLVED_S = 1e-4  # an excess that lasts no longer may be passed over
_MOST_PARTS = 65_536  # that a segment is divided into, where it lasts so long that this is coarser
_PARTS_OF_A_WAVE = 64  # of its period, at least
_ROUNDING = 1e-9  # a course that was made to a bound keeps it
_NEAR_ENOUGH = 1e-4  # of the greatest that is asked, where it is told
_MOST_LOOKS = 2_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """How fast and how suddenly one quantity may change, in its unit; infinite where nothing bounds it.

    A straight ramp has corners, so with a bound of acceleration it outruns it; s-shaped pieces need not. Raises
    `ValueError` for bounds that are not positive.
    """

    slope_per_s: float = math.inf
    acceleration_per_s2: float = math.inf

    def __post_init__(self) -> None:
        if not (self.slope_per_s > 0.0 and self.acceleration_per_s2 > 0.0):
            raise ValueError(f"Bounds must be positive, not {self.slope_per_s!r} and {self.acceleration_per_s2!r}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaft:
    """What turns the shaft: the torque that is to be had, the inertia of the whole train, and the power.

    The torque of the course and that for speeding up are added whatever their signs, as either machine may be the one
    that holds the speed. Raises `ValueError` for bounds that are not positive, or a negative inertia.
    """

    torque_available_nm: float = math.inf
    inertia_kgm2: float = 0.0
    power_w: float = math.inf

    def __post_init__(self) -> None:
        if not (self.torque_available_nm > 0.0 and self.power_w > 0.0 and 0.0 <= self.inertia_kgm2 < math.inf):
            raise ValueError("A shaft's torque and power must be positive, and its inertia not negative.")

    def needed_nm(self, torque_nm: float, slope_rpm_per_s: float) -> float:
        """What magnitudes of torque and of the speed's slope need together; a jump of speed needs endlessly much."""
        return torque_nm + (self.inertia_kgm2 * slope_rpm_per_s * RAD_S_PER_RPM if self.inertia_kgm2 else 0.0)

    @property
    def slope_rpm_per_s(self) -> float:
        """How fast it speeds up with all its torque: torque over inertia."""
        return self.torque_available_nm / self.inertia_kgm2 / RAD_S_PER_RPM if self.inertia_kgm2 else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Outrun:
    """Where a course asks too much: from this second of course time on, of what, how much at most, and what there is.

    `asked` is the most within the stretch that begins to ask too much (to 0.01 %), infinite for a jump or a corner.
    """

    at_s: float
    what: str  # such as "slope of speed"
    asked: float
    allowed: float
    unit: str


def outruns(course: Course | InStep, *bounds: Bounds, shaft: Shaft | None = None) -> Outrun | None:
    """The first second at which the course asks more than these bounds or than the shaft has; None where it never does.

    `bounds` are one for a course, and those of speed and of torque for two in step. With a course of speed alone the
    shaft has all its torque for speeding up, and power is not looked at. Of several at one second the first is told:
    slope, acceleration, torque, power. Raises `ValueError` for another number of bounds, or a shaft and a course of
    another quantity than speed.
    """
    courses = (course,) if isinstance(course, Course) else (course.speed, course.torque)
    if len(bounds) != len(courses):
        raise ValueError(f"What is followed here needs {len(courses)} of bounds, not {len(bounds)}.")
    found = [each for one, bound in zip(courses, bounds, strict=True) for each in _own(one, bound)]
    if shaft is not None and isinstance(course, InStep):
        found.extend(_shaft(course, shaft))
    elif shaft is not None and isinstance(course, Course):
        if course.quantity is not Demanded.SPEED:
            raise ValueError(f"A shaft bounds a course of speed, not one of {course.quantity.title}.")
        found.extend(_speeding_up(course, shaft))
    return min(found, key=lambda each: each.at_s, default=None)


class _Magnitude(Protocol):
    """A magnitude over a stretch of time that can be bounded."""

    def at(self, time_s: float) -> float:
        """The magnitude at this second."""
        ...

    def most(self, first_s: float, last_s: float) -> float:
        """No less than it is anywhere between both; the nearer both are, the nearer to the truth."""
        ...


@dataclass(frozen=True, slots=True)
class _Alone:
    """Value, slope or acceleration of one segment."""

    segment: Segment
    what: int

    def at(self, time_s: float) -> float:
        return abs(self.segment.at(time_s)[self.what])

    def most(self, first_s: float, last_s: float) -> float:
        return greatest(self.segment, self.what, first_s, last_s).amount


@dataclass(frozen=True, slots=True)
class _Power:
    """Torque × speed of a stretch, seconds of the round."""

    stretch: Together

    def at(self, time_s: float) -> float:
        return self.most(time_s, time_s)

    def most(self, first_s: float, last_s: float) -> float:
        speed = self.stretch.most_speed(VALUE, first_s, last_s)
        return speed * self.stretch.most_torque(first_s, last_s) * RAD_S_PER_RPM


@dataclass(frozen=True, slots=True)
class _Needed:
    """Torque of the course and for speeding up of a stretch, seconds of the round."""

    stretch: Together
    shaft: Shaft

    def at(self, time_s: float) -> float:
        return self.most(time_s, time_s)

    def most(self, first_s: float, last_s: float) -> float:
        slope = self.stretch.most_speed(SLOPE, first_s, last_s)
        return self.shaft.needed_nm(self.stretch.most_torque(first_s, last_s), slope)


def _own(course: Course, bounds: Bounds) -> Iterator[Outrun]:
    title, unit = course.quantity.title, course.quantity.value
    for what, allowed, name, per in (
        (SLOPE, bounds.slope_per_s, "slope", "per s"),
        (ACCELERATION, bounds.acceleration_per_s2, "acceleration", "per s²"),
    ):
        found = _first(course, what, allowed)
        if found is not None:
            at_s, asked = found
            yield Outrun(at_s=at_s, what=f"{name} of {title}", asked=asked, allowed=allowed, unit=f"{unit} {per}")


def _first(course: Course, what: int, allowed: float) -> tuple[float, float] | None:
    """The first second at which slope or acceleration is more than allowed, and the most there."""
    if math.isinf(allowed):
        return None
    sharp_s = next((joint.at_s for joint in course.joints() if joint.sharpness(what) > 0.0), math.inf)
    for start_s, segment, _ in course.placed:
        if sharp_s <= start_s:
            break
        alone = _Alone(segment, what)
        found_s = _first_above(alone, allowed, 0.0, segment.lasts_s, _fineness_s(segment))
        if found_s is not None:
            return start_s + found_s, greatest(segment, what, found_s, segment.lasts_s).amount
    return (sharp_s, math.inf) if sharp_s < math.inf else None


def _speeding_up(course: Course, shaft: Shaft) -> Iterator[Outrun]:
    found = _first(course, SLOPE, shaft.slope_rpm_per_s)
    if found is not None:
        yield _too_much_torque(found[0], shaft.needed_nm(0.0, found[1]), shaft)


def _shaft(pair: InStep, shaft: Shaft) -> Iterator[Outrun]:
    torque_s = power_s = math.inf
    jump_s = math.inf
    if shaft.inertia_kgm2 and shaft.torque_available_nm < math.inf:
        jump_s = next((joint.at_s for joint in pair.speed.joints() if joint.sharpness(SLOPE) > 0.0), math.inf)
    for stretch in pair.together():
        fine_s = min(_fineness_s(stretch.speed.segment), _fineness_s(stretch.torque.segment))
        if math.isinf(torque_s) and stretch.start_s < jump_s:
            needed = _Needed(stretch, shaft)
            found_s = _first_above(needed, shaft.torque_available_nm, stretch.start_s, stretch.end_s, fine_s)
            if found_s is not None:
                torque_s = found_s
                yield _too_much_torque(torque_s, _most_of(needed, torque_s, stretch.end_s), shaft)
        if math.isinf(power_s):
            power = _Power(stretch)
            found_s = _first_above(power, shaft.power_w, stretch.start_s, stretch.end_s, fine_s)
            if found_s is not None:
                power_s = found_s
                asked = _most_of(power, power_s, stretch.end_s)
                yield Outrun(at_s=power_s, what="power at the shaft", asked=asked, allowed=shaft.power_w, unit="W")
    if math.isinf(torque_s) and jump_s < math.inf:
        yield _too_much_torque(jump_s, math.inf, shaft)


def _too_much_torque(at_s: float, asked_nm: float, shaft: Shaft) -> Outrun:
    what = "torque with that for speeding up"
    return Outrun(at_s=at_s, what=what, asked=asked_nm, allowed=shaft.torque_available_nm, unit="N·m")


def _fineness_s(segment: Segment) -> float:
    coarsest_s = segment.period_s / _PARTS_OF_A_WAVE if isinstance(segment, Wave) else math.inf
    return min(coarsest_s, max(RESOLVED_S, segment.lasts_s / _MOST_PARTS))


def _first_above(magnitude: _Magnitude, allowed: float, first_s: float, last_s: float, fine_s: float) -> float | None:
    """The first second between both at which it is above what is allowed; halves what it cannot rule out."""
    allowed *= 1.0 + _ROUNDING
    stretches = [(first_s, last_s)]
    while stretches:
        begin_s, end_s = stretches.pop()
        if magnitude.most(begin_s, end_s) <= allowed:
            continue
        if magnitude.at(begin_s) > allowed:
            return begin_s
        if end_s - begin_s > fine_s:
            middle_s = 0.5 * (begin_s + end_s)
            stretches += [(middle_s, end_s), (begin_s, middle_s)]
        elif magnitude.at(end_s) > allowed:
            return end_s
    return None


def _most_of(magnitude: _Magnitude, first_s: float, last_s: float) -> float:
    """The greatest between both, to `_NEAR_ENOUGH`: looks first where most may be."""
    best = max(magnitude.at(first_s), magnitude.at(last_s))
    stretches = [(-magnitude.most(first_s, last_s), first_s, last_s)]
    for _ in range(_MOST_LOOKS):
        most, begin_s, end_s = heapq.heappop(stretches)
        if -most <= best * (1.0 + _NEAR_ENOUGH):
            break
        middle_s = 0.5 * (begin_s + end_s)
        best = max(best, magnitude.at(middle_s))
        for left_s, right_s in ((begin_s, middle_s), (middle_s, end_s)):
            heapq.heappush(stretches, (-magnitude.most(left_s, right_s), left_s, right_s))
    return best
