"""Set-points: what each role shall do now, moved no faster than the bench's slopes and clamped to the run's limits.

The last stage before a device. It must never pass on a number that is not finite or beyond a clamp.
"""

import math
from collections.abc import Collection, Mapping

from benchd.live.plan import RunPlan
from benchd.live.targets import FOLLOWED, RESTING, drive_bounds, numbers, stepped
from benchd.rules.moves import Role, Target
from benchd.rules.ramps import Slopes

STEP_BY_STEP = frozenset({Role.RESISTANCE_METER})  # each step must have been taken before the next one is asked for


class SetPoints:
    """The targets asked for and the set-points on the way to them, by role.

    Nothing leaves while closed: `due` then gives nothing, as it does for roles that `open` did not name. `advance` is
    called once a tick, `due` by whoever polls the role's device; a set-point is due when it differs from the one last
    confirmed.
    """

    def __init__(self, slopes: Slopes, *, roles: Collection[Role] = frozenset({Role.SUPPLY, Role.LOAD_DRIVE})) -> None:
        self._slopes = slopes
        self._energising = frozenset(roles) - {Role.RESISTANCE_METER}
        self._served = self._energising
        self._plan: RunPlan | None = None
        self._speed_bound_rpm: dict[Role, float] = {}
        self._targets: dict[Role, Target] = dict(RESTING)
        self._now: dict[Role, Target] = dict(RESTING)
        self._confirmed: dict[Role, Target] = {}

    def expect(self, plan: RunPlan) -> None:
        """A run is being started: its bounds count for whoever stops it before set-points are let through."""
        self._speed_bound_rpm = {role: drive_bounds(role, plan)[1] for role in RESTING}

    def open(self, plan: RunPlan, *, roles: Collection[Role] | None = None) -> None:
        """Let set-points of these roles through, starting from rest; left out, those that turn the shaft."""
        self.expect(plan)
        self._plan = plan
        self._served = self._energising if roles is None else frozenset(roles)
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
        """What was last asked for, of the roles that are let through."""
        return {role: target for role, target in self._targets.items() if role in self._served}

    @property
    def arrived(self) -> bool:
        """Whether every set-point has reached its target or its clamp, or nothing is let through."""
        plan = self._plan
        if plan is None:
            return True
        return all(
            self._stepped(role, target, dt_s=1e9, plan=plan) == self._now[role] for role, target in self.targets.items()
        )

    @property
    def taken(self) -> bool:
        """Whether every set-point has arrived and was confirmed by its device, or nothing is let through."""
        return self.arrived and all(self.due(role) is None for role in self._served)

    def speed_bound_rpm(self, role: Role) -> float:
        """The greatest speed that the run lets this drive be asked for, also before opening and after closing."""
        return self._speed_bound_rpm.get(role, 0.0)

    def now(self, role: Role) -> Target:
        """The set-point on its way to the target."""
        return self._now[role]

    def ask(self, targets: Mapping[Role, Target]) -> None:
        """Ask for these targets; nothing changes when one of them cannot be asked for.

        Raises `ValueError` for a number that is not finite, and for a role that is absent, not let through now or
        follows something else.
        """
        for role, target in targets.items():
            if role not in self._served or type(target) not in FOLLOWED[role]:
                raise ValueError(f"The target {target} cannot be followed by {role.value} of this bench now.")
            if not all(math.isfinite(number) for number in numbers(target)):
                raise ValueError(f"The target {target} for {role.value} is not finite and was not passed on.")
        self._targets.update(targets)

    def advance(self, dt_s: float) -> None:
        """Move every set-point towards its target."""
        if self._plan is None:
            return
        for role, target in self._targets.items():
            if role in STEP_BY_STEP and self.due(role) is not None:
                continue
            self._now[role] = self._stepped(role, target, dt_s=dt_s, plan=self._plan)

    def due(self, role: Role) -> Target | None:
        """The set-point to send now, or None."""
        if self._plan is None or role not in self._served or self._confirmed.get(role) == self._now[role]:
            return None
        return self._now[role]

    def confirmed(self, role: Role, target: Target) -> None:
        """The device has taken this set-point and shown it by read-back."""
        self._confirmed[role] = target

    def last_confirmed(self, role: Role) -> Target | None:
        """What the device has taken last since opening; None when nothing."""
        return self._confirmed.get(role)

    def _stepped(self, role: Role, target: Target, *, dt_s: float, plan: RunPlan) -> Target:
        return stepped(role, self._now[role], target, dt_s=dt_s, slopes=self._slopes, plan=plan)
