"""Virtual time: an asyncio event loop whose clock jumps to the next timer when nothing is ready to run.

It lets a test or a rehearsal run an hour in the time its callbacks take. It must never let the real world in: a socket,
a thread or a process would answer at no defined virtual time, so each of them is refused with a sentence.
"""

import asyncio
import heapq
import inspect
import math
import threading
from asyncio.events import TimerHandle
from collections.abc import Callable, Coroutine
from contextvars import Context
from typing import Any, NoReturn, TypeVar, TypeVarTuple

T = TypeVar("T")
Args = TypeVarTuple("Args")

STANDSTILL_ROUNDS = 1_000_000  # loop rounds without a jump; a busy second has a few thousand
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


class _OrderedTimer(TimerHandle):
    """A timer that runs after the timers set before it for the same instant."""

    __slots__ = ("order",)

    def __init__(
        self,
        when: float,
        callback: Callable[..., object],
        args: tuple[Any, ...],
        *,
        loop: asyncio.AbstractEventLoop,
        context: Context | None,
        order: int,
    ) -> None:
        super().__init__(when, callback, args, loop, context)
        self.order = order

    def __lt__(self, other: object) -> bool:
        if not isinstance(other, _OrderedTimer):
            return NotImplemented
        mine, theirs = self.when(), other.when()
        return mine < theirs or (mine == theirs and self.order < other.order)


class VirtualTimeLoop(asyncio.BaseEventLoop):
    """An event loop whose time stands still while something runs and jumps while everything waits.

    Deterministic: the same coroutine gives the same order of steps and the same times; timers of one instant run in
    the order in which they were set. `time()` starts at `start_mono_s`, s. Raises `VirtualTimeStuck` out of the run
    when nothing is scheduled while the awaited task is pending, and `NotInVirtualTime` at a call that needs the real
    world. Usable as `asyncio.Runner(loop_factory=VirtualTimeLoop)`.
    """

    # What asyncio.base_events keeps privately and this loop works on; the stubs do not list it.
    _scheduled: list[TimerHandle]
    _clock_resolution: float

    def __init__(self, *, start_mono_s: float = 0.0) -> None:
        super().__init__()
        self._thread = threading.get_ident()
        self._selector = self  # the base class asks its selector how long to wait: that is where time jumps
        self._orders = 0
        self._rounds_here = 0
        self._set_time(start_mono_s)

    def time(self) -> float:
        """The virtual time, s."""
        return self._now_mono_s

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
        timer = _OrderedTimer(when, callback, args, loop=self, context=context, order=self._orders)
        heapq.heappush(self._scheduled, timer)
        timer._scheduled = True  # type: ignore[attr-defined]  # noqa: SLF001  # as BaseEventLoop.call_at does
        return timer

    def select(self, timeout: float | None) -> list[Any]:
        """Jump to the next timer instead of waiting; called by the base class once a round."""
        if timeout == 0.0:
            self._rounds_here += 1
            if self._rounds_here > STANDSTILL_ROUNDS:
                self._rounds_here = 0
                raise VirtualTimeStuck(
                    f"virtual time stands still at {self._now_mono_s:.6f} s: tasks keep running without ever waiting "
                    f"for a later time; look at {self._waiting_tasks()}"
                )
            return []
        self._rounds_here = 0
        if timeout is None:
            raise VirtualTimeStuck(
                f"virtual time cannot go on at {self._now_mono_s:.6f} s: nothing is scheduled, and what these tasks "
                f"wait for will never come: {self._waiting_tasks()}"
            )
        self._set_time(self._scheduled[0].when())
        return []

    def _set_time(self, now_mono_s: float) -> None:
        self._now_mono_s = now_mono_s
        # The base class runs timers before time() + resolution: the smallest step makes "due" mean "at or before now".
        self._clock_resolution = math.ulp(now_mono_s)

    def _waiting_tasks(self) -> str:
        described = sorted(_describe(task) for task in asyncio.all_tasks(self))
        return "; ".join(described) or "no task at all"

    def _process_events(self, event_list: list[Any]) -> None:
        """There are no events: nothing outside is connected."""

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
