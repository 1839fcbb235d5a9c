"""What can be said of a target by its kind: its numbers, itself at zero, one step on the way to it. Pure.

No step may be beyond a clamp of the run or faster than a slope of the bench, which within a critical band is another.
"""

import math
from collections.abc import Mapping

from benchd.live.plan import RunPlan
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage, Winding
from benchd.rules.ramps import Slopes, clamped, towards
from benchd.rules.resonance import crossing

FOLLOWED: Mapping[Role, tuple[type[Target], ...]] = {
    Role.SUPPLY: (Voltage,),
    Role.MOTOR_DRIVE: (Torque, Speed),
    Role.LOAD_DRIVE: (Torque, Speed),
    Role.RESISTANCE_METER: (Winding,),
}
RESTING: Mapping[Role, Target] = {
    Role.SUPPLY: Voltage(0.0, 0.0),
    Role.MOTOR_DRIVE: Torque(0.0, 0.0),
    Role.LOAD_DRIVE: Torque(0.0, 0.0),
    Role.RESISTANCE_METER: Winding(0, 0.0),
}


def numbers(target: Target) -> tuple[float, ...]:
    """Every number that it carries."""
    match target:
        case Voltage(voltage_v=one, current_limit_a=other):
            return one, other
        case Torque(torque_nm=one, speed_limit_rpm=other):
            return one, other
        case Speed(speed_rpm=one, torque_limit_nm=other):
            return one, other
        case Winding(pair=pair, current_a=current_a):
            return float(pair), current_a


def at_zero(target: Target) -> Target:
    """The same kind of target at zero, with its bound: how a set-point is ramped down."""
    match target:
        case Voltage(current_limit_a=current_a):
            return Voltage(0.0, current_a)
        case Torque(speed_limit_rpm=speed_rpm):
            return Torque(0.0, speed_rpm)
        case Speed(torque_limit_nm=torque_nm):
            return Speed(0.0, torque_nm)
        case Winding():
            return Winding(0, 0.0)


def zero_within_s(target: Target, slopes: Slopes) -> float:
    """How long the slopes need to bring it to zero."""
    match target:
        case Voltage(voltage_v=amount):
            return abs(amount) / slopes.voltage_v_per_s
        case Torque(torque_nm=amount):
            return abs(amount) / slopes.torque_nm_per_s
        case Speed(speed_rpm=amount):
            return abs(amount) / slopes.speed_rpm_per_s
        case Winding():
            return 0.0


def torque_bound_nm(target: Target) -> float:
    """The greatest torque that a drive with this target may be making; 0 for what makes none."""
    match target:
        case Torque(torque_nm=torque_nm):
            return abs(torque_nm)
        case Speed(torque_limit_nm=torque_nm):
            return torque_nm
        case Voltage() | Winding():
            return 0.0


def drive_bounds(role: Role, plan: RunPlan) -> tuple[float, float]:
    """The greatest torque and speed that a run lets this drive be asked for, N·m and r/min."""
    if role is Role.MOTOR_DRIVE:
        return plan.motor_torque_limit_nm, plan.motor_speed_limit_rpm
    return plan.torque_limit_nm, plan.speed_limit_rpm


def slope_per_s(target: Target, slopes: Slopes) -> float:
    """How fast the bench lets a target of this kind move, in its unit a second; a winding's current steps."""
    match target:
        case Voltage():
            return slopes.voltage_v_per_s
        case Torque():
            return slopes.torque_nm_per_s
        case Speed():
            return slopes.speed_rpm_per_s
        case Winding():
            return math.inf


def trimmed(role: Role, now: Target, trim: float, *, plan: RunPlan) -> Target:
    """The set-point with its trim, within the run's clamps. Nothing is added to a supply at 0 V or to a winding."""
    if trim == 0.0:
        return now
    bound_nm, bound_rpm = drive_bounds(role, plan)
    match now:
        case Voltage(voltage_v=voltage_v, current_limit_a=current_a) if voltage_v > 0.0:
            return Voltage(max(0.0, min(voltage_v + trim, plan.voltage_limit_v)), current_a)
        case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
            return Torque(clamped(torque_nm + trim, bound_nm), speed_rpm)
        case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
            return Speed(clamped(speed_rpm + trim, bound_rpm), torque_nm)
        case _:
            return now


def stepped(
    role: Role, now: Target, target: Target, *, dt_s: float, slopes: Slopes, plan: RunPlan, begins: float = 0.0
) -> Target:
    """The set-point `dt_s` later, moved towards the target and clamped.

    A drive that changes from torque to speed or back begins at `begins`. A winding's current goes through zero before
    another pair is connected, and the pair is connected without current: a step each.
    """
    bound_nm, bound_rpm = drive_bounds(role, plan)
    match target:
        case Voltage(voltage_v=voltage_v, current_limit_a=current_a):
            from_v = now.voltage_v if isinstance(now, Voltage) else 0.0
            wanted_v = max(0.0, min(voltage_v, plan.voltage_limit_v))
            return Voltage(
                towards(from_v, wanted_v, slope_per_s=slopes.voltage_v_per_s, dt_s=dt_s),
                max(0.0, min(current_a, plan.current_limit_a)),
            )
        case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
            from_nm = now.torque_nm if isinstance(now, Torque) else clamped(begins, bound_nm)
            wanted_nm = clamped(torque_nm, bound_nm)
            return Torque(
                towards(from_nm, wanted_nm, slope_per_s=slopes.torque_nm_per_s, dt_s=dt_s),
                clamped(speed_rpm, bound_rpm),
            )
        case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
            from_rpm = now.speed_rpm if isinstance(now, Speed) else clamped(begins, bound_rpm)
            wanted_rpm = clamped(speed_rpm, bound_rpm)
            return Speed(
                crossing(
                    plan.bands,
                    from_rpm=from_rpm,
                    to_rpm=wanted_rpm,
                    slope_rpm_per_s=slopes.speed_rpm_per_s,
                    crossing_rpm_per_s=slopes.crossing_rpm_per_s,
                    dt_s=dt_s,
                ),
                clamped(torque_nm, bound_nm),
            )
        case Winding(pair=pair, current_a=current_a):
            was = now if isinstance(now, Winding) else Winding(0, 0.0)
            if was.pair == pair:
                return Winding(pair, clamped(current_a, plan.winding_current_limit_a) if pair else 0.0)
            return Winding(was.pair if was.current_a != 0.0 else pair, 0.0)
