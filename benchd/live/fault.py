"""What belongs into a fault record: the first cause of a run's trip, and when its time is over. It writes nothing.

The record reaches from `BEFORE_S` before the cause to `AFTER_S` after it. Events and states are kept beside the ring of
readings, bounded likewise.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.live.causes import Cause
from benchd.live.fault_ring import FaultRing, RingRows

BEFORE_S = 2.0
AFTER_S = 5.0
EVENTS_KEPT = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultWindow:
    """A fault record as it stands: what the ring held, which of it belongs into the record, and the words for it."""

    cause: Mapping[str, object]  # as the event `tripped`, with the channel and its limit where one was crossed
    trip_mono_s: float
    from_mono_s: float
    until_mono_s: float
    whole: bool  # nothing more will come: its time is over
    channels: tuple[str, ...]
    set_points: tuple[tuple[str, str], ...]  # name and unit
    rows: RingRows  # series number: channels first, then set-points
    events: tuple[tuple[str, float, Mapping[str, object]], ...]
    states: tuple[tuple[float, int], ...]  # since when, and the state's number


class Fault:
    """The one fault record of a run. `tripped` is for the first cause; later ones only sharpen its words."""

    def __init__(self, ring: FaultRing, *, channels: tuple[str, ...], set_points: tuple[tuple[str, str], ...]) -> None:
        self.ring = ring
        self._channels = channels
        self._set_points = set_points
        self._events: deque[tuple[str, float, Mapping[str, object]]] = deque(maxlen=EVENTS_KEPT)
        self._states: deque[tuple[float, int]] = deque(maxlen=EVENTS_KEPT)
        self._cause: Cause | None = None
        self._seen_first = ""
        self._trip_mono_s = 0.0

    @property
    def until_mono_s(self) -> float | None:
        """When its time is over; None as long as nothing has tripped."""
        return None if self._cause is None else self._trip_mono_s + AFTER_S

    def event(self, name: str, time_mono_s: float, fields: Mapping[str, object]) -> None:
        """Something happened; `fields` are not changed afterwards."""
        self._events.append((name, time_mono_s, fields))
        number = fields.get("number") if name == "state" else None
        if isinstance(number, int):
            self._states.append((time_mono_s, number))

    def tripped(self, cause: Cause, time_mono_s: float) -> None:
        """The cause as it is latched now: the first call says when, the others what was learnt since."""
        if self._cause is None:
            self._trip_mono_s = time_mono_s
        elif cause.sentence != self._cause.sentence and not self._seen_first:
            self._seen_first = self._cause.sentence
        self._cause = cause

    def forget(self) -> None:
        """A new run begins."""
        self._cause, self._seen_first = None, ""

    def window(self, now_mono_s: float) -> FaultWindow | None:
        """The record as it stands; None as long as nothing has tripped. Copies memory, and nothing else."""
        cause, until_s = self._cause, self.until_mono_s
        if cause is None or until_s is None:
            return None
        limit = cause.limit
        crossed = (
            {}
            if limit is None
            else {"channel": limit.channel, "bound": limit.bound.value, "limit": limit.value, "delay_s": limit.delay_s}
        )
        return FaultWindow(
            cause={**cause.fields(), "seen_first": self._seen_first, **crossed},
            trip_mono_s=self._trip_mono_s,
            from_mono_s=self._trip_mono_s - BEFORE_S,
            until_mono_s=min(until_s, now_mono_s),
            whole=now_mono_s >= until_s,
            channels=self._channels,
            set_points=self._set_points,
            rows=self.ring.copied(),
            events=tuple(self._events),
            states=tuple(self._states),
        )
