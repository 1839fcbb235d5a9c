"""A hand that leads two machines along a course of speed and torque, waits where it waits, and brings them down again.

Set-points are made anew from course time in every frame. Course time stands while something is waited for and while a
test is held; after that the shaft is brought back to the course before time goes on.
"""

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace

from benchd.procedures.course_waits import Seen, lateness
from benchd.procedures.hand import LONGEST_REACH_S, START_SECONDS_A_RAMP, Hand
from benchd.procedures.procedure import Play, Surroundings
from benchd.rules.course_conditions import Standing
from benchd.rules.course_pairs import InStep
from benchd.rules.courses import Wait
from benchd.rules.frames import Frame
from benchd.rules.moves import Ask, CannotGoOn, Meanwhile, Move, Point, Regulated, Role, Speed, Torque
from benchd.rules.ramps import towards
from benchd.rules.resonance import crossing, outside

END_TEST = "end_test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Machines:
    """Who holds what: `speed` and `torque` name the role that does it.

    The supply holds one of both for a specimen that it feeds itself: `voltage_v` then says with which voltage, by the
    plate, and `held_current` that it is the current and not the torque that is held. `supply_voltage_v` is what a
    converter's link stands at.
    """

    speed: Role
    torque: Role
    supply_voltage_v: float
    voltage_v: Callable[[float, float], float] | None = None  # of speed and torque
    amperes_per_nm: float | None = None  # given: the specimen's current is held in place of its torque


