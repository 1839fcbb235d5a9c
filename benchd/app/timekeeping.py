"""The daemon's UTC: stamped from one anchor, which is set anew only while no run plays. It asks nobody for the time.

A machine that comes up before its clock is set, or sleeps, would otherwise stamp runs wrongly until the daemon ends.
"""

import asyncio
import datetime as dt
from collections.abc import Callable

from benchd.app.recorder import clock_anchor
from benchd.records import ClockAnchor

LOOK_EVERY_S = 5.0
STEP_WORTH_IT_S = 1.0  # a clock that is only steered stays with the event loop's time, which is steered along


class Timekeeper:
    """UTC at times of the event loop."""

    def __init__(self) -> None:
        self.anchor: ClockAnchor = clock_anchor()

    def utc(self, time_mono_s: float) -> dt.datetime:
        """UTC at a time of the event loop."""
        return self.anchor.utc(time_mono_s)

    async def run(self, *, at_rest: Callable[[], bool], on_event: Callable[..., None]) -> None:
        """Follow the machine's clock where it was set, for ever."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            present = clock_anchor()
            ahead_s = (present.utc(present.mono_s) - self.utc(present.mono_s)).total_seconds()
            if abs(ahead_s) > STEP_WORTH_IT_S and at_rest():
                self.anchor = present
                on_event("clock_set", seconds=ahead_s, sentence=f"This machine's clock was set by {ahead_s:+.1f} s.")
