"""The tick of the bench: when the next round of limit monitor and regulation is due, in real or in virtual time.

Deadlines are absolute, so lateness never adds up, and a deadline that passed while nobody waited is counted, never made
up for. This file must never log, encode or write: it runs between a deadline and the reaction to it.
"""

import asyncio
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from benchd.live.timerfd import TimerFd

_NS_PER_S = 1_000_000_000
_LONGEST_PERIOD_S = 3600.0


@dataclass(frozen=True, slots=True)
class Tick:
    """One tick: the deadline it stands for and how it was met."""

    index: int  # number of the deadline, from 0; missed deadlines are counted in, so it may jump
    time_mono_s: float  # the deadline itself, event-loop time
    lateness_s: float  # how long after the deadline it was given out
    missed: int  # deadlines that passed since the tick before without a tick of their own


@runtime_checkable
class Ticker(Protocol):
    """Ticks at a fixed rate, one runner at a time."""

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""

    async def run(self, each: Callable[[Tick], None]) -> None:
        """Call `each` at every deadline, the first one period from now, until cancelled.

        `each` runs where the deadline is noticed, before any task that is ready, and must not wait. Deadlines that pass
        while something else holds the event loop are counted in the next tick. What `each` raises, `run` raises.
        """


def _checked_period_ns(rate_hz: float) -> int:
    if not math.isfinite(rate_hz) or not 1.0 / _LONGEST_PERIOD_S <= rate_hz <= 10_000.0:
        raise ValueError(f"a tick rate of {rate_hz} Hz is not possible: use one period an hour up to 10 kHz")
    return round(_NS_PER_S / rate_hz)


class TimerfdTicker:
    """Ticks in real time from a timerfd, as punctual as the kernel wakes this process.

    asyncio's own timers round up to whole milliseconds on the epoll selector; a readable descriptor does not. Waking a
    task from it would cost two more rounds of the event loop, so `each` is called by the reader itself. Needs an event
    loop whose time is CLOCK_MONOTONIC and that can watch descriptors.
    """

    def __init__(self, rate_hz: float) -> None:
        self._period_ns = _checked_period_ns(rate_hz)

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""
        return self._period_ns / _NS_PER_S

    async def run(self, each: Callable[[Tick], None]) -> None:
        """Tick until cancelled; see `Ticker.run`."""
        loop = asyncio.get_running_loop()
        over: asyncio.Future[None] = loop.create_future()
        first_ns = time.monotonic_ns() + self._period_ns
        passed = 0  # deadlines so far

        def expired() -> None:
            nonlocal passed
            count = timer.expirations()
            if not count or over.done():
                return
            passed += count
            due_ns = first_ns + (passed - 1) * self._period_ns
            lateness_s = (time.monotonic_ns() - due_ns) / _NS_PER_S
            _call(each, Tick(passed - 1, due_ns / _NS_PER_S, lateness_s, count - 1), over)

        timer = TimerFd(first_ns=first_ns, period_ns=self._period_ns)
        try:
            loop.add_reader(timer.fd, expired)
            try:
                await over
            finally:
                loop.remove_reader(timer.fd)
        finally:
            timer.close()


class VirtualTicker:
    """Ticks by the running loop's own timers: exact in virtual time, a millisecond or so late in real time."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = _checked_period_ns(rate_hz) / _NS_PER_S

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""
        return self._period_s

    async def run(self, each: Callable[[Tick], None]) -> None:
        """Tick until cancelled; see `Ticker.run`."""
        loop = asyncio.get_running_loop()
        over: asyncio.Future[None] = loop.create_future()
        first_mono_s = loop.time() + self._period_s
        timer: asyncio.TimerHandle

        def due_mono_s(index: int) -> float:
            return first_mono_s + index * self._period_s

        def expired(index: int) -> None:
            nonlocal timer
            now_mono_s = loop.time()
            newest = index
            if due_mono_s(index + 1) <= now_mono_s:
                newest = max(index, math.floor((now_mono_s - first_mono_s) / self._period_s))
                newest -= due_mono_s(newest) > now_mono_s  # the quotient may have been rounded up
            tick = Tick(newest, due_mono_s(newest), now_mono_s - due_mono_s(newest), newest - index)
            timer = loop.call_at(due_mono_s(newest + 1), expired, newest + 1)
            _call(each, tick, over)

        timer = loop.call_at(due_mono_s(0), expired, 0)
        try:
            await over
        finally:
            timer.cancel()


def _call(each: Callable[[Tick], None], tick: Tick, over: "asyncio.Future[None]") -> None:
    if over.done():
        return
    try:
        each(tick)
    except Exception as error:  # noqa: BLE001 - handed to whoever runs the ticker
        over.set_exception(error)
