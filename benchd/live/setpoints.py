"""Set-points: what each role shall do now, moved no faster than the bench's slopes and clamped to the run's limits.

The last stage before a device. It must never pass on a number that is not finite or beyond a clamp.
"""

import math
from collections.abc import Callable, Collection, Mapping

from benchd.live.plan import RunPlan
from benchd.live.targets import FOLLOWED, RESTING, drive_bounds, numbers, slope_per_s, stepped, trimmed
from benchd.rules.moves import Role, Target
from benchd.rules.ramps import Slopes

STEP_BY_STEP = frozenset({Role.RESISTANCE_METER})  # each step must have been taken before the next one is asked for


class SetPoints:
    """The targets asked for and the set-points on the way to them, by role.

    Nothing leaves while closed: `due` then gives nothing, as it does for roles that `open` did not name. `advance` is
    called once a tick, `due` by whoever polls the role's device; a set-point is due when it differs from the one last
    confirmed. What goes out is the set-point with its trim, clamped like any.

    `seen` gives the speed or torque that a drive makes now: where it changes from one kind of target to the other, the
    new set-point begins there.
    """

    def __init__(
        self,
        slopes: Slopes,
        *,
        roles: Collection[Role] = frozenset({Role.SUPPLY, Role.LOAD_DRIVE}),
        seen: Callable[[Role, type[Target]], float] = lambda _role, _kind: 0.0,
    ) -> None:
        self._slopes = slopes
        self._seen = seen
        self._energising = frozenset(roles) - {Role.RESISTANCE_METER}
        self._served = self._energising
        self._plan: RunPlan | None = None
        self._speed_bound_rpm: dict[Role, float] = {}
        self._targets: dict[Role, Target] = dict(RESTING)
        self._now: dict[Role, Target] = dict(RESTING)
        self._confirmed: dict[Role, Target] = {}
        self._trims: dict[Role, float] = {}

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
        self._trims.clear()

    def close(self) -> None:
        """Let nothing through any more; whoever stops a device speaks to it directly."""
        self._plan = None
        self._trims.clear()

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
        """The set-point on its way to the target, without its trim."""
        return self._now[role]

    def trim(self, role: Role) -> float:
        """What is added to a role's set-point just now, in the set-point's unit."""
        return self._trims.get(role, 0.0)

    def set_trim(self, role: Role, trim: float) -> None:
        """Add this to the role's set-point from now on; a number that is not finite changes nothing."""
        if math.isfinite(trim):
            self._trims[role] = trim

    def slope_per_s(self, role: Role) -> float:
        """How fast the bench lets the role's present kind of set-point move."""
        return slope_per_s(self._now[role], self._slopes)

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
            if type(target) is not type(self._now[role]):
                self._trims.pop(role, None)
            self._now[role] = self._stepped(role, target, dt_s=dt_s, plan=self._plan)

    def due(self, role: Role) -> Target | None:
        """The set-point to send now, or None."""
        if self._plan is None or role not in self._served:
            return None
        goes_out = trimmed(role, self._now[role], self.trim(role), plan=self._plan)
        return None if self._confirmed.get(role) == goes_out else goes_out

    def confirmed(self, role: Role, target: Target) -> None:
        """The device has taken this set-point and shown it by read-back."""
        self._confirmed[role] = target

    def last_confirmed(self, role: Role) -> Target | None:
        """What the device has taken last since opening; None when nothing."""
        return self._confirmed.get(role)

    def _stepped(self, role: Role, target: Target, *, dt_s: float, plan: RunPlan) -> Target:
        now = self._now[role]
        begins = 0.0 if type(now) is type(target) else self._seen(role, type(target))
        return stepped(role, now, target, dt_s=dt_s, slopes=self._slopes, plan=plan, begins=begins)
