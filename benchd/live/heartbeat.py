"""Toggles the safety chain's heartbeat while the tick advances, and only then. It must never beat on its own clock."""

from collections.abc import Callable

from benchd.live.link import Link
from benchd.live.plan import PortRef


class Heartbeat:
    """One beat a poll of the safety chain, withheld when no tick came since the last one, or when `wanted` says no.

    The chain opens by itself when the beat stays away. Raises the five error kinds from `beat`.
    """

    def __init__(self, ref: PortRef, link: Link, *, ticks: Callable[[], int], wanted: Callable[[], bool]) -> None:
        self._ref = ref
        self._link = link
        self._ticks = ticks
        self._wanted = wanted
        self._seen = -1
        self._high = False

    async def beat(self) -> None:
        """Toggle the heartbeat if the tick has advanced."""
        ticks = self._ticks()
        if ticks == self._seen or not self._wanted():
            return
        self._seen = ticks
        high = not self._high
        await self._link.call(self._ref.port, lambda chain: chain.beat(high=high))
        self._high = high  # only now: on a wire that loses every other beat those that arrive must still change
