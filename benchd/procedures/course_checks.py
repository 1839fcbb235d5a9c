"""What a course in step asks of a bench: its greatest amounts, and where it asks too much. It plans from the plate.

It must never make a course gentler: what a bench cannot follow is refused.
"""

import bisect
import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from benchd.procedures.course_following import Machines
from benchd.procedures.feeding import EXPECTED_REST_S, IDLE_SHARE, POOR_EFFICIENCY
from benchd.procedures.hand import START_SECONDS_A_RAMP
from benchd.procedures.procedure import Surroundings
from benchd.rules.course_bounds import Bounds, Outrun, Shaft, outruns
from benchd.rules.course_conditions import Settled, Temperature
from benchd.rules.course_pairs import RAD_S_PER_RPM, InStep
from benchd.rules.course_segments import SLOPE, VALUE, greatest
from benchd.rules.course_stays import stays
from benchd.rules.courses import Course
from benchd.rules.demand import Demand
from benchd.rules.moves import Role
from benchd.rules.resonance import beside, dwells_in

LEAST_LOOKS = 2_000  # at a whole round, for the most of two quantities together
_ROUNDING = 1e-9
_RESTS_RPM_PER_S = 1e-6


class Together(NamedTuple):
    """The most that speed (r/min) and torque (N·m) ask between two near seconds of the round, magnitudes."""

    start_s: float
    speed_rpm: float
    torque_nm: float
    speed_slope_rpm_per_s: float
    torque_slope_nm_per_s: float


def looks(course: InStep) -> Iterator[Together]:
    """One round in short pieces, with no more than each asks for."""
    stretches = list(course.together())
    count = max(1, math.ceil(LEAST_LOOKS / len(stretches)))
    for stretch in stretches:
        step_s = (stretch.end_s - stretch.start_s) / count
        for place in range(count if step_s > 0.0 else 1):
            first_s = stretch.start_s + place * step_s
            last_s = min(first_s + step_s, stretch.end_s)
            torque = stretch.torque
            slope = greatest(torque.segment, SLOPE, first_s - torque.start_s, last_s - torque.start_s).amount
            yield Together(
                first_s,
                stretch.most_speed(VALUE, first_s, last_s),
                stretch.most_torque(first_s, last_s),
                stretch.most_speed(SLOPE, first_s, last_s),
                slope,
            )


def demand_of(course: InStep, seen: Sequence[Together], around: Surroundings, machines: Machines) -> Demand:
    """The greatest magnitudes, the power at the supply, and how long it takes with each wait as short as may be.

    `seen` are the course's `looks`, here as below: a long table is looked at once.
    """
    plate, slopes = around.plate, around.slopes
    idle_a = IDLE_SHARE * plate.current_a
    voltage_v = machines.supply_voltage_v
    speed_rpm, torque_nm = max(one.speed_rpm for one in seen), max(one.torque_nm for one in seen)
    if machines.voltage_v is None:
        shaft_w = max(one.speed_rpm * one.torque_nm * RAD_S_PER_RPM for one in seen)
        current_a = shaft_w / POOR_EFFICIENCY / voltage_v + idle_a
    else:
        current_a = torque_nm / plate.ke_v_s + idle_a
    ends = (course.speed.at(0.0).value, course.speed.at(course.speed.moving_s).value)
    ends_nm = (course.torque.at(0.0).value, course.torque.at(course.speed.moving_s).value)
    ways_s = sum(map(abs, ends)) / slopes.speed_rpm_per_s + sum(map(abs, ends_nm)) / slopes.torque_nm_per_s
    if machines.voltage_v is None:
        ways_s += voltage_v / slopes.voltage_v_per_s
    waited_s = sum(one.window_s for one in course.speed.parts if isinstance(one, Settled)) * course.speed.repeated
    return Demand(
        speed_rpm=speed_rpm,
        torque_nm=torque_nm,
        power_w=voltage_v * current_a,
        voltage_v=voltage_v,
        current_a=current_a,
        duration_s=course.speed.moving_s + waited_s + ways_s + 2.0 * EXPECTED_REST_S + START_SECONDS_A_RAMP,
    )


