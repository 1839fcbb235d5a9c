"""What a specimen will about read at its operating points, by its rating plate. It plans and never measures.

The plate fixes one point; between it and no load the current of a brushed motor rises in proportion to torque, and so
does a brushless motor's phase current. A brushless motor's losses are copper (in proportion to torque squared) and the
rest (in proportion to speed), which includes the converter's.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from pydantic import BaseModel

from benchd.procedures import Plate
from benchd.rules.course_pairs import RAD_S_PER_RPM, InStep

BY_ITSELF = ("no_load", "load", "rated_point")  # the tests in which the specimen turns by its own power
TOLERANCE = 0.15  # of a plate estimate: winding warm or cold, makers' spread (common practice)
LOOKS = 64  # at each stretch of a course
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
LEAST_TOLERANCE = 0.10  # of the rated current and power: what idles is known least


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a test asks for at one operating point; without a speed the specimen turns as fast as it likes."""

    voltage_v: float
    speed_rpm: float | None
    torque_nm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the channels should about show; `phase_current_a` is None for a motor that has no phases."""

    speed_rpm: float
    torque_nm: float
    current_a: float  # out of the supply
    voltage_v: float  # where the sense leads are
    power_w: float  # there
    phase_current_a: float | None


def asked_in(kind: str, settings: BaseModel) -> Iterator[Asked]:
    """The operating points at which the specimen turns by itself, by the names that tests' settings have."""
    link_v = getattr(settings, "supply_voltage_v", None)
    course = getattr(settings, "course", None)
    if isinstance(course, InStep) and link_v is not None:
        for speed_rpm, torque_nm in passed(course):
            if (
                speed_rpm != 0.0 and speed_rpm * torque_nm >= 0.0
            ):  # else it is driven, and the plate says nothing of that
                yield Asked(voltage_v=link_v, speed_rpm=abs(speed_rpm), torque_nm=abs(torque_nm))
    if kind not in BY_ITSELF:
        return
    held_rpm = getattr(settings, "speed_rpm", None)
    for voltage_v in getattr(settings, "supply_voltages_v", None) or ():
        yield Asked(voltage_v=voltage_v, speed_rpm=None, torque_nm=0.0)
    if link_v is None:
        return
    for speed_rpm in getattr(settings, "speeds_rpm", None) or ():
        yield Asked(voltage_v=link_v, speed_rpm=speed_rpm, torque_nm=0.0)
    single = getattr(settings, "torque_nm", None)
    for torque_nm in getattr(settings, "torques_nm", None) or (() if single is None else (single,)):
        yield Asked(voltage_v=link_v, speed_rpm=held_rpm, torque_nm=torque_nm)


def passed(course: InStep) -> Iterator[tuple[float, float]]:
    """Speed and torque, r/min and N·m with their signs, at the beginning of each stretch of a round and within it.

    A stretch is a piece of both courses without a corner; it may swing. Places within it are multiples of an
    irrational share, so that no swing is met in the same phase each time.
    """
    for stretch in course.together():
        for number in range(LOOKS):
            time_s = stretch.start_s + number * GOLDEN % 1.0 * (stretch.end_s - stretch.start_s)
            yield course.speed.at(time_s).value, course.torque.at(time_s).value


def reading(asked: Asked, plate: Plate, *, cable_ohm: float) -> Reading:
    """What to expect there; `cable_ohm` is that of both conductors between supply and sense leads."""
    if plate.kind == "brushless":
        return _brushless(asked, plate, cable_ohm)
    return _brushed(asked, plate, cable_ohm)


def _brushed(asked: Asked, plate: Plate, cable_ohm: float) -> Reading:
    """I = T/kₑ and what the plate's current is beyond that; ω = (U − I·R)/kₑ at the terminals."""
    idle_a = max(0.0, plate.current_a - plate.torque_nm / plate.ke_v_s)
    current_a = asked.torque_nm / plate.ke_v_s + idle_a
    if asked.speed_rpm is None:
        terminals_v = asked.voltage_v - current_a * cable_ohm
        speed_rpm = max(0.0, terminals_v - current_a * plate.resistance_ohm) / plate.ke_v_s / RAD_S_PER_RPM
    else:
        speed_rpm = asked.speed_rpm
        terminals_v = plate.ke_v_s * speed_rpm * RAD_S_PER_RPM + current_a * plate.resistance_ohm
    return Reading(
        speed_rpm=speed_rpm,
        torque_nm=asked.torque_nm,
        current_a=current_a,
        voltage_v=terminals_v,
        power_w=terminals_v * current_a,
        phase_current_a=None,
    )


def _brushless(asked: Asked, plate: Plate, cable_ohm: float) -> Reading:
    speed_rpm = asked.speed_rpm or 0.0
    constant_nm_a = max(math.sqrt(3.0) * plate.ke_v_s, plate.torque_nm / plate.phase_current_a)
    idle_nm = constant_nm_a * plate.phase_current_a - plate.torque_nm
    lost_w = max(0.0, plate.voltage_v * plate.current_a - plate.torque_nm * plate.speed_rpm * RAD_S_PER_RPM)
    copper_w = min(lost_w, 1.5 * plate.resistance_ohm * plate.phase_current_a**2)  # resistance between two terminals
    power_w = (
        asked.torque_nm * speed_rpm * RAD_S_PER_RPM
        + copper_w * (asked.torque_nm / plate.torque_nm) ** 2
        + (lost_w - copper_w) * speed_rpm / plate.speed_rpm
    )
    # the supply gives what the converter takes and what the cable loses: U·I = P + R·I², of which the lower root
    inner = asked.voltage_v**2 - 4.0 * cable_ohm * power_w
    current_a = 2.0 * power_w / (asked.voltage_v + math.sqrt(max(0.0, inner)))
    return Reading(
        speed_rpm=speed_rpm,
        torque_nm=asked.torque_nm,
        current_a=current_a,
        voltage_v=asked.voltage_v - current_a * cable_ohm,
        power_w=power_w,
        phase_current_a=(asked.torque_nm + idle_nm) / constant_nm_a,
    )


def three(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """The fastest without load, one in the middle, the most powerful; fewer where a programme has fewer."""
    every = sorted(dict.fromkeys(readings), key=lambda one: (one.torque_nm, one.speed_rpm * one.voltage_v))
    if not every:
        return ()
    least_nm = every[0].torque_nm
    idle = [one for one in every if one.torque_nm == least_nm][-1]
    loaded = [one for one in every if one.torque_nm > least_nm]
    if not loaded:
        middle = every[len(every) // 2]
        return tuple(dict.fromkeys((every[0], middle, idle)))
    most = max(loaded, key=lambda one: one.power_w)
    return tuple(dict.fromkeys((idle, loaded[(len(loaded) - 1) // 2], most)))
