"""Virtual time: an asyncio event loop whose clock jumps to the next timer when nothing is ready to run.

It lets a test or a rehearsal run an hour in the time its callbacks take. It must never let the real world in: a socket,
a thread or a process would answer at no defined virtual time, so each of them is refused with a sentence.
"""

import asyncio
import heapq
import inspect
import math
import threading
from asyncio.events import Handle, TimerHandle
from collections import deque
from collections.abc import Callable, Coroutine
from contextvars import Context
from typing import Any, NoReturn, TypeVar, TypeVarTuple

T = TypeVar("T")
Args = TypeVarTuple("Args")

STANDSTILL_ROUNDS = 1_000_000  # loop rounds without a jump; a busy second has a few thousand
MOST_CANCELLED = 50  # timers that nobody waits for any more; beyond it they are swept out
_REFUSED = {
    "a thread": ("run_in_executor", "set_default_executor"),
    "a socket": (
        "add_reader",
        "add_writer",
        "connect_accepted_socket",
        "create_connection",
        "create_datagram_endpoint",
        "create_server",
        "create_unix_connection",
        "create_unix_server",
        "getaddrinfo",
        "getnameinfo",
        "remove_reader",
        "remove_writer",
        "sendfile",
        "sock_accept",
        "sock_connect",
        "sock_recv",
        "sock_recv_into",
        "sock_recvfrom",
        "sock_recvfrom_into",
        "sock_sendall",
        "sock_sendfile",
        "sock_sendto",
        "start_tls",
    ),
    "a pipe": ("connect_read_pipe", "connect_write_pipe"),
    "a subprocess": ("subprocess_exec", "subprocess_shell"),
    "a signal handler": ("add_signal_handler", "remove_signal_handler"),
}


class NotInVirtualTime(RuntimeError):
    """Something asked the virtual loop for the real world: a socket, a thread, a pipe, a process, a signal."""


class VirtualTimeStuck(RuntimeError):
    """Time cannot go on: every task waits and nothing is scheduled, or the tasks run in circles at one instant."""


class TasksLeft(RuntimeError):
    """The coroutine ended and left tasks behind that nobody waits for."""