def part_at(course: Course, at_s: float) -> int:
    """The number of the part that this second of course time belongs to; where two meet, the later one's."""
    if at_s >= course.moving_s:
        return course.placed[-1].part
    inside_s = math.fmod(at_s, course.round_s)
    starts = [each.start_s for each in course.placed]
    return course.placed[max(0, bisect.bisect_right(starts, inside_s) - 1)].part


def too_much(
    course: InStep, seen: Sequence[Together], around: Surroundings, machines: Machines
) -> Iterator[tuple[int, str]]:
    """The part of each thing that the course asks too much of, and that in words, first the earliest second."""
    slopes, plate = around.slopes, around.plate
    idle_a = IDLE_SHARE * plate.current_a
    available_nm = around.torque_limit_nm
    power_w = math.inf
    if machines.voltage_v is None:
        power_w = max(1e-9, (around.current_limit_a - idle_a) * machines.supply_voltage_v * POOR_EFFICIENCY)
    else:
        available_nm = min(available_nm, max(1e-9, (around.current_limit_a - idle_a) * plate.ke_v_s))
    by_rpm, by_nm = slopes.speed_rpm_per_s, slopes.torque_nm_per_s
    if machines.voltage_v is not None:
        volts_per_rpm, volts_per_nm = shares_v(machines)
        if machines.speed is Role.SUPPLY:
            by_rpm = slopes.voltage_v_per_s / volts_per_rpm
        else:
            by_nm = slopes.voltage_v_per_s / volts_per_nm
    found = [
        one
        for one in (
            outruns(
                course,
                Bounds(slope_per_s=by_rpm),
                Bounds(slope_per_s=by_nm),
                shaft=Shaft(torque_available_nm=available_nm, inertia_kgm2=around.inertia_kgm2, power_w=power_w),
            ),
            _outrun_voltage(seen, around, machines),
        )
        if one is not None
    ]
    for outrun in sorted(found, key=lambda one: one.at_s):
        yield part_at(course.speed, outrun.at_s), in_words(outrun)


def shares_v(machines: Machines) -> tuple[float, float]:
    """The volts that a supply adds for 1 r/min and for 1 N·m, by the plate."""
    if machines.voltage_v is None:
        raise ValueError("A converter's link stands at one voltage.")
    nothing_v = machines.voltage_v(0.0, 0.0)
    return machines.voltage_v(1.0, 0.0) - nothing_v, machines.voltage_v(0.0, 1.0) - nothing_v


def _outrun_voltage(seen: Sequence[Together], around: Surroundings, machines: Machines) -> Outrun | None:
    """Where a specimen that its supply feeds takes more voltage, or that more quickly, than there is."""
    if machines.voltage_v is None:
        return None
    per_rpm, per_nm = shares_v(machines)
    allowed_v, allowed_v_per_s = machines.supply_voltage_v, around.slopes.voltage_v_per_s
    for one in seen:
        asked_v = per_rpm * one.speed_rpm + per_nm * one.torque_nm
        if asked_v > allowed_v * (1.0 + _ROUNDING):
            return Outrun(at_s=one.start_s, what="the supply's voltage", asked=asked_v, allowed=allowed_v, unit="V")
        asked = per_rpm * one.speed_slope_rpm_per_s + per_nm * one.torque_slope_nm_per_s
        if asked > allowed_v_per_s * (1.0 + _ROUNDING):
            what = "slope of the supply's voltage"
            return Outrun(at_s=one.start_s, what=what, asked=asked, allowed=allowed_v_per_s, unit="V per s")
    return None


