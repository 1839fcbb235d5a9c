"""The lane to one device: calls wait in line and go to the driver one at a time.

It knows callers, deadlines and tasks. It must never judge what an error means for the connection, and never start a
call by itself: its owner does both.
"""

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

from benchd.live.wire import PATIENCE_S, Wire


class Job:
    """One call: who asked, for what, until when, and how it ended."""

    __slots__ = ("action", "deadline_s", "dropped", "error", "outcome", "port", "result", "task", "timer")

    def __init__(
        self,
        port: str,
        action: Callable[[Any], Awaitable[Any]],
        *,
        deadline_s: float,
        outcome: "asyncio.Future[Any]",
    ) -> None:
        self.port = port
        self.action = action
        self.deadline_s = deadline_s
        self.outcome = outcome
        self.task: asyncio.Task[None] | None = None
        self.timer: asyncio.TimerHandle | None = None
        self.result: Any = None
        self.error: Exception | None = None
        self.dropped = False  # its caller has been told already; whatever the driver still brings is thrown away

    async def perform(self, port: Any) -> None:
        """Run the action and keep how it ended; only a cancellation leaves this coroutine."""
        try:
            self.result = await self.action(port)
        except Exception as error:  # noqa: BLE001  # kept for the caller, who gets every kind
            self.error = error

    def fail(self, error: Exception) -> None:
        """Tell the caller, if nobody has yet and the caller still waits."""
        if not self.outcome.done():
            self.outcome.set_exception(error)

    def stop_timer(self) -> None:
        """The deadline no longer matters."""
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None


class Lane:
    """First come, first served, one at a time; a call that ignores its cancellation is set aside.

    `on_late(job)` runs when the deadline of the running job passes, `on_end(job)` when a job's driver call has ended,
    `on_free()` when a dropped job no longer blocks the lane.
    """

    def __init__(
        self,
        wire: Wire,
        *,
        on_late: Callable[[Job], None],
        on_end: Callable[[Job], None],
        on_free: Callable[[], None],
    ) -> None:
        self.running: Job | None = None
        self.queue: deque[Job] = deque()
        self._wire = wire
        self._on_late = on_late
        self._on_end = on_end
        self._on_free = on_free

    def start(self, job: Job, *, port: Any) -> None:
        """Send a job to the driver. The lane must be free."""
        self.running = job
        job.stop_timer()
        job.task = self._wire.start(job.perform(port))
        job.task.add_done_callback(partial(self._ended, job))
        job.timer = asyncio.get_running_loop().call_later(job.deadline_s, self._late, job)

    def wait_in_line(self, job: Job, *, longest_s: float, error: Exception) -> None:
        """Queue a job; after `longest_s` in the queue it fails with `error`, and nothing was sent."""
        self.queue.append(job)
        job.timer = asyncio.get_running_loop().call_later(longest_s, self._give_up_waiting, job, error)

    def refuse_queued(self, error: Exception) -> int:
        """Fail everything that waits; the number of calls that did."""
        refused = len(self.queue)
        while self.queue:
            job = self.queue.popleft()
            job.stop_timer()
            job.fail(error)
        return refused

    def leave_line(self, job: Job) -> None:
        """Take a job whose caller has gone out of the queue."""
        job.stop_timer()
        if job in self.queue:
            self.queue.remove(job)

    def drop(self, job: Job, error: Exception) -> None:
        """Cancel the running job and tell its caller at once; it blocks the lane for `PATIENCE_S` at most."""
        if job.dropped or job.task is None:
            return
        job.dropped = True
        job.fail(error)
        job.stop_timer()
        job.task.cancel()
        job.timer = asyncio.get_running_loop().call_later(PATIENCE_S, self.set_aside, job)

    def set_aside(self, job: Job) -> None:
        """Stop waiting for a dropped job: it no longer blocks the lane, but is held until the driver lets go."""
        if self.running is not job or job.task is None:
            return
        job.stop_timer()
        self.running = None
        self._wire.hold(job.task)
        self._on_free()

    def _late(self, job: Job) -> None:
        if self.running is job and job.task is not None and not job.task.done():
            self._on_late(job)

    def _give_up_waiting(self, job: Job, error: Exception) -> None:
        job.timer = None
        if job in self.queue:
            self.queue.remove(job)
            job.fail(error)

    def _ended(self, job: Job, task: "asyncio.Task[None]") -> None:
        job.stop_timer()
        if self.running is job:
            self.running = None
        if not job.outcome.done() and job.error is None and not task.cancelled():
            job.outcome.set_result(job.result)
        elif job.error is not None:
            job.fail(job.error)
        self._on_end(job)
