"""What a client hears of a bench, and a bounded queue of it for each reader. It must never wait for a reader."""

import asyncio
from collections import OrderedDict, deque
from dataclasses import dataclass
from typing import Self, TypeAlias

from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """The broker is away or back; the bench goes on by itself meanwhile."""

    answers: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupData:
    """The latest values of one data group."""

    group: str
    data: Data


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A message on one of the bench's topics that is not of this version of the interface."""

    topic: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlNews:
    """What became of control while it was being kept: taken anew, or lost."""

    lost: bool
    sentence: str


News: TypeAlias = BenchState | Meta | Event | RunAnnouncement | GroupData | Broker | ControlNews | Unreadable


class Watch:
    """What one reader has not read yet. When it is full the oldest data are dropped, then the oldest of all."""

    def __init__(self, *, capacity: int) -> None:
        self._capacity = capacity
        self._waiting: deque[News] = deque()
        self._came = asyncio.Event()
        self.dropped = 0

    def put(self, news: News) -> None:
        """Add without waiting."""
        if len(self._waiting) >= self._capacity:
            self.dropped += 1
            oldest = next((at for at, one in enumerate(self._waiting) if isinstance(one, GroupData)), 0)
            del self._waiting[oldest]
        self._waiting.append(news)
        self._came.set()

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> News:
        """The next one; it may be cancelled, as by a time limit, and loses nothing then."""
        while not self._waiting:
            self._came.clear()
            await self._came.wait()
        return self._waiting.popleft()


class SeenBefore:
    """Which identifiers came already: a message of quality of service 1 may come twice (MQTT 5, 4.3.2)."""

    def __init__(self, *, remembered: int = 4096) -> None:
        self._remembered = remembered
        self._ids: OrderedDict[str, None] = OrderedDict()

    def again(self, id_: str) -> bool:
        """Whether it came before; from now on it did."""
        if id_ in self._ids:
            return True
        self._ids[id_] = None
        if len(self._ids) > self._remembered:
            self._ids.popitem(last=False)
        return False