def in_words(outrun: Outrun) -> str:
    """The rest of a sentence that begins with where it stands."""
    there_is = f"{outrun.allowed:.4g} {outrun.unit}"
    if math.isinf(outrun.asked):
        return (
            f"jumps at second {outrun.at_s:.4g} of the course, and this bench changes with at most {there_is} "
            f"({outrun.what}); let it take time"
        )
    return (
        f"asks for {outrun.what} of {outrun.asked:.4g} {outrun.unit} from second {outrun.at_s:.4g} of the course on, "
        f"and there is {there_is}; ask for less, or more slowly"
    )


def unseen(course: InStep, around: Surroundings) -> Iterator[tuple[int, str]]:
    """Conditions on channels that this bench does not have, or that are no temperatures."""
    if not around.channels:
        return
    for number, part in enumerate(course.speed.parts):
        if not isinstance(part, Settled | Temperature):
            continue
        unit = around.channels.get(part.channel)
        if unit is None:
            yield number, f"waits for {part.channel}, which is not a channel of this bench; name one that is"
        elif isinstance(part, Temperature) and unit != "°C":
            yield number, f"waits for {part.channel} in °C, but its unit is {unit}; wait for it to settle instead"


def dwelling(course: InStep, around: Surroundings) -> Iterator[tuple[int, str]]:
    """Parts whose speed begins, rests, turns or waits within a critical band, or crosses one too slowly."""
    told: set[int] = set()
    for part, at_s, value_rpm, what in _resting_within(course.speed, around):
        nearest = [math.copysign(one, value_rpm) + 0.0 for one in beside(around.bands, speed_rpm=value_rpm)]  # no -0
        band = dwells_in(around.bands, speed_rpm=value_rpm)
        if band is not None and part not in told:
            told.add(part)
            says = (
                f"{what} at {value_rpm:g} r/min at second {at_s:.4g} of the course, within the critical band "
                f"{band.words}, which is crossed and never held; let it be {nearest[0]:g} or {nearest[1]:g} r/min"
            )
            yield part, says
    for stay in stays(course.speed, around.bands):
        if stay.lasts_s > around.longest_crossing_s * (1.0 + _ROUNDING) and stay.part not in told:
            told.add(stay.part)
            says = (
                f"is within the critical band {stay.band.words} for {stay.lasts_s:.3g} s from second "
                f"{stay.start_s:.4g} of the course on, and may be for {around.longest_crossing_s:g} s; cross it more "
                "quickly"
            )
            yield stay.part, says


def _resting_within(course: Course, around: Surroundings) -> Iterator[tuple[int, float, float, str]]:
    """Where the course begins, rests, turns or waits: part, second, speed in r/min, and in words."""
    if not around.bands:
        return
    yield course.placed[0].part, 0.0, course.placed[0].segment.start, "begins"
    for start_s, segment, part in course.placed:
        for time_s in (0.0, *segment.turns(VALUE, 0.0, segment.lasts_s), segment.lasts_s):
            value_rpm, slope, _ = segment.at(time_s)
            if abs(slope) < _RESTS_RPM_PER_S:
                yield part, start_s + time_s, value_rpm, "rests"
    for stay in stays(course, around.bands):
        if math.isinf(stay.lasts_s):
            yield stay.part, stay.start_s, course.at(stay.start_s).value, "waits"


def amounts(course: InStep) -> Sequence[tuple[int, str, float, float]]:
    """Of each part and quantity the lowest and the highest value: part, name with unit, value, second of the round."""
    found: dict[tuple[int, str], list[tuple[float, float]]] = {}
    for name, one in (("speed_rpm", course.speed), ("torque_nm", course.torque)):
        for start_s, segment, part in one.placed:
            for time_s in (0.0, *segment.turns(VALUE, 0.0, segment.lasts_s), segment.lasts_s):
                found.setdefault((part, name), []).append((segment.at(time_s).value, start_s + time_s))
    return [
        (part, name, *extreme)
        for (part, name), values in found.items()
        for extreme in dict.fromkeys((min(values), max(values)))
    ]
