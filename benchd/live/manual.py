"""A run whose one test is fed by hand: orders come to a desk, and what they ask for goes to the set-points.

Limits, start, stop and record are those of every run. It speaks to no device, and goes on for nobody: without an order
or a sign of life it says why the run must end.
"""

import asyncio
import math
from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass

from benchd.live.plan import BenchPlan, RunPlan
from benchd.live.targets import at_zero, drive_bounds
from benchd.rules.by_hand import (
    NAMES,
    UNITS,
    End,
    Facts,
    Order,
    Ordered,
    OrderRefused,
    Range,
    SpeedBy,
    What,
    at_rest,
    followed,
    jog_ended,
    tightest,
)
from benchd.rules.frames import Frame
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.moves import Move, Regulated, Role, Speed, Target, Torque, Voltage
from benchd.rules.ramps import towards
from benchd.rules.resonance import beside, crossing

STANDS_AFTER_S = 0.1  # within the standstill speed: a shaft that swings through zero does not stand
LONGEST_GAP_S = 0.1  # between two frames; after a longer one (Held) no set-point is moved for it
ORDERS_AT_ONCE, ORDERS_PER_S = 40.0, 20.0  # more is no hand: each of them is an event
HOLDERS: Mapping[SpeedBy, Role] = {SpeedBy.MOTOR: Role.MOTOR_DRIVE, SpeedBy.LOAD: Role.LOAD_DRIVE}
FOLLOWERS: Mapping[SpeedBy, Role] = {SpeedBy.MOTOR: Role.LOAD_DRIVE, SpeedBy.LOAD: Role.MOTOR_DRIVE}
LIMITED: Mapping[What, str] = {
    What.SPEED: "shaft_speed",
    What.JOG: "shaft_speed",
    What.TORQUE: "shaft_torque",
    What.VOLTAGE: "dc_voltage",
    What.CURRENT: "dc_current",
}
MOVED = (What.SPEED, What.TORQUE, What.VOLTAGE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a manual session goes on without its hand, s."""

    keep_alive_s: float  # without an order or a sign of life the run ends
    jog_alive_s: float  # without a new jog order the shaft comes back to zero


class ManualDesk:
    """Where orders are taken, refused or followed; also the run's one test, as the player wants it.

    `hand` names who may give orders just now (the number of the lease); another one, or None, ends the run. Times are
    the event loop's. Nothing here waits.
    """

    title = "Manual"
    energised = True

    def __init__(self, facts: Facts, plan: RunPlan, patience: Patience, *, standstill_rpm: float) -> None:
        self._facts = facts
        self._plan = plan
        self._patience = patience
        self._standstill_rpm = standstill_rpm
        self.hand: Callable[[], int | None] = lambda: 0
        self._on_event: Callable[..., None] = lambda _name, **_fields: None
        self._clear()

    def _clear(self) -> None:
        self._ordered = at_rest(self._facts)
        self._now = dict.fromkeys(MOVED, 0.0)
        self._open = self._held = self._leaving = self._zeroing = self._holds = self._stands = False
        self._ends = ""
        self._given_to: int | None = None
        self._heard_mono_s = self._jogged_mono_s = self._earned_mono_s = -math.inf
        self._earned = ORDERS_AT_ONCE
        self._frame_mono_s: float | None = None
        self._stood_mono_s = math.inf

    def attach(self, on_event: Callable[..., None]) -> None:
        """A run with this desk begins; what is ordered is told to `on_event`."""
        self._clear()
        self._on_event = on_event
        sentence = "Unit mode Manual: speed, torque and voltage are set by hand, under the limits of every run."
        on_event("unit_mode", mode="manual", sentence=sentence)

    def close(self) -> None:
        """The run ends: no order is taken any more."""
        self._open = False

    # the hand

    @property
    def ordered(self) -> Ordered:
        """What is ordered."""
        return self._ordered

    @property
    def is_open(self) -> bool:
        """Whether orders are taken at all: in Execute, and refused each with its reason in Held."""
        return self._open

    @property
    def is_held(self) -> bool:
        """Whether the bench is held."""
        return self._held

    @property
    def zeroing(self) -> bool:
        """Whether everything is on its way to zero."""
        return self._zeroing

    @property
    def keep_alive_s(self) -> float:
        """Without an order or a sign of life for so long the run ends."""
        return self._patience.keep_alive_s

    def keep(self) -> None:
        """The hand is still there. Raises `OrderRefused` where no order would be taken either."""
        if not self._open:
            raise OrderRefused("No manual session is in Execute: there is nothing to keep up.")
        self._heard_mono_s = _now()

    def take(self, order: Order, *, by: str) -> None:
        """Follow an order. Raises `OrderRefused` in one sentence; nothing has changed then."""
        if not self._open:
            raise OrderRefused("Orders are followed in Execute of a manual session only: choose one, reset and start.")
        self._heard_mono_s = now_s = _now()
        self._bear(now_s)
        try:
            self._follow(order, by=by, now_s=now_s)
        except OrderRefused as error:
            self._on_event("order_refused", by=by, sentence=f"{by} ordered {order}: {error}")
            raise

    def _follow(self, order: Order, *, by: str, now_s: float) -> None:
        if self._held:
            raise OrderRefused("The bench is Held: unhold it first, or stop it.")
        if self._leaving:
            raise OrderRefused("The session is being left: the shaft comes to standstill.")
        if self._zeroing and order.what not in {What.ZERO, What.LEAVE}:
            raise OrderRefused("Everything is on its way to zero: wait until it is there.")
        before = self._ordered
        after = followed(before, order, self._facts, rests=self._undriven)
        again = order.what is What.JOG and before.jogging and before.speed_rpm == after.speed_rpm
        self._ordered = after
        if order.what is What.JOG:
            self._jogged_mono_s = now_s
        if after.speed_by is not before.speed_by:
            self._holds = False
        self._zeroing = order.what is What.ZERO
        self._leaving = order.what is What.LEAVE
        if not again:
            self._tell(order, by)

    def _tell(self, order: Order, by: str) -> None:
        known = order.what in UNITS
        became = f", now {self._ordered.value(order.what):g} {UNITS[order.what]}" if order.relative and known else ""
        self._on_event(
            "ordered",
            by=by,
            what=order.what.value,
            value=self._ordered.value(order.what) if known else None,
            sentence=f"{by} ordered {order}{became}.",
        )

    def _bear(self, now_s: float) -> None:
        """Raises `OrderRefused` for more orders than a hand gives."""
        earned = 0.0 if math.isinf(self._earned_mono_s) else (now_s - self._earned_mono_s) * ORDERS_PER_S
        self._earned, self._earned_mono_s = min(self._earned + earned, ORDERS_AT_ONCE), now_s
        if self._earned < 1.0:
            raise OrderRefused(f"More than {ORDERS_PER_S:g} orders a second are no hand: order more slowly.")
        self._earned -= 1.0

    def must_end(self) -> str:
        """Why the run must not go on, "" where it may; looked at in every tick, also while it is Held."""
        if not self._open:
            return ""
        if self._ends:
            return self._ends
        if self.hand() != self._given_to:
            return "Whoever set the bench by hand has no control any more: a manual session never goes on without."
        silent_s = _now() - self._heard_mono_s
        if silent_s > self._patience.keep_alive_s:
            return (
                f"Nothing was heard for {self._patience.keep_alive_s:g} s of whoever set the bench by hand: a manual "
                "session never goes on alone."
            )
        return ""

    # the test

    def moves(self, at: Mapping[Role, Target]) -> Generator[Move, Frame, None]:  # noqa: ARG002 - it begins at rest
        """What the orders ask for, frame by frame, until the session is left."""
        self._open = True
        self._given_to = self.hand()
        self._heard_mono_s = _now()
        frame = yield self._move("waiting for standstill")
        while not self._leaving:
            self._held = False
            self._look(frame)
            frame = yield self._move(self._doing())
        self._open = False

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        """No torque from whatever follows one; who holds a speed, or a voltage, goes on holding it."""
        self._held = True
        if self._ordered.jogging:
            self._ends = "The bench was held while the shaft was jogged: nobody jogs a shaft that is held."
        return {role: at_zero(target) if isinstance(target, Torque) else target for role, target in targets.items()}

    def _look(self, frame: Frame) -> None:
        before_s, self._frame_mono_s = self._frame_mono_s, frame.time_mono_s
        gap_s = 0.0 if before_s is None else frame.time_mono_s - before_s
        stood = abs(frame.value("shaft_speed")) <= self._standstill_rpm  # not so for a speed that is not read
        self._stood_mono_s = min(self._stood_mono_s, frame.time_mono_s) if stood else math.inf
        self._stands = frame.time_mono_s - self._stood_mono_s >= STANDS_AFTER_S
        if self._ordered.jogging and _now() - self._jogged_mono_s > self._patience.jog_alive_s:
            self._ordered = jog_ended(self._ordered, self._facts)
            self._on_event("jog_released", sentence="The jog was let go: back to zero.")
        self._hold()
        self._advance(gap_s if gap_s <= LONGEST_GAP_S else 0.0)

    def _hold(self) -> None:
        """A drive takes the speed over at measured standstill, and lets go of it where nothing feeds it."""
        brushless = self._facts.brushless
        fed = brushless and self._now[What.VOLTAGE] > 0.0
        wanted = fed if brushless else self._ordered.speed_by is SpeedBy.LOAD
        if not wanted:
            self._holds = False
        elif self._stands:
            self._holds = True

    def _advance(self, dt_s: float) -> None:
        """Every set-point towards its goal, by its slope."""
        goals = {what: self._ordered.value(what) for what in MOVED}
        for what in self._waiting(goals):
            goals[what] = self._beside() if what is What.SPEED else self._now[what]
        for what in MOVED:
            slope = self._ordered.slopes_per_s[what]
            if what is What.SPEED:
                self._now[what] = self._speed_rpm(goals[what], slope_rpm_per_s=slope, dt_s=dt_s)
            else:
                self._now[what] = towards(self._now[what], goals[what], slope_per_s=slope, dt_s=dt_s)
        if self._zeroing and self._rests:
            self._zeroing = False

    def _beside(self) -> float:
        """Where a speed waits: where it is, or within a critical band at its slower end."""
        now_rpm = self._now[What.SPEED]
        return math.copysign(beside(self._facts.bands, speed_rpm=now_rpm)[0], now_rpm)

    def _speed_rpm(self, goal_rpm: float, *, slope_rpm_per_s: float, dt_s: float) -> float:
        """The speed on its way, across a critical band by the slope for it, at least by the bench's own."""
        return crossing(
            self._facts.bands,
            from_rpm=self._now[What.SPEED],
            to_rpm=goal_rpm,
            slope_rpm_per_s=slope_rpm_per_s,
            crossing_rpm_per_s=max(self._facts.crossing_rpm_per_s, self._facts.slopes_per_s[What.SPEED]),
            dt_s=dt_s,
        )

    def _waiting(self, goals: Mapping[What, float]) -> Iterable[What]:
        """What must not move yet: torque goes before what holds the shaft, and a speed waits for its drive."""
        now, brushless = self._now, self._facts.brushless
        by_load = self._ordered.speed_by is SpeedBy.LOAD
        if not self._holds:
            yield What.SPEED
            if brushless:
                yield What.TORQUE
        if self._zeroing and now[What.TORQUE] != 0.0:
            yield What.SPEED
        if self._zeroing and not brushless and by_load and now[What.VOLTAGE] != 0.0:
            yield What.SPEED  # a motor that is slowed down under voltage draws more than one that turns
        if goals[What.VOLTAGE] != 0.0:
            return
        turns = now[What.SPEED] != 0.0 or not self._stands
        if now[What.TORQUE] != 0.0 or (brushless and turns):
            yield What.VOLTAGE

    @property
    def _rests(self) -> bool:
        return self._stands and not any(self._now.values())

    @property
    def _undriven(self) -> bool:
        """Whether the shaft stands and nothing drives it; a link's voltage does not by itself."""
        driving = (What.SPEED, What.TORQUE, *(() if self._facts.brushless else (What.VOLTAGE,)))
        return self._stands and not any(self._now[what] for what in driving)

    def _move(self, doing: str) -> Move:
        targets, regulated = self._targets()
        return Move(targets=targets, doing=doing, regulated=regulated)

    def _targets(self) -> tuple[dict[Role, Target], dict[Role, Regulated]]:
        now, by = self._now, self._ordered.speed_by
        holder = HOLDERS[by]
        torque_by = FOLLOWERS[by] if self._facts.brushless else Role.LOAD_DRIVE
        roles = [Role.LOAD_DRIVE, *([Role.MOTOR_DRIVE] if self._facts.brushless else [])]
        targets: dict[Role, Target] = {Role.SUPPLY: Voltage(now[What.VOLTAGE], self._ordered.current_a)}
        regulated = {}
        if now[What.VOLTAGE] > 0.0:
            regulated[Role.SUPPLY] = Regulated("dc_voltage", now[What.VOLTAGE])
        for role in roles:
            bound_nm, bound_rpm = drive_bounds(role, self._plan)
            if role is holder and self._holds:
                targets[role] = Speed(now[What.SPEED], bound_nm)
                regulated[role] = Regulated("shaft_speed", now[What.SPEED])
                continue
            torque_nm = now[What.TORQUE] if role is torque_by else 0.0
            targets[role] = Torque(torque_nm, bound_rpm)
            if torque_nm != 0.0:
                regulated[role] = Regulated("shaft_torque", torque_nm)
        return targets, regulated

    def _doing(self) -> str:
        """What is set, for people."""
        holds = self._holds or self._ordered.speed_by is SpeedBy.MOTOR
        if not holds or (self._facts.brushless and self._now[What.VOLTAGE] > 0.0 and not self._holds):
            return "waiting for standstill before a drive holds the speed"
        shown = [f"{self._now[what]:.4g} {UNITS[what]}" for what in MOVED if self._now[what] != 0.0]
        manner = "jogging" if self._ordered.jogging else "on the way to zero" if self._zeroing else "set by hand"
        return f"{manner}: {', '.join(shown) or 'everything at zero'}"


def facts_of(plan: RunPlan, bench: BenchPlan, *, jog_limit_rpm: float, most: Mapping[What, End]) -> Facts:
    """What orders are held against on this bench in this run: its clamps, and what its limits take energy away for.

    `most` is how far the hand of this session may go, in either direction.
    """
    brushless = bench.motor_drive is not None
    ranges = {}
    for by in SpeedBy:
        holder, follower = (HOLDERS[by], FOLLOWERS[by]) if brushless else (Role.LOAD_DRIVE, Role.LOAD_DRIVE)
        rpm, nm = drive_bounds(holder, plan)[1], drive_bounds(follower, plan)[0]
        clamps = {
            What.SPEED: End(rpm, f"this run's bound of the {_words(holder)}"),
            What.JOG: End(min(rpm, jog_limit_rpm), "what a jog may turn here"),
            What.TORQUE: End(nm, f"this run's bound of the {_words(follower)}"),
            What.VOLTAGE: End(plan.voltage_limit_v, "this run's highest voltage"),
            What.CURRENT: End(plan.current_limit_a, "this run's bound of the supply"),
        }
        own = {**most, What.JOG: most[What.SPEED]}
        ranges[by] = {what: _range(plan.limits, what, (clamp, own[what])) for what, clamp in clamps.items()}
    slopes = bench.slopes
    return Facts(
        brushless=brushless,
        ranges=ranges,
        slopes_per_s={
            What.SPEED: slopes.speed_rpm_per_s,
            What.TORQUE: slopes.torque_nm_per_s,
            What.VOLTAGE: slopes.voltage_v_per_s,
        },
        # a converter's link keeps the run's: what its motor draws is bounded by torque and speed
        current_limit_a=plan.current_limit_a if brushless else min(plan.current_limit_a, most[What.CURRENT].value),
        bands=plan.bands,
        crossing_rpm_per_s=slopes.crossing_rpm_per_s,
    )


def _words(role: Role) -> str:
    return role.value.replace("_", " ")


def _range(limits: Iterable[Limit], what: What, magnitudes: Iterable[End]) -> Range:
    """Within these and truly within every limit: whatever is set at a limit crosses it by its ripple."""
    one_sided = what in {What.VOLTAGE, What.CURRENT}
    lows = [End(0.0, f"a supply's {NAMES[what]}", included=what is What.VOLTAGE)] if one_sided else []
    highs = list(magnitudes)
    lows += [] if one_sided else [End(-end.value, end.origin) for end in highs]
    for limit in limits:
        if limit.channel == LIMITED[what] and limit.reaction is not Reaction.WARN:
            end = End(limit.value, limit.origin, included=False)
            if limit.bound is Bound.HIGH:
                highs.append(end)
            elif limit.bound is Bound.LOW and not one_sided:
                lows.append(end)
    return tightest(lows, highs)


def _now() -> float:
    return asyncio.get_running_loop().time()