class CourseHand(Hand):
    """Keeps the targets of a duty cycle. `machines` say who holds what; the ways between leave the torque at zero."""

    def __init__(self, around: Surroundings, machines: Machines, *, duration_s: float) -> None:
        super().__init__(around, duration_s=duration_s)
        self._machines = machines
        self._speed_rpm = self._torque_nm = 0.0
        self._following = False

    def _move(
        self, doing: str, *, point: Point | None = None, notes: tuple[str, ...] = (), capture_s: float = 0.0
    ) -> Move:
        move = super()._move(doing, point=point, notes=notes, capture_s=capture_s)
        machines = self._machines
        if not self._following or machines.voltage_v is None:
            return move
        if machines.speed is Role.SUPPLY:
            wanted = Regulated("shaft_speed", self._speed_rpm)
        elif machines.amperes_per_nm is not None:
            wanted = Regulated("dc_current", self._torque_nm * machines.amperes_per_nm)
        else:
            wanted = Regulated("shaft_torque", self._torque_nm)
        return replace(move, regulated={**move.regulated, Role.SUPPLY: wanted})

    def _set(self, speed_rpm: float, torque_nm: float) -> None:
        """Every machine's target for this speed and torque, at once."""
        self._speed_rpm, self._torque_nm = speed_rpm, torque_nm
        machines, around = self._machines, self._around
        if machines.speed is not Role.SUPPLY:
            self._hold(machines.speed, Speed(speed_rpm, around.torque_limit_nm))
        if machines.torque is not Role.SUPPLY:
            self._hold(machines.torque, Torque(torque_nm, around.speed_limit_rpm))
        if machines.voltage_v is not None:
            wanted_v = machines.voltage_v(speed_rpm, torque_nm)
            self._voltage_v = min(max(0.0, wanted_v), machines.supply_voltage_v)

    @property
    def _slopes(self) -> tuple[float, float]:
        """How fast speed and torque may be led outside the course."""
        slopes, voltage_v = self._around.slopes, self._machines.voltage_v
        if voltage_v is None:
            return slopes.speed_rpm_per_s, slopes.torque_nm_per_s
        nothing_v = voltage_v(0.0, 0.0)
        volts_per_rpm, volts_per_nm = voltage_v(1.0, 0.0) - nothing_v, voltage_v(0.0, 1.0) - nothing_v
        return (
            min(slopes.speed_rpm_per_s, slopes.voltage_v_per_s / volts_per_rpm),
            min(slopes.torque_nm_per_s, slopes.voltage_v_per_s / volts_per_nm),
        )

    def _lead(self, speed_rpm: float, torque_nm: float, doing: str) -> Play:
        """Ramp both, one after the other: the torque away first or on last, so that the speed changes without load.

        A critical band is crossed by the slope for it.
        """
        by_rpm, by_nm = self._slopes
        slopes, of_supply = self._around.slopes, self._machines.speed is Role.SUPPLY
        steep_rpm_per_s = min(slopes.crossing_rpm_per_s, by_rpm) if of_supply else slopes.crossing_rpm_per_s
        ways = [(self._speed_rpm, 0.0), (speed_rpm, 0.0), (speed_rpm, torque_nm)]
        if self._speed_rpm == speed_rpm:
            ways = ways[2:]
        for to_rpm, to_nm in ways:
            while (self._speed_rpm, self._torque_nm) != (to_rpm, to_nm):
                dt_s = self._elapsed((yield self._move(doing)))
                self._set(
                    crossing(
                        self._around.bands,
                        from_rpm=self._speed_rpm,
                        to_rpm=to_rpm,
                        slope_rpm_per_s=by_rpm,
                        crossing_rpm_per_s=steep_rpm_per_s,
                        dt_s=dt_s,
                    ),
                    towards(self._torque_nm, to_nm, slope_per_s=by_nm, dt_s=dt_s),
                )

    def bring_up(self, speed_rpm: float, torque_nm: float) -> Play:
        """From whatever is in force to the course's beginning.

        A speed that the other drive holds is handed over while the shaft turns; everything else goes by way of rest,
        where machines may change their modes. Raises `CannotGoOn` where the shaft does not follow.
        """
        machines = self._machines
        fed_by_converter = machines.voltage_v is None
        held_rpm = self.held_rpm(machines.torque) if fed_by_converter else 0.0
        yield from self._no_torque_by_motor_drive()
        if held_rpm != 0.0 and self.voltage_v == machines.supply_voltage_v:
            yield from self.hand_over(machines.speed)
        else:
            held_rpm = 0.0
            yield from self.come_to_rest(keep_voltage=fed_by_converter)
            if fed_by_converter:
                yield from self.ramp_voltage(machines.supply_voltage_v)
        self._following = True
        self._set(held_rpm, 0.0)
        yield from self._lead(speed_rpm, torque_nm, "to the course's beginning")
        yield from self._reach()

    def come_down(self) -> Play:
        """The way down from any place of the course: torque away, then speed, then rest."""
        yield from self._lead(self._speed_rpm, 0.0, "torque away")
        yield from self._lead(0.0, 0.0, "coming down")
        self._following = False
        yield from self.come_to_rest(keep_voltage=self._machines.voltage_v is None)

    def _no_torque_by_motor_drive(self) -> Play:
        """A converter that a test before left following a torque: `come_to_rest` takes away the load drive's alone."""
        while isinstance(self._motor, Torque) and self._motor.torque_nm != 0.0:
            dt_s = self._elapsed((yield self._move("torque away")))
            now_nm = towards(self._motor.torque_nm, 0.0, slope_per_s=self._around.slopes.torque_nm_per_s, dt_s=dt_s)
            self._motor = Torque(now_nm, self._around.speed_limit_rpm)

    def _reach(self) -> Play:
        """Wait until the shaft turns as it shall; only a drive's speed can be told to be wrong."""
        waited_s = 0.0
        while True:
            frame = yield self._move(f"waiting for {self._speed_rpm:g} r/min")
            waited_s += self._elapsed(frame)
            unreached = self._unreached(frame)
            if unreached is None and waited_s >= START_SECONDS_A_RAMP:
                return
            if unreached is not None and waited_s > LONGEST_REACH_S:
                raise CannotGoOn(unreached)

    def _back(self, time_s: float, course: InStep) -> Play:
        """After a hold: the set-points have come back by the bench's slopes, or do so now; then the shaft has to.

        In a critical band course time does not stand: the shaft waits beside it.
        """
        around = self._around
        speed_rpm = outside(around.bands, speed_rpm=course.speed.at(time_s).value, top_rpm=around.speed_limit_rpm)
        self._set(speed_rpm, course.torque.at(time_s).value)
        by_rpm, by_nm = self._slopes
        yield from self.wait(abs(self._speed_rpm) / by_rpm + abs(self._torque_nm) / by_nm, "back to the course")
        yield from self._reach()

    # along the course

    def follow(self, course: InStep, too_late: Sequence[str]) -> Play:
        """Play the course to its end, or to a condition that is too late and ends the test with a deviation.

        Each stretch in which time runs on is a point of its own, which says at which second of the course it begins
        and in which repetition. `too_late` says of each condition of the round in order what becomes of it.
        Raises `CannotGoOn` for one that ends the run, and where the shaft has not followed for a while: a rotor that is
        blocked would else be driven to the end.
        """
        time_s, end_s, waits, number, notes = 0.0, course.speed.moving_s, 0, -1, ()
        unfollowed_s = 0.0
        point: Point | None = None
        while True:
            wait = course.speed.wait(waits)
            until_s = end_s if wait is None else wait.at_s
            while time_s < until_s:
                repetition = min(int(time_s / course.speed.round_s), course.speed.repeated - 1)
                if point is None or point.asked["repetition"] != repetition + 1:
                    number += 1
                    asked = {"repetition": repetition + 1, "course_s": time_s}
                    point = Point(number=number, direction="", asked=asked)
                self._set(course.speed.at(time_s).value, course.torque.at(time_s).value)
                frame = yield self._move(self._where(time_s, course), point=point, notes=notes)
                notes = ()
                dt_s = self._elapsed(frame)
                if dt_s == 0.0:
                    point, unfollowed_s = None, 0.0
                    yield from self._back(time_s, course)
                    continue
                wrong = self._unreached(frame) or self._stands(frame)
                unfollowed_s = unfollowed_s + dt_s if wrong else 0.0
                if wrong and unfollowed_s > LONGEST_REACH_S:
                    raise CannotGoOn(wrong)
                time_s = min(time_s + dt_s, until_s)
            if wait is None:
                self._set(course.speed.at(end_s).value, course.torque.at(end_s).value)
                self._elapsed((yield self._move("at the course's end", point=point)))
                return
            held_nm = course.torque.wait(waits)
            self._set(wait.value, wait.value if held_nm is None else held_nm.value)
            point = None
            deviation = yield from self._await(wait, too_late[waits % len(too_late)])
            if deviation:
                self._elapsed((yield self._move("a condition came too late", notes=(deviation,))))
                return
            waits += 1

    def _where(self, time_s: float, course: InStep) -> str:
        rounds = course.speed.repeated
        inside_s = math.fmod(time_s, course.speed.round_s)
        told = f"second {inside_s:.0f} of {course.speed.round_s:.0f}"
        return told if rounds == 1 else f"repetition {int(time_s / course.speed.round_s) + 1} of {rounds}, {told}"

    def _await(self, wait: Wait, too_late: str) -> Generator[Move | Ask, Frame, str]:
        """Hold the course's value until the condition is met; a sentence where it came too late and that is all."""
        condition = wait.condition
        if isinstance(condition, Ask):
            yield from self._question(condition)
            return ""
        seen = Seen(condition)
        doing = f"waiting for {condition.channel}"
        while True:
            frame = yield self._move(doing)
            if self._elapsed(frame) == 0.0 and seen.begun:  # held meanwhile: its patience begins anew
                seen = Seen(condition)
                continue
            match seen.look(frame):
                case Standing.MET:
                    return ""
                case Standing.TOO_LATE:
                    sentence = lateness(condition)
                    if too_late == END_TEST:
                        return f"{sentence}; the test ended there."
                    raise CannotGoOn(f"{sentence}: the duty cycle cannot go on.")
                case Standing.OPEN:
                    pass

    def _question(self, ask: Ask) -> Play:
        """The operator's word. Where the machines rest meanwhile they are led back to the course afterwards."""
        speed_rpm, torque_nm = self._speed_rpm, self._torque_nm
        frame = yield ask
        self._elapsed(frame)
        if ask.meanwhile is Meanwhile.REST:
            self._set(0.0, 0.0)
            if self._machines.voltage_v is None:  # the link rested too
                self._voltage_v = 0.0
                yield from self.ramp_voltage(self._machines.supply_voltage_v)
            yield from self._lead(speed_rpm, torque_nm, "back to the course")
            yield from self._reach()
