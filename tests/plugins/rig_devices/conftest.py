"""A simulated bench whose clock the test turns by hand, and one that is served on real sockets."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from benchd_rig.bench import Bench, make_bench
from benchd_rig.servers import DeviceServers


class HandClock:
    """Time that passes only when a test says so."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.bench: Bench | None = None

    def __call__(self) -> float:
        return self.now_s

    def passes(self, seconds: float) -> None:
        self.now_s += seconds
        assert self.bench is not None
        self.bench.advance()


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def bench(clock: HandClock) -> Bench:
    made = make_bench("vent_flap_24v", seed=1, clock=clock)
    clock.bench = made
    made.advance()
    return made


@pytest.fixture
async def served() -> AsyncIterator[DeviceServers]:
    made = make_bench("vent_flap_24v", seed=1, clock=asyncio.get_running_loop().time, longest_catch_up_s=0.1)
    async with DeviceServers(made) as servers:
        yield servers
