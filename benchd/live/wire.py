"""Runs a driver's work in tasks of a group, each for a bounded time, and keeps an eye on those that will not end.

It must never let a driver hold up its caller: a task that ignores its cancellation is held here until it lets go.
"""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from typing import Any

from benchd.contract import LinkLost

PATIENCE_S = 0.005  # how long a cancelled driver call may hold up what comes after it


class Wire:
    """The tasks inside one driver. `on_free()` runs when a held task has let go."""

    def __init__(self, name: str, *, on_free: Callable[[], None]) -> None:
        self.group: asyncio.TaskGroup | None = None  # set while the link runs
        self.held: set[asyncio.Task[Any]] = set()  # cancelled, and still inside the driver
        self._name = name
        self._on_free = on_free

    def start(self, work: Coroutine[Any, Any, Any]) -> "asyncio.Task[Any]":
        """A task in the link's group. Raises `RuntimeError` when the link does not run."""
        if self.group is None:
            work.close()
            raise RuntimeError(f"the link to {self._name} does not run")
        return self.group.create_task(work)

    def hold(self, task: "asyncio.Task[Any]") -> None:
        """Hold a cancelled task until it ends; nothing waits for it meanwhile but the next ordinary call."""
        if not task.done():
            self.held.add(task)
            task.add_done_callback(self._let_go)

    async def attempt(
        self,
        work: Callable[[], Awaitable[None]],
        *,
        limit_s: float,
        what: str,
        started: Callable[["asyncio.Task[Any]"], None] | None = None,
    ) -> Exception | None:
        """How the driver's work ended: None, what it raised, or `LinkLost` when its time was over or it was cancelled.

        It is cancelled after `limit_s`, then waited for `PATIENCE_S`, then held. `started` gets the task.
        """
        task = self.start(_kept(work))
        if started is not None:
            started(task)
        try:
            await asyncio.wait({task}, timeout=limit_s)
            if not task.done():
                task.cancel()
                await asyncio.wait({task}, timeout=PATIENCE_S)
        finally:
            if not task.done():
                task.cancel()
                self.hold(task)
        if not task.done() or task.cancelled():
            return LinkLost(f"{self._name}: {what} took longer than {limit_s:g} s; look at the device and its cable")
        error: Exception | None = task.result()
        return error

    def _let_go(self, task: "asyncio.Task[Any]") -> None:
        self.held.discard(task)
        self._on_free()


async def _kept(work: Callable[[], Awaitable[None]]) -> Exception | None:
    """The error of `work` as a value, so that the group does not end with it.

    It takes a callable because a task that is cancelled before its first step would leave a coroutine unawaited.
    """
    try:
        await work()
    except Exception as error:  # noqa: BLE001  # handed on as a value
        return error
    return None
