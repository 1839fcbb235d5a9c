"""Outer loops: trims set-points until the channels that a test asked for show what they shall. It bounds every trim.

It runs within the tick, after the set-points have moved, and never waits. Where nothing is seen, or nobody asks for a
regulated channel, no trim grows: it stays, or fades by the bench's own slopes.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.contract import DriveReading, SupplyReading
from benchd.live.plan import PortRef, RunPlan
from benchd.live.rack import Rack
from benchd.live.targets import drive_bounds
from benchd.rules.channels import Quality
from benchd.rules.expected import Expected
from benchd.rules.frames import Frame
from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Regulated, Role, Speed, Target, Torque, Voltage
from benchd.rules.profiles import Moving, advanced
from benchd.rules.ramps import towards
from benchd.rules.regulator import Sight, State, started, step
from benchd.rules.regulator_gains import Bounds
from benchd.rules.regulator_tuning import Plant
from benchd.rules.terminal_voltage import believed_v, correction_bounds_v

SPEED, TERMINALS, CURRENT = "shaft_speed", "dc_voltage", "dc_current"
# A set-point of this kind is in the unit of this channel: what is on its way is what the channel shall show.
ITSELF = {Driven.TORQUE: "shaft_torque", Driven.SPEED: SPEED, Driven.VOLTAGE: TERMINALS}
SHAPED = 8.0
_RAD_S_PER_RPM = math.pi / 30.0


@dataclass(slots=True)
class _Running:
    """One loop at work."""

    loop: Loop
    state: State
    expected: Expected
    moving: Moving | None  # the set-point on its way, where it is one of the channel itself
    stepped_mono_s: float
    taken_mono_s: float
    told: bool = False


class Regulation:
    """The loops of the present run. `look` is called once a tick, also when nothing is regulated."""

    def __init__(self, rack: Rack, plan: RunPlan) -> None:
        self._rack = rack
        self._standstill_rpm = rack.plan.stopping.standstill_rpm
        self._plan = plan
        self._running: dict[Role, _Running] = {}
        self._was: dict[Role, Target] = {}  # the set-points at the last tick, without their trims

    def look(self, frame: Frame, regulated: Mapping[Role, Regulated], *, dt_s: float) -> None:
        """One tick: step the loop of every regulated role, let the trims of the others fade."""
        plan, setpoints = self._plan, self._rack.setpoints
        if not plan.loops:
            return
        if not setpoints.is_open:
            self._running.clear()
            return
        for role in setpoints.targets:
            asked = regulated.get(role)
            loop = None if asked is None else self._loop_for(plan.loops, role, asked.channel)
            if loop is None or asked is None or not self._may_work(loop, asked, frame):
                self._running.pop(role, None)
                self._fade(role, dt_s=dt_s)
            else:
                self._step(loop, asked, frame, dt_s=dt_s)
        self._was = {role: setpoints.now(role) for role in setpoints.targets}

    def _loop_for(self, loops: Sequence[Loop], role: Role, channel: str) -> Loop | None:
        target = self._rack.setpoints.now(role)
        return next(
            (one for one in loops if one.role is role and one.channel == channel and one.driven.is_of(target)), None
        )

    def _may_work(self, loop: Loop, asked: Regulated, frame: Frame) -> bool:
        """A shaft at rest shows the torque that its bearings hold: no trim may push against it until it breaks away."""
        if loop.channel == TERMINALS:
            return True
        turning_rpm = asked.value if loop.channel == SPEED else frame.value(SPEED)
        unknown = math.isnan(turning_rpm) and loop.role in self._running
        return unknown or abs(turning_rpm) > self._standstill_rpm

    def _fade(self, role: Role, *, dt_s: float) -> None:
        """What goes out comes to the set-point by the bench's slope, also while that is on its way itself."""
        setpoints = self._rack.setpoints
        trim, now, was = setpoints.trim(role), setpoints.now(role), self._was.get(role)
        if trim == 0.0:
            return
        moved = _number(now) - _number(was) if was is not None and type(now) is type(was) else 0.0
        slope = max(setpoints.slope_per_s(role), abs(moved) / dt_s)  # a critical band is crossed by a steeper one
        setpoints.set_trim(role, towards(trim - moved, 0.0, slope_per_s=slope, dt_s=dt_s))

    def _step(self, loop: Loop, asked: Regulated, frame: Frame, *, dt_s: float) -> None:
        now_s = frame.time_mono_s
        target = self._rack.setpoints.now(loop.role)
        itself = ITSELF[loop.driven] == loop.channel
        wanted = _number(target) if itself else asked.value
        sample = frame.samples.get(loop.channel)
        seen = self._seen(loop, frame)
        running = self._running.get(loop.role)
        if running is None or running.loop is not loop:  # what another one remembers is in other units
            if seen is not None and sample is not None:
                self._running[loop.role] = self._begun(
                    loop, seen, wanted if itself else None, sample.taken_mono_s, now_s
                )
            return
        if running.moving is not None:
            running.moving = advanced(
                running.moving, wanted, rate_per_s=math.inf, acceleration_per_s2=self._most(loop), dt_s=dt_s
            )
        running.expected.ask(wanted if running.moving is None else running.moving.value, time_s=now_s)
        if seen is None or sample is None or sample.taken_mono_s != running.taken_mono_s:  # a value counts once
            shall = running.expected.at(now_s if sample is None else sample.taken_mono_s)
            if seen is not None and sample is not None:
                running.taken_mono_s = sample.taken_mono_s
                seen = shall if abs(shall - seen) <= loop.dead_band else seen
            running.state = step(
                loop.regulator,
                running.state,
                dt_s=now_s - running.stepped_mono_s,
                set_point=shall,
                measured=seen,
                speed_rad_s=_speed_rad_s(frame),
                within=self._within(loop, target, frame),
            )
            running.stepped_mono_s = now_s
            self._tell(loop, running)
        on_its_way = 0.0 if running.moving is None else running.moving.value - wanted
        self._rack.setpoints.set_trim(loop.role, running.state.output + on_its_way)

    def _begun(self, loop: Loop, seen: float, itself: float | None, taken_mono_s: float, now_s: float) -> _Running:
        """At work without a bump: it begins with the trim and the set-point that are in force."""
        expected = Expected(self._as_asked(loop), seen, time_s=now_s)
        if itself is not None:
            expected.ask(itself, time_s=now_s)
        return _Running(
            loop=loop,
            state=started(loop.regulator, output=self._rack.setpoints.trim(loop.role), measured=seen),
            expected=expected,
            moving=None if itself is None else Moving(itself),
            stepped_mono_s=now_s,
            taken_mono_s=taken_mono_s,
        )

    def _as_asked(self, loop: Loop) -> Plant:
        """The plant as a set-point meets it that moves: its device takes it from poll to poll, half of one late.

        The plant was identified with steps. On the simulated pump a step of half the rated torque overshoots by 2 %
        with this half poll and by 10 % without it: what is late and not known here goes into the integral.
        """
        plan = self._rack.plan
        poll_hz = plan.devices[plan.roles[loop.role].device].poll_hz
        return replace(loop.plant, dead_s=loop.plant.dead_s + 0.5 / poll_hz)

    def _most(self, loop: Loop) -> float:
        """How suddenly the set-point may go: as far as the run lets it within `SHAPED` times what is late.

        A step so excites less of what the identified plant does not have in it; a ramp of the bench is hardly later.
        """
        bound_nm, bound_rpm = drive_bounds(loop.role, self._plan)
        most = {Driven.TORQUE: bound_nm, Driven.SPEED: bound_rpm, Driven.VOLTAGE: self._plan.voltage_limit_v}
        plant = self._as_asked(loop)
        return 4.0 * most[loop.driven] / (SHAPED * (plant.lag_s + plant.late_s)) ** 2

    def _seen(self, loop: Loop, frame: Frame) -> float | None:
        """The channel's value where it may be believed."""
        sample = frame.samples.get(loop.channel)
        if sample is None or sample.quality is not Quality.GOOD:
            return None
        if loop.channel != TERMINALS:
            return sample.value
        supply = self._rack.latest(self._rack.plan.supply, SupplyReading)
        if self._plan.sense is None or supply is None:
            return None
        return believed_v(self._plan.sense, sample.value, output_v=supply.voltage_v, current_a=frame.value(CURRENT))

    def _within(self, loop: Loop, target: Target, frame: Frame) -> Bounds:
        """How far a trim may go so that no clamp cuts it off, and no sense lead that fell off drives the supply up."""
        plan = self._plan
        if isinstance(target, Voltage):
            high_v = plan.voltage_limit_v
            if loop.channel == TERMINALS:
                if plan.sense is None:
                    return Bounds(low=0.0, high=0.0)
                return correction_bounds_v(plan.sense, current_a=frame.value(CURRENT)).narrowed(
                    Bounds(low=0.0, high=max(0.0, high_v - target.voltage_v))
                )
            return Bounds(low=-target.voltage_v, high=max(0.0, high_v - target.voltage_v))
        bound_nm, bound_rpm = drive_bounds(loop.role, plan)
        bound = bound_nm if isinstance(target, Torque) else bound_rpm
        at = _number(target)
        return Bounds(low=min(0.0, -bound - at), high=max(0.0, bound - at))

    def _tell(self, loop: Loop, running: _Running) -> None:
        lost = running.state.sight is Sight.LOST
        if lost and not running.told:
            self._rack.on_event(
                "regulation_blind",
                role=loop.role.value,
                channel=loop.channel,
                sentence=f"{loop.channel} has not been seen for {running.state.unseen_s:.2g} s: the set-point of "
                f"{loop.role.value} stays as it was trimmed last.",
            )
        running.told = lost


def seen_of(rack: Rack, role: Role, kind: type[Target]) -> float:
    """Where a drive's set-point of another kind begins, so that the shaft feels nothing: its own speed or torque now.

    0 where it has told nothing yet, or hardly turns.
    """
    ref: PortRef | None = rack.plan.roles.get(role)
    reading = None if ref is None else rack.latest(ref, DriveReading)
    if reading is None:
        return 0.0
    value = reading.speed_rpm if kind is Speed else reading.torque_nm
    turns = abs(reading.speed_rpm) > rack.plan.stopping.standstill_rpm
    return value if turns and math.isfinite(value) else 0.0


def _number(target: Target) -> float:
    match target:
        case Torque(torque_nm=number) | Speed(speed_rpm=number) | Voltage(voltage_v=number):
            return number
        case _:
            return 0.0


def _speed_rad_s(frame: Frame) -> float:
    speed_rpm = frame.value(SPEED)
    return speed_rpm * _RAD_S_PER_RPM if math.isfinite(speed_rpm) else 0.0
