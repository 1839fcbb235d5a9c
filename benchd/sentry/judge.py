"""What the daemon's signs mean, moment by moment. Pure: signs and time are handed in, nothing is done about them here.

A tick that stays away has one of three causes, and they are told apart as far as they can be:

- the event loop is blocked: its thread sleeps, is stopped, or computes. That is what `tick_silent_s` is for;
- the machine lets the daemon wait: its thread would run (it is runnable) and has hardly run since its last tick;
- the machine let the sentry itself wait: then the sentry has not looked, and what it did not see counts for nobody.

The last two get patience, but never beyond `starved_s`: a bench whose limits nobody watches is no less dangerous for
having a good excuse.
"""

import enum
from dataclasses import dataclass

from benchd.sentry.process import NOTHING, Doing
from benchd.sentry.shared import DaemonSigns

HELD_UP_S = 0.02  # the sentry looks every 5 ms; more than this between two looks is a time in which it did not look
HARDLY_RAN_S = 0.03  # a tick takes a few milliseconds of a processor; a loop that computes uses this up at once


class Verdict(enum.Enum):
    """What the daemon's signs mean."""

    RESTING = "resting"  # nothing energised, or nobody there
    WELL = "well"
    STOPPED = "stopped"  # the tick stopped, or its process is gone
    BEHIND = "behind"  # it advances too slowly


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How the sentry judges and how it speaks to the chain."""

    tick_hz: float
    tick_silent_s: float = 0.1
    starved_s: float = 0.4  # chains commonly open by themselves after 0.5 s without a heartbeat
    behind_ratio: float = 0.5  # of the ticks that should come in `behind_s`
    behind_s: float = 1.0
    beat_every_s: float = 0.05
    read_every_s: float = 0.02
    reply_time_s: float = 0.2
    withdraw_time_s: float = 0.5


class Judge:
    """Judges signs as they are seen, look after look."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._since: tuple[float, int] | None = None  # when counting began, and the ticks then
        self._ticks = -1  # of the look before
        self._looked_s = float("-inf")
        self._unseen_s = 0.0  # of the silence, in which the sentry itself was held up
        self._ran_s = 0.0  # what the daemon had run when its last tick was seen

    def verdict(self, signs: DaemonSigns | None, *, now_mono_s: float, there: bool, doing: Doing = NOTHING) -> Verdict:
        """What these signs mean at this moment; `there` says whether their process still is."""
        gap_s, self._looked_s = now_mono_s - self._looked_s, now_mono_s
        if signs is None or not signs.energised or signs.ended:
            self._since, self._ticks = None, -1
            return Verdict.RESTING
        if signs.ticks != self._ticks:
            self._ticks, self._unseen_s, self._ran_s = signs.ticks, 0.0, doing.ran_s
        else:
            self._unseen_s += max(0.0, gap_s - HELD_UP_S)
        if not there or self._silent(now_mono_s - signs.tick_mono_s, doing):
            return Verdict.STOPPED
        if self._since is None:
            self._since = (now_mono_s, signs.ticks)
            return Verdict.WELL
        began_s, before = self._since
        if now_mono_s - began_s < self._rules.behind_s:
            return Verdict.WELL
        expected = (now_mono_s - began_s) * self._rules.tick_hz
        self._since = (now_mono_s, signs.ticks)
        return Verdict.BEHIND if signs.ticks - before < self._rules.behind_ratio * expected else Verdict.WELL

    def _silent(self, silent_s: float, doing: Doing) -> bool:
        rules = self._rules
        if silent_s <= rules.tick_silent_s:
            return False
        if silent_s > max(rules.starved_s, rules.tick_silent_s):
            return True
        waits = doing.runnable and doing.ran_s - self._ran_s < HARDLY_RAN_S
        return not waits and silent_s - self._unseen_s > rules.tick_silent_s