class VirtualTimeLoop(asyncio.BaseEventLoop):
    """An event loop whose time stands still while something runs and jumps while everything waits.

    Deterministic: the same coroutine gives the same order of steps and the same times; timers of one instant run in
    the order in which they were set. `time()` starts at `start_mono_s`, s. Raises `VirtualTimeStuck` out of the run
    when nothing is scheduled while the awaited task is pending, and `NotInVirtualTime` at a call that needs the real
    world. Usable as `asyncio.Runner(loop_factory=VirtualTimeLoop)`.
    """

    # What asyncio.base_events keeps privately and this loop works on; the stubs do not list it.
    _scheduled: list[tuple[float, int, TimerHandle]]  # a heap; tuples compare without a call into Python
    _ready: deque[Handle]
    _stopping: bool
    _timer_cancelled_count: int

    def __init__(self, *, start_mono_s: float = 0.0) -> None:
        super().__init__()
        self._thread = threading.get_ident()
        self._orders = 0
        self._rounds_here = 0
        self._now_mono_s = start_mono_s

    def time(self) -> float:
        """The virtual time, s."""
        return self._now_mono_s

    def call_later(
        self,
        delay: float,
        callback: Callable[[*Args], object],
        *args: *Args,
        context: Context | None = None,
    ) -> TimerHandle:
        """As asyncio's, from the virtual time."""
        return self.call_at(self._now_mono_s + delay, callback, *args, context=context)

    def call_at(
        self,
        when: float,
        callback: Callable[[*Args], object],
        *args: *Args,
        context: Context | None = None,
    ) -> TimerHandle:
        """As asyncio's, and in order of setting for timers of one instant; a time that is no number is refused."""
        if math.isnan(when):
            raise ValueError("a timer cannot be set for a time that is not a number")
        if self.is_closed():
            raise RuntimeError("Event loop is closed")
        self._orders += 1
        timer = TimerHandle(when, callback, args, self, context)
        heapq.heappush(self._scheduled, (when, self._orders, timer))
        timer._scheduled = True  # type: ignore[attr-defined]  # noqa: SLF001  # as BaseEventLoop.call_at does
        return timer

    def _run_once(self) -> None:
        """One round, as BaseEventLoop's: what is due becomes ready, and what was ready until now runs once."""
        scheduled, ready = self._scheduled, self._ready
        if self._timer_cancelled_count > MOST_CANCELLED and 2 * self._timer_cancelled_count > len(scheduled):
            self._sweep()
            scheduled = self._scheduled
        while scheduled and scheduled[0][2].cancelled():
            self._timer_cancelled_count -= 1
            heapq.heappop(scheduled)[2]._scheduled = False  # type: ignore[attr-defined]  # noqa: SLF001
        if ready or self._stopping:
            self._stay()
        else:
            self._jump()
        now_mono_s = self._now_mono_s
        while scheduled and scheduled[0][0] <= now_mono_s:
            timer = heapq.heappop(scheduled)[2]
            timer._scheduled = False  # type: ignore[attr-defined]  # noqa: SLF001
            ready.append(timer)
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle._cancelled:  # noqa: SLF001
                handle._run()  # noqa: SLF001

    def _sweep(self) -> None:
        """Forget the timers that were cancelled, deadlines most of them."""
        for _, _, timer in self._scheduled:
            if timer.cancelled():
                timer._scheduled = False  # type: ignore[attr-defined]  # noqa: SLF001
        self._scheduled = [one for one in self._scheduled if not one[2].cancelled()]
        heapq.heapify(self._scheduled)
        self._timer_cancelled_count = 0

    def _stay(self) -> None:
        self._rounds_here += 1
        if self._rounds_here > STANDSTILL_ROUNDS:
            self._rounds_here = 0
            raise VirtualTimeStuck(
                f"virtual time stands still at {self._now_mono_s:.6f} s: tasks keep running without ever waiting "
                f"for a later time; look at {self._waiting_tasks()}"
            )

    def _jump(self) -> None:
        """To the next timer instead of waiting; one that lies in the past is due now."""
        self._rounds_here = 0
        if not self._scheduled:
            raise VirtualTimeStuck(
                f"virtual time cannot go on at {self._now_mono_s:.6f} s: nothing is scheduled, and what these tasks "
                f"wait for will never come: {self._waiting_tasks()}"
            )
        self._set_time(max(self._now_mono_s, self._scheduled[0][0]))

    def leap(self, seconds: float) -> None:
        """Move the time on at once, from within a callback; what was due meanwhile is due now. Never backwards."""
        self._set_time(self._now_mono_s + max(0.0, seconds))

    def _set_time(self, now_mono_s: float) -> None:
        self._now_mono_s = now_mono_s

    def _waiting_tasks(self) -> str:
        described = sorted(_describe(task) for task in asyncio.all_tasks(self))
        return "; ".join(described) or "no task at all"

    def _write_to_self(self) -> None:
        """Called by `call_soon_threadsafe`: from a signal handler of this thread it is harmless, from another not."""
        if threading.get_ident() != self._thread:
            raise NotInVirtualTime(
                "virtual time has no other threads: call_soon_threadsafe was called from one; "
                "run this part in real time or replace the thread by a task"
            )


def _refusal(what: str, method: str) -> Callable[..., NoReturn]:
    def refuse(_loop: VirtualTimeLoop, *_args: object, **_named: object) -> NoReturn:
        raise NotInVirtualTime(
            f"virtual time has no place for {what}: {method}() was called; "
            "run this part in real time or give it an in-process stand-in"
        )

    return refuse


for _what, _methods in _REFUSED.items():
    for _method in _methods:
        setattr(VirtualTimeLoop, _method, _refusal(_what, _method))


def _describe(task: "asyncio.Task[Any]") -> str:
    """A task's name and the innermost line at which it waits."""
    waiting: Any = task.get_coro()
    while inspect.iscoroutine(getattr(waiting, "cr_await", None)):
        waiting = waiting.cr_await
    frame = getattr(waiting, "cr_frame", None)
    name = getattr(waiting, "__qualname__", "?")
    where = f" ({frame.f_code.co_filename.rpartition('/')[2]}:{frame.f_lineno})" if frame is not None else ""
    return f"task '{task.get_name()}' in {name}{where}"


def run_virtual(coro: Coroutine[Any, Any, T], *, start_mono_s: float = 0.0) -> T:
    """The coroutine's result, reached in virtual time that starts at `start_mono_s`, s.

    Raises what the coroutine raises, `VirtualTimeStuck` for a deadlock, and `TasksLeft` when tasks are still pending
    at its end.
    """

    async def watched() -> T:
        result = await coro
        left = asyncio.all_tasks() - {asyncio.current_task()}
        if left:
            raise TasksLeft(f"tasks were left behind: {'; '.join(sorted(_describe(task) for task in left))}")
        return result

    with asyncio.Runner(loop_factory=lambda: VirtualTimeLoop(start_mono_s=start_mono_s)) as runner:
        return runner.run(watched())
