"""The tick of the bench: when the next round of limit monitor and regulation is due, in real or in virtual time.

Deadlines are absolute, so lateness never adds up, and a deadline that passed while nobody waited is counted, never made
up for. This file must never log, encode or write: it runs between a deadline and the reaction to it.
"""

import asyncio
import math
import time
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self, runtime_checkable

from benchd.live.timerfd import TimerFd

_NS_PER_S = 1_000_000_000
_LONGEST_PERIOD_S = 3600.0


@dataclass(frozen=True, slots=True)
class Tick:
    """One tick: the deadline it stands for and how it was met."""

    index: int  # number of the deadline, from 0; missed deadlines are counted in, so it may jump
    time_mono_s: float  # the deadline itself, event-loop time
    lateness_s: float  # how long after the deadline the waiter went on
    missed: int  # deadlines that passed since the tick before without a tick of their own


@runtime_checkable
class Ticker(Protocol):
    """Ticks at a fixed rate; a context manager that runs while it is entered. One task waits at a time."""

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""

    async def tick(self) -> Tick:
        """The next deadline, once it has come; one that has passed already after letting others run once.

        May be cancelled; the deadline then counts for the next call. Raises `RuntimeError` outside the context and when
        another task waits already.
        """

    def __enter__(self) -> Self:
        """Start: the first deadline is one period away."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Stop and give everything back; a waiting `tick()` is cancelled."""


def _checked_period_ns(rate_hz: float) -> int:
    if not math.isfinite(rate_hz) or not 1.0 / _LONGEST_PERIOD_S <= rate_hz <= 10_000.0:
        raise ValueError(f"a tick rate of {rate_hz} Hz is not possible: use one period an hour up to 10 kHz")
    return round(_NS_PER_S / rate_hz)


class TimerfdTicker:
    """Ticks in real time from a timerfd, as punctual as the kernel wakes this process.

    asyncio's own timers round up to whole milliseconds on the epoll selector; a readable descriptor does not. Needs an
    event loop whose time is CLOCK_MONOTONIC and that can watch descriptors.
    """

    def __init__(self, rate_hz: float) -> None:
        self._period_ns = _checked_period_ns(rate_hz)
        self._timer: TimerFd | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiter: asyncio.Future[None] | None = None
        self._first_ns = 0
        self._expired = 0  # deadlines seen, not yet given out
        self._next_index = 0

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""
        return self._period_ns / _NS_PER_S

    def __enter__(self) -> Self:
        """Start: the first deadline is one period away."""
        if self._timer is not None:
            raise RuntimeError("this ticker is running already: use one ticker a loop")
        loop = asyncio.get_running_loop()
        self._first_ns = time.monotonic_ns() + self._period_ns
        self._expired = 0
        self._next_index = 0
        timer = TimerFd(first_ns=self._first_ns, period_ns=self._period_ns)
        try:
            loop.add_reader(timer.fd, self._collect)
        except BaseException:
            timer.close()
            raise
        self._timer, self._loop = timer, loop
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop and close the descriptor; a waiting `tick()` is cancelled."""
        timer, self._timer = self._timer, None
        if timer is None or self._loop is None:
            return
        if not self._loop.is_closed():
            self._loop.remove_reader(timer.fd)
        timer.close()
        if self._waiter is not None:
            self._waiter.cancel()

    async def tick(self) -> Tick:
        """The next deadline, once it has come; see `Ticker.tick`."""
        if self._timer is None or self._loop is None:
            raise RuntimeError("this ticker is not running: enter it first")
        if self._waiter is not None:
            raise RuntimeError("another task waits for this ticker already: one ticker serves one task")
        self._waiter = self._loop.create_future()
        try:
            if self._expired:
                self._waiter.set_result(None)
                await asyncio.sleep(0)  # others run, and a cancellation arrives, also when the deadline has passed
                self._collect()
            else:
                await self._waiter
        finally:
            self._waiter = None
        missed = self._expired - 1
        index = self._next_index + missed
        self._next_index = index + 1
        self._expired = 0
        due_ns = self._first_ns + index * self._period_ns
        return Tick(index, due_ns / _NS_PER_S, (time.monotonic_ns() - due_ns) / _NS_PER_S, missed)

    def _collect(self) -> None:
        if self._timer is None:
            return
        self._expired += self._timer.expirations()
        if self._expired and self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)


class VirtualTicker:
    """Ticks by the running loop's own timers: exact in virtual time, a millisecond or so late in real time."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = _checked_period_ns(rate_hz) / _NS_PER_S
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiter: asyncio.Future[None] | None = None
        self._first_mono_s = 0.0
        self._next_index = 0

    @property
    def period_s(self) -> float:
        """Time from one deadline to the next, s."""
        return self._period_s

    def __enter__(self) -> Self:
        """Start: the first deadline is one period away."""
        if self._loop is not None:
            raise RuntimeError("this ticker is running already: use one ticker a loop")
        self._loop = asyncio.get_running_loop()
        self._first_mono_s = self._loop.time() + self._period_s
        self._next_index = 0
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop; a waiting `tick()` is cancelled."""
        self._loop = None
        if self._waiter is not None:
            self._waiter.cancel()

    async def tick(self) -> Tick:
        """The next deadline, once it has come; see `Ticker.tick`."""
        loop = self._loop
        if loop is None:
            raise RuntimeError("this ticker is not running: enter it first")
        if self._waiter is not None:
            raise RuntimeError("another task waits for this ticker already: one ticker serves one task")
        self._waiter = loop.create_future()
        timer: asyncio.TimerHandle | None = None
        try:
            if self._due(self._next_index) <= loop.time():
                self._waiter.set_result(None)
                await asyncio.sleep(0)
            else:
                timer = loop.call_at(self._due(self._next_index), _wake, self._waiter)
                await self._waiter
        finally:
            self._waiter = None
            if timer is not None:
                timer.cancel()
        now_mono_s = loop.time()
        index = self._next_index
        if self._due(index + 1) <= now_mono_s:
            index = max(index, math.floor((now_mono_s - self._first_mono_s) / self._period_s))
            index -= self._due(index) > now_mono_s  # the quotient may have been rounded up
        missed = index - self._next_index
        self._next_index = index + 1
        return Tick(index, self._due(index), now_mono_s - self._due(index), missed)

    def _due(self, index: int) -> float:
        return self._first_mono_s + index * self._period_s


def _wake(waiter: "asyncio.Future[None]") -> None:
    if not waiter.done():
        waiter.set_result(None)
