"""Limits on channels: the strictest of all sources, and the monitor that says when one is crossed.

Pure: it is told readings and times and answers with crossings. It must never act; the reaction is somebody else's job.
A limit here is below the hardware safety chain and is not a safety function.
"""

import enum
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from benchd.rules.channels import Quality
from benchd.rules.frames import Sample

EARLY_S = 0.001  # a poll that comes so much early still ends a delay: each would wait for one poll more without


class Bound(enum.Enum):
    """Which side of a channel a limit is on."""

    LOW = "low"
    HIGH = "high"
    STALE = "stale"  # the value is the greatest age of a good reading, s


class Reaction(enum.IntEnum):
    """What a crossing leads to, mildest first."""

    WARN = 0
    HOLD = 1
    RAMP_DOWN = 2
    CUT = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One bound on one channel, in the channel's unit, with the words that say where it came from.

    A crossing begins beyond `value` and ends only at `value` less `hysteresis`, on the allowed side.
    """

    channel: str
    bound: Bound
    value: float
    delay_s: float
    reaction: Reaction
    origin: str
    hysteresis: float = 0.0

    @property
    def ends_at(self) -> float:
        """Where a crossing ends: this value and all that are further on the allowed side."""
        return self.value + self.hysteresis if self.bound is Bound.LOW else self.value - self.hysteresis

    def beyond(self, value: float) -> bool:
        """Whether a value lies on the forbidden side; the bound itself is allowed."""
        return value < self.value if self.bound is Bound.LOW else value > self.value

    def lasts(self, value: float) -> bool:
        """Whether a crossing that has begun goes on at this value."""
        return value < self.ends_at if self.bound is Bound.LOW else value > self.ends_at

    def words(self, unit: str) -> str:
        """The limit as a person reads it, such as "shaft_speed above 4000 r/min"."""
        if self.bound is Bound.STALE:
            return f"{self.channel} without a good reading for {self.value:g} s"
        return f"{self.channel} {'below' if self.bound is Bound.LOW else 'above'} {self.value:g} {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossing:
    """A limit that was crossed for longer than its delay."""

    limit: Limit
    value: float  # the furthest reading of the crossing, or the age in s for a stale channel
    since_mono_s: float
    time_mono_s: float


def strictest(limits: Iterable[Limit]) -> tuple[Limit, ...]:
    """The bounds that no other beats in value, delay, reaction and hysteresis together, each with its origin.

    A cut at once at 10 A is not replaced by a ramp down at 6 A, nor by a cut at 6 A after half a second. Sorted by
    channel, side, reaction and value.
    """
    kept: list[Limit] = []
    for limit in limits:
        if any(beats(other, limit) for other in kept):
            continue
        kept = [other for other in kept if not beats(limit, other)]
        kept.append(limit)
    return tuple(sorted(kept, key=lambda each: (each.channel, each.bound.value, -each.reaction, each.value)))


def beats(one: Limit, other: Limit) -> bool:
    """Whether `one` acts wherever `other` would, no later, for no shorter and no more gently."""
    if (one.channel, one.bound) != (other.channel, other.bound):
        return False
    if one.bound is Bound.LOW:
        tighter = one.value >= other.value and one.ends_at >= other.ends_at
    else:
        tighter = one.value <= other.value and one.ends_at <= other.ends_at
    return tighter and one.delay_s <= other.delay_s and one.reaction >= other.reaction


@dataclass(slots=True)
class _Watch:
    """One limit, how long it has been crossed and how far at most."""

    limit: Limit
    since_mono_s: float | None = None
    told: bool = False
    furthest: float = 0.0


@dataclass(slots=True)
class _Watched:
    """One channel's limits and when it was last good."""

    bounds: list[_Watch] = field(default_factory=list)
    stale: list[_Watch] = field(default_factory=list)
    good_mono_s: float = 0.0
    listening_mono_s: float = -math.inf  # no age reaches further back: a stall is left out of it


