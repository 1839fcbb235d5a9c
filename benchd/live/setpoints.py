"""Set-points: what each role shall do now, moved no faster than the bench's slopes and clamped to the run's limits.

The last stage before a device. It must never pass on a number that is not finite or beyond a clamp.
"""

import math
from collections.abc import Mapping

from benchd.live.plan import RunPlan
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage
from benchd.rules.ramps import Slopes, clamped, towards

FOLLOWED: Mapping[Role, tuple[type[Target], ...]] = {Role.SUPPLY: (Voltage,), Role.LOAD_DRIVE: (Torque, Speed)}
RESTING: Mapping[Role, Target] = {Role.SUPPLY: Voltage(0.0, 0.0), Role.LOAD_DRIVE: Torque(0.0, 0.0)}


class SetPoints:
    """The targets asked for and the set-points on the way to them, by role.

    Nothing leaves while closed: `due` then gives nothing. `advance` is called once a tick, `due` by whoever polls the
    role's device; a set-point is due when it differs from the one last confirmed.
    """

    def __init__(self, slopes: Slopes) -> None:
        self._slopes = slopes
        self._plan: RunPlan | None = None
        self._targets: dict[Role, Target] = dict(RESTING)
        self._now: dict[Role, Target] = dict(RESTING)
        self._confirmed: dict[Role, Target] = {}

    def open(self, plan: RunPlan) -> None:
        """Let set-points through, starting from rest."""
        self._plan = plan
        self._targets, self._now = dict(RESTING), dict(RESTING)
        self._confirmed.clear()

    def close(self) -> None:
        """Let nothing through any more; whoever stops a device speaks to it directly."""
        self._plan = None

    @property
    def is_open(self) -> bool:
        """Whether set-points are let through."""
        return self._plan is not None

    @property
    def targets(self) -> Mapping[Role, Target]:
        """What was last asked for."""
        return dict(self._targets)

    @property
    def arrived(self) -> bool:
        """Whether every set-point has reached its target or its clamp, or nothing is let through."""
        plan = self._plan
        if plan is None:
            return True
        return all(
            self._moved(self._now[role], target, dt_s=1e9, plan=plan) == self._now[role]
            for role, target in self._targets.items()
        )

    def now(self, role: Role) -> Target:
        """The set-point on its way to the target."""
        return self._now[role]

    def ask(self, targets: Mapping[Role, Target]) -> None:
        """Ask for these targets; nothing changes when one of them cannot be asked for.

        Raises `ValueError` for a number that is not finite, and for a role that is absent or follows something else.
        """
        for role, target in targets.items():
            if type(target) not in FOLLOWED.get(role, ()):
                raise ValueError(f"The target {target} cannot be followed by {role.value} of this bench.")
            if not all(math.isfinite(number) for number in _numbers(target)):
                raise ValueError(f"The target {target} for {role.value} is not finite and was not passed on.")
        self._targets.update(targets)

    def advance(self, dt_s: float) -> None:
        """Move every set-point towards its target."""
        if self._plan is not None:
            for role, target in self._targets.items():
                self._now[role] = self._moved(self._now[role], target, dt_s=dt_s, plan=self._plan)

    def due(self, role: Role) -> Target | None:
        """The set-point to send now, or None."""
        if self._plan is None or self._confirmed.get(role) == self._now[role]:
            return None
        return self._now[role]

    def confirmed(self, role: Role, target: Target) -> None:
        """The device has taken this set-point and shown it by read-back."""
        self._confirmed[role] = target

    def _moved(self, now: Target, target: Target, *, dt_s: float, plan: RunPlan) -> Target:
        match target:
            case Voltage(voltage_v=voltage_v, current_limit_a=current_a):
                from_v = now.voltage_v if isinstance(now, Voltage) else 0.0
                wanted_v = max(0.0, min(voltage_v, plan.voltage_limit_v))
                return Voltage(
                    towards(from_v, wanted_v, slope_per_s=self._slopes.voltage_v_per_s, dt_s=dt_s),
                    max(0.0, min(current_a, plan.current_limit_a)),
                )
            case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
                from_nm = now.torque_nm if isinstance(now, Torque) else 0.0
                return Torque(
                    towards(
                        from_nm,
                        clamped(torque_nm, plan.torque_limit_nm),
                        slope_per_s=self._slopes.torque_nm_per_s,
                        dt_s=dt_s,
                    ),
                    clamped(speed_rpm, plan.speed_limit_rpm),
                )
            case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
                from_rpm = now.speed_rpm if isinstance(now, Speed) else 0.0
                return Speed(
                    towards(
                        from_rpm,
                        clamped(speed_rpm, plan.speed_limit_rpm),
                        slope_per_s=self._slopes.speed_rpm_per_s,
                        dt_s=dt_s,
                    ),
                    clamped(torque_nm, plan.torque_limit_nm),
                )


def _numbers(target: Target) -> tuple[float, float]:
    match target:
        case Voltage(voltage_v=one, current_limit_a=other):
            return one, other
        case Torque(torque_nm=one, speed_limit_rpm=other):
            return one, other
        case Speed(speed_rpm=one, torque_limit_nm=other):
            return one, other
