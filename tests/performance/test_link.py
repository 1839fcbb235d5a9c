"""What a call through the link costs over the driver call itself, and seven devices at 50 Hz as a share of a core."""

import asyncio
import os
import statistics
import sys
import time

import pytest

from benchd.live.link import Link
from benchd.live.link_state import LinkState

pytestmark = pytest.mark.performance

ROUNDS = 4000
REPEATS = 7


class Instant:
    """A device that is on the wire for one round of the loop: what is left is the link's own cost."""

    async def __aenter__(self):
        return {"group": self}

    async def __aexit__(self, kind, error, trace, /) -> None:
        pass

    async def reconnect(self) -> None:
        pass

    async def read(self) -> float:
        await asyncio.sleep(0)
        return 1.0


def opened() -> Link:
    return Link("thermometers", Instant(), reply_time_s=0.2, safe_time_s=0.5, on_change=lambda _: None)


async def until_up(*links: Link) -> None:
    while any(link.state is not LinkState.UP for link in links):
        await asyncio.sleep(0.001)


async def test_a_call_through_the_link_costs_little(capsys):
    link = opened()
    device = Instant()
    bare_us: list[float] = []
    linked_us: list[float] = []
    async with asyncio.TaskGroup() as group:
        run = group.create_task(link.run())
        await until_up(link)
        for _ in range(REPEATS):
            began = time.perf_counter()
            for _ in range(ROUNDS):
                await device.read()
            between = time.perf_counter()
            for _ in range(ROUNDS):
                await link.call("group", Instant.read)
            bare_us.append((between - began) / ROUNDS * 1e6)
            linked_us.append((time.perf_counter() - between) / ROUNDS * 1e6)
        run.cancel()
    cost_us = statistics.median(linked_us) - statistics.median(bare_us)
    with capsys.disabled():
        sys.stdout.write(
            f"\na call {statistics.median(linked_us):.1f} us, bare {statistics.median(bare_us):.1f} us: "
            f"the link costs {cost_us:.1f} us (best of {REPEATS}: {min(linked_us) - min(bare_us):.1f} us)\n"
        )
    assert cost_us < 250.0


async def test_seven_links_at_50_hz_leave_the_core_to_the_bench(capsys):
    links = [opened() for _ in range(7)]

    async def poll(link: Link, until_s: float) -> None:
        while asyncio.get_running_loop().time() < until_s:
            await link.call("group", Instant.read)
            await asyncio.sleep(0.02)

    async with asyncio.TaskGroup() as group:
        runs = [group.create_task(link.run()) for link in links]
        await until_up(*links)
        cpu_began, began = os.times(), time.perf_counter()
        async with asyncio.TaskGroup() as pollers:
            for link in links:
                pollers.create_task(poll(link, asyncio.get_running_loop().time() + 5.0))
        cpu, seconds = os.times(), time.perf_counter() - began
        for run in runs:
            run.cancel()
    core = (cpu.user + cpu.system - cpu_began.user - cpu_began.system) / seconds
    calls = sum(link.counters.calls for link in links)
    with capsys.disabled():
        sys.stdout.write(f"\n7 links, {calls / seconds:.0f} calls/s: {core:.1%} of a core, pollers' timers included\n")
    assert core < 0.15