class LimitMonitor:
    """Says once for each crossing that a limit is crossed, and again only after it was not, hysteresis included.

    `observe` is called on every reading when it arrives, `observe_age` at every tick. Ages count from `start` until the
    first good reading. A reading that is not good (not a number, open sensor) does not refresh the channel.
    """

    def __init__(self, limits: Sequence[Limit], *, start_mono_s: float) -> None:
        self.limits = tuple(limits)
        self._channels: dict[str, _Watched] = {}
        for limit in limits:
            watched = self._channels.setdefault(limit.channel, _Watched(good_mono_s=start_mono_s))
            (watched.stale if limit.bound is Bound.STALE else watched.bounds).append(_Watch(limit))

    def rearm(self) -> None:
        """Tell crossings that were told and last anew, each after its delay: who goes on beyond is stopped again.

        One whose delay is still running keeps its beginning: going on must not put off what takes energy away.
        """
        for watched in self._channels.values():
            for watch in (*watched.bounds, *watched.stale):
                if watch.told:
                    watch.since_mono_s = None
                    watch.told = False

    def restart_ages(self, time_mono_s: float, *, stalled_s: float = math.inf) -> None:
        """Leave the last `stalled_s` out of every channel's age: nobody listened then, so nobody was silent."""
        for watched in self._channels.values():
            since_mono_s = max(watched.good_mono_s, watched.listening_mono_s)
            watched.listening_mono_s = min(time_mono_s, since_mono_s + stalled_s)

    def leap(self, seconds: float) -> None:
        """A rehearsal leapt over so much time in which every reading stayed what it was: none is older for it.

        What is beyond a limit has been so all the while.
        """
        for watched in self._channels.values():
            watched.good_mono_s += seconds
            watched.listening_mono_s += seconds

    def observe(self, channel: str, sample: Sample) -> list[Crossing]:
        """The crossings that this reading completes. An over-range value still counts: it is beyond, not unknown."""
        watched = self._channels.get(channel)
        if watched is None or not (sample.quality is Quality.GOOD or sample.quality is Quality.OVER_RANGE):
            return []
        value, taken_s = sample.value, sample.taken_mono_s
        watched.good_mono_s = taken_s
        found = []
        for watch in watched.bounds:
            if watch.since_mono_s is None and not watch.limit.beyond(value):
                continue  # nearly always
            crossing = _watch(watch, crossed=_crossed(watch, value), value=value, time_mono_s=taken_s)
            if crossing:
                found.append(crossing)
        return found

    def observe_age(self, time_mono_s: float) -> list[Crossing]:
        """The channels that have gone too long without a good reading. `delay_s` of a stale limit counts on top."""
        found = []
        for watched in self._channels.values():
            for watch in watched.stale:
                age_s = time_mono_s - max(watched.good_mono_s, watched.listening_mono_s)
                crossing = _watch(watch, crossed=age_s > watch.limit.value, value=age_s, time_mono_s=time_mono_s)
                if crossing:
                    found.append(crossing)
        return found


def _crossed(watch: _Watch, value: float) -> bool:
    return watch.limit.beyond(value) if watch.since_mono_s is None else watch.limit.lasts(value)


def _watch(watch: _Watch, *, crossed: bool, value: float, time_mono_s: float) -> Crossing | None:
    if not crossed:
        watch.since_mono_s = None
        watch.told = False
        return None
    if watch.since_mono_s is None:
        watch.since_mono_s = time_mono_s
        watch.furthest = value
    elif (value < watch.furthest) is (watch.limit.bound is Bound.LOW):
        watch.furthest = value
    if watch.told or time_mono_s - watch.since_mono_s < watch.limit.delay_s - EARLY_S:
        return None
    watch.told = True
    return Crossing(limit=watch.limit, value=watch.furthest, since_mono_s=watch.since_mono_s, time_mono_s=time_mono_s)
