"""What the link's tests share: a link to a scripted device that runs, and callers that expect an outcome."""

import asyncio
import contextlib
from collections.abc import AsyncIterator

import pytest

from benchd.contract import LinkLost, Refused, ReplyWrong
from benchd.live.link import Link
from benchd.live.link_state import LinkChange, LinkState

from .scripted_driver import ScriptedDriver

REPLY_S = 0.2
SAFE_S = 0.5


class Bench:
    """A link to a scripted device and what it told."""

    def __init__(self, driver: ScriptedDriver, **named) -> None:
        self.driver = driver
        self.changes: list[LinkChange] = []
        self.link = Link(
            "supply", driver, reply_time_s=REPLY_S, safe_time_s=SAFE_S, on_change=self.changes.append, **named
        )

    @property
    def states(self) -> list[LinkState]:
        return [change.state for change in self.changes]

    async def ask(self, number: float, **named) -> float:
        return await self.link.call("output", lambda port: port.ask(number), **named)

    async def safe(self) -> None:
        await self.link.make_safe("output")


def now_s() -> float:
    return asyncio.get_running_loop().time()


@contextlib.asynccontextmanager
async def running(driver: ScriptedDriver, *, wait_s: float = 0.01, **named) -> AsyncIterator[Bench]:
    bench = Bench(driver, **named)
    async with asyncio.TaskGroup() as group:
        run = group.create_task(bench.link.run())
        bench.run = run
        await asyncio.sleep(wait_s)
        try:
            yield bench
        finally:
            run.cancel()


async def expect(bench: Bench, number: float, kind: type[Exception], match: str | None = None) -> float:
    with pytest.raises(kind, match=match):
        await bench.ask(number)
    return now_s()


async def outcome(bench: Bench, number: float) -> None:
    with contextlib.suppress(LinkLost, ReplyWrong, Refused):
        assert await bench.ask(number) == number


async def safe_outcome(bench: Bench) -> None:
    with contextlib.suppress(LinkLost):
        await bench.safe()
