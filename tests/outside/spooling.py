"""A spool with a disk thread and a sender that the tests drive by hand."""

import asyncio
import contextlib
import shutil
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchd.outside.spool import Spool


class Sender:
    """What the broker's side does: take the head, have it acknowledged, forget it."""

    def __init__(self, spool: Spool) -> None:
        self.spool = spool
        self.sent: list[str] = []
        self.told: list[bool] = []

    def put(self, *ids: str) -> None:
        for id_ in ids:
            self.spool.put("bench/v1/x/event", id_, f'{{"id":"{id_}"}}'.encode())

    async def take(self, count: int, *, within_s: float = 5.0) -> list[str]:
        """That many, in order."""
        taken: list[str] = []
        async with asyncio.timeout(within_s):
            while len(taken) < count:
                head = self.spool.head
                if head is None:
                    await asyncio.sleep(0.001)
                    continue
                assert head.payload == f'{{"id":"{head.id}"}}'.encode()
                assert head.topic == "bench/v1/x/event"
                taken.append(head.id)
                self.sent.append(head.id)
                self.spool.forget(head)
        return taken

    async def everything(self) -> list[str]:
        """All that is known to wait."""
        taken: list[str] = []
        while self.spool.waiting:
            taken += await self.take(1)
        return taken

    async def opened(self) -> None:
        """Return when it is known what an earlier life left."""
        async with asyncio.timeout(5.0):
            while not self.spool._opened:
                await asyncio.sleep(0.001)

    async def on_disk(self) -> None:
        """Return when nothing waits in memory only."""
        await self.opened()
        async with asyncio.timeout(5.0):
            while self.spool._fresh or self.spool._batch or self.spool._told_taken_to < self.spool._taken_to:
                await asyncio.sleep(0.001)


@contextlib.asynccontextmanager
async def spooling(
    directory: Path,
    *,
    at_most_bytes: int = 16 * 2**20,
    before: Callable[[], None] = lambda: None,
) -> AsyncIterator[Sender]:
    """A running spool; left in order. `before` is called in the disk's thread before everything it does."""
    with ThreadPoolExecutor(max_workers=1) as disk:

        async def offload(slow: Callable[[], object]) -> object:
            def call() -> object:
                before()
                return slow()

            return await asyncio.get_running_loop().run_in_executor(disk, call)

        sender: Sender | None = None
        spool = Spool(
            directory,
            offload=offload,
            at_most_bytes=at_most_bytes,
            on_change=lambda well, _: sender.told.append(well) if sender is not None else None,
        )
        sender = Sender(spool)
        async with asyncio.TaskGroup() as group:
            running = group.create_task(spool.run())
            await asyncio.sleep(0)
            try:
                yield sender
            finally:
                running.cancel()


def as_a_kill_leaves_it(directory: Path) -> Path:
    """What another process would find now, had this one been killed."""
    copy = directory.with_name(f"{directory.name}_")
    shutil.copytree(directory, copy)
    return copy
