"""Outer loops: trims set-points until the channels that a test asked for show what they shall. It bounds every trim.

It runs within the tick, after the set-points have moved, and never waits. Where nothing is seen, or nobody asks for a
regulated channel, no trim grows: it stays, or fades by the bench's own slopes.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchd.contract import DriveReading, SupplyReading
from benchd.live.plan import PortRef, RunPlan
from benchd.live.rack import Rack
from benchd.live.targets import drive_bounds
from benchd.rules.channels import Quality
from benchd.rules.expected import Expected
from benchd.rules.frames import Frame
from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Regulated, Role, Speed, Target, Torque, Voltage
from benchd.rules.ramps import towards
from benchd.rules.regulator import Sight, State, started, step
from benchd.rules.regulator_gains import Bounds
from benchd.rules.terminal_voltage import believed_v, correction_bounds_v

SPEED, TERMINALS, CURRENT = "shaft_speed", "dc_voltage", "dc_current"
# A set-point of this kind is in the unit of this channel: what is on its way is what the channel shall show.
ITSELF = {Driven.TORQUE: "shaft_torque", Driven.SPEED: SPEED, Driven.VOLTAGE: TERMINALS}
_RAD_S_PER_RPM = math.pi / 30.0


@dataclass(slots=True)
class _Running:
    """One loop at work."""

    state: State
    expected: Expected
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
                self._step(loop, asked, frame, plan)

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
        setpoints = self._rack.setpoints
        trim = setpoints.trim(role)
        if trim != 0.0:
            setpoints.set_trim(role, towards(trim, 0.0, slope_per_s=setpoints.slope_per_s(role), dt_s=dt_s))

    def _step(self, loop: Loop, asked: Regulated, frame: Frame, plan: RunPlan) -> None:
        setpoints, role, now_s = self._rack.setpoints, loop.role, frame.time_mono_s
        target = setpoints.now(role)
        wanted = _number(target) if ITSELF[loop.driven] == loop.channel else asked.value
        sample = frame.samples.get(loop.channel)
        seen = self._seen(loop, frame, plan)
        running = self._running.get(role)
        if running is None:
            if seen is None or sample is None:
                return
            begun = started(loop.regulator, output=setpoints.trim(role), measured=seen)
            running = self._running[role] = _Running(
                state=begun,
                expected=Expected(loop.plant, seen, time_s=now_s),
                stepped_mono_s=now_s,
                taken_mono_s=sample.taken_mono_s,
            )
            running.expected.ask(wanted, time_s=now_s)
            return
        running.expected.ask(wanted, time_s=now_s)
        if seen is not None and sample is not None:
            if sample.taken_mono_s == running.taken_mono_s:
                return  # a value counts once
            running.taken_mono_s = sample.taken_mono_s
        shall = running.expected.at(now_s if sample is None else sample.taken_mono_s)
        if seen is not None and abs(shall - seen) <= loop.dead_band:
            seen = shall
        running.state = step(
            loop.regulator,
            running.state,
            dt_s=now_s - running.stepped_mono_s,
            set_point=shall,
            measured=seen,
            speed_rad_s=_speed_rad_s(frame),
            within=self._within(loop, target, frame, plan),
        )
        running.stepped_mono_s = now_s
        setpoints.set_trim(role, running.state.output)
        self._tell(loop, running)

    def _seen(self, loop: Loop, frame: Frame, plan: RunPlan) -> float | None:
        """The channel's value where it may be believed."""
        sample = frame.samples.get(loop.channel)
        if sample is None or sample.quality is not Quality.GOOD:
            return None
        if loop.channel != TERMINALS:
            return sample.value
        supply = self._rack.latest(self._rack.plan.supply, SupplyReading)
        if plan.sense is None or supply is None:
            return None
        return believed_v(plan.sense, sample.value, output_v=supply.voltage_v, current_a=frame.value(CURRENT))

    @staticmethod
    def _within(loop: Loop, target: Target, frame: Frame, plan: RunPlan) -> Bounds:
        """How far a trim may go so that no clamp cuts it off, and no sense lead that fell off drives the supply up."""
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

    0 where it has not told for a moment, or hardly turns.
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
