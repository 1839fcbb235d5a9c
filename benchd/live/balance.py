"""Looks at the power balance of a run under settled load, and tells once what does not agree. It judges nothing itself.

It runs within the tick: a fixed, small piece of work five times a second, and it raises nothing.
"""

import math
from collections.abc import Callable, Mapping

from benchd.live.causes import Cause
from benchd.rules.balance import BalancePlan, loaded, powers_w, verdict
from benchd.rules.balance_checks import checks
from benchd.rules.frames import Frame
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Target

EVERY_S = 0.2
SAMPLES = 4  # a mean's
IN_A_ROW = 2  # means that do not balance before anything is said
STEADY_RATIO = 0.02  # of the speed within one mean: beyond it the rotors' own power counts
STEADY_RPM = 10.0
CHANNELS = (
    *("supply_voltage", "supply_current", "sink_current", "link_voltage", "dc_voltage", "dc_current"),
    *("motor_power", "motor_current", "motor_voltage", "motor_frequency"),
    *("shaft_torque", "shaft_speed", "drive_torque", "drive_speed", "motor_drive_torque", "motor_drive_speed"),
)


class Balancing:
    """One run's balance. `trip` is told the cause, once for a warning; `on_event` the powers of the first mean."""

    def __init__(self, plan: BalancePlan, *, trip: Callable[[Cause], None], on_event: Callable[..., None]) -> None:
        self._plan = plan
        self._trip = trip
        self._on_event = on_event
        self._next_s = -math.inf
        self._asked: Mapping[Role, Target] = {}
        self._since_s = math.inf  # when something was asked anew last
        self._taken: list[dict[str, float]] = []
        self._in_a_row = 0
        self._told = False
        self._shown = False
        self._over = False

    def look(self, frame: Frame, targets: Mapping[Role, Target], *, playing: bool) -> None:
        """One tick with what is asked of the drives and the supply just now."""
        if self._over or frame.time_mono_s < self._next_s:
            return
        self._next_s = frame.time_mono_s + EVERY_S
        try:
            self._take(frame, dict(targets), playing=playing)
        except Exception as error:  # noqa: BLE001 - a defect in here must not end the tick
            self._over = True
            self._on_event("power_balance_ended", sentence=f"{type(error).__name__}: {error}")

    def _take(self, frame: Frame, targets: Mapping[Role, Target], *, playing: bool) -> None:
        if not playing or targets != self._asked:
            self._asked = targets if playing else {}
            self._since_s = frame.time_mono_s
            self._taken.clear()
            return
        if frame.time_mono_s - self._since_s < self._plan.settle_s:
            return
        values = {name: value for name in CHANNELS if math.isfinite(value := frame.value(name))}
        if self._taken and not _steady(self._taken[0], values):
            self._taken.clear()
        self._taken.append(values)
        if len(self._taken) < SAMPLES:
            return
        means = _means(self._taken)
        self._taken.clear()
        if loaded(means, self._plan.facts, share=self._plan.load_share):
            self._judge(means)

    def _judge(self, means: Mapping[str, float]) -> None:
        holds = all(check.holds for check in checks(means, self._plan.facts))
        self._in_a_row = 0 if holds else self._in_a_row + 1
        if not self._shown:
            self._shown = True
            powers = {f"{place}_w": float(f"{watt:.6g}") for place, watt in powers_w(means).items()}
            self._on_event("power_balance", holds=holds, **powers)
        if self._in_a_row < IN_A_ROW or (self._told and self._plan.reaction is Reaction.WARN):
            return
        self._told = True
        found = verdict(means, self._plan.facts)
        self._trip(Cause(sentence=found.sentence, reaction=self._plan.reaction, key="power balance"))


def _steady(first: Mapping[str, float], now: Mapping[str, float]) -> bool:
    speed_rpm = first.get("shaft_speed", 0.0)
    return abs(now.get("shaft_speed", 0.0) - speed_rpm) <= STEADY_RATIO * abs(speed_rpm) + STEADY_RPM


def _means(taken: list[dict[str, float]]) -> dict[str, float]:
    """The mean of each channel that was good in every sample."""
    names = set(taken[0]).intersection(*taken[1:])
    return {name: math.fsum(values[name] for values in taken) / len(taken) for name in names}
