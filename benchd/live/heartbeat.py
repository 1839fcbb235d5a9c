"""Toggles the safety chain's heartbeat while the tick advances, and only then. It must never beat on its own clock."""

from collections.abc import Callable

from benchd.live.link import Link
from benchd.live.plan import PortRef


class Heartbeat:
    """A beat every `every_ticks` ticks at the most, withheld when no tick came or when `wanted` says no.

    The chain opens by itself when the beat stays away. Raises the five error kinds from `beat`.
    """

    def __init__(
        self, ref: PortRef, link: Link, *, ticks: Callable[[], int], wanted: Callable[[], bool], every_ticks: int = 1
    ) -> None:
        self._ref = ref
        self._link = link
        self._ticks = ticks
        self._wanted = wanted
        self._every_ticks = every_ticks
        self._seen = -every_ticks
        self._high = False

    async def beat(self) -> None:
        """Toggle the heartbeat if the tick has advanced."""
        ticks = self._ticks()
        if ticks - self._seen < self._every_ticks or not self._wanted():
            return
        self._seen = ticks
        high = not self._high
        await self._link.call(self._ref.port, lambda chain: chain.beat(high=high))
        self._high = high  # only now: on a wire that loses every other beat those that arrive must still change
