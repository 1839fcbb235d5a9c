"""The sentry between a chain and a daemon's signs, both made up, in real time."""

import asyncio
import contextlib
import itertools
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from benchd.contract import LinkLost, SafetyChainReading
from benchd.sentry.chain import SentryChain
from benchd.sentry.judge import Rules
from benchd.sentry.sentry import Sentry
from benchd.sentry.shared import INPUTS, SharedFile, born

pytestmark = pytest.mark.wires  # by the clock

WITHIN_S = 5.0
RULES = Rules(tick_hz=100.0, tick_silent_s=1.0, starved_s=1.0, read_every_s=0.01)
CLOSED = SafetyChainReading(
    guard_closed=True, estop_released=True, remote_selected=True, torque_enabled=True, permit=True, taken_mono_s=0.0
)


@dataclass
class Chain:
    """A safety chain and its driver."""

    shows: SafetyChainReading = CLOSED
    beats: list[float] = field(default_factory=list)
    withdrawn: list[float] = field(default_factory=list)
    stuck: bool = False
    connections: int = 0
    announces_start: bool = False
    announced: list[bool] = field(default_factory=list)

    async def __aenter__(self):
        self.connections += 1
        return {"chain": self}

    async def __aexit__(self, kind, error, trace, /) -> None:
        pass

    async def reconnect(self) -> None:
        self.connections += 1
        self.stuck = False

    async def read(self) -> SafetyChainReading:
        while self.stuck:
            await asyncio.sleep(0.01)
        return replace(self.shows, taken_mono_s=time.monotonic())

    async def beat(self, *, high: bool) -> None:
        self.beats.append(time.monotonic())

    async def announce_start(self, *, on: bool) -> None:
        self.announced.append(on)

    async def withdraw_permit(self) -> None:
        self.withdrawn.append(time.monotonic())
        self.shows = replace(self.shows, permit=False, torque_enabled=False)


@dataclass
class Daemon:
    """The signs of a process that somebody else is."""

    shared: SharedFile
    pid: int
    ticks: int = 0
    beats: int = 0

    def show(self, *, energised: bool = True, ticks: int = 1, beats: int = 1) -> None:
        self.ticks += ticks
        self.beats += beats
        self.shared.show_daemon(
            pid=self.pid,
            born=born(self.pid),
            ticks=self.ticks,
            tick_mono_ns=time.monotonic_ns(),
            beats=self.beats,
            energised=energised,
        )


@pytest.fixture
def other() -> Iterator["subprocess.Popen[bytes]"]:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        yield process
        process.kill()


@pytest.fixture
def shared(tmp_path: Path) -> Iterator[SharedFile]:
    with SharedFile(tmp_path / "signs") as one:
        yield one


@contextlib.asynccontextmanager
async def watching(shared: SharedFile, chain: Chain, rules: Rules = RULES) -> AsyncIterator[list[tuple[str, dict]]]:
    told: list[tuple[str, dict]] = []
    with SharedFile(shared.path) as own:
        one = Sentry(chain, own, rules, port="chain", on_event=lambda name, **fields: told.append((name, fields)))
        task = asyncio.create_task(one.run())
        try:
            yield told
        finally:
            task.cancel()
            await asyncio.wait({task})


async def until(seen, what: str) -> None:
    end_s = time.monotonic() + WITHIN_S
    while not seen():
        assert time.monotonic() < end_s, what
        await asyncio.sleep(0.002)


async def test_a_daemon_that_dies_is_known_long_before_its_tick_is_missed(shared, other) -> None:
    chain, daemon = Chain(), Daemon(shared, other.pid)
    daemon.show(energised=False)
    async with watching(shared, chain) as told:
        await until(lambda: chain.connections, "the chain")
        daemon.show()
        await asyncio.sleep(0.05)
        other.kill()
        killed_s = time.monotonic()
        await until(lambda: chain.withdrawn, "the permit was not withdrawn")
    assert chain.withdrawn[0] - killed_s < 0.5  # where the tick alone would have told after 1 s
    assert [fields["because"] for name, fields in told if name == "permit_withdrawn"] == [
        f"the daemon (process {other.pid}) is gone while something is energised"
    ]


async def test_a_sentry_that_begins_beside_something_energised_opens_the_chain_and_spares_the_daemon(
    shared, other
) -> None:
    chain, daemon = Chain(), Daemon(shared, other.pid)
    daemon.show()
    async with watching(shared, chain):
        await until(lambda: chain.withdrawn, "the permit was not withdrawn")
        daemon.show(energised=False)
        await asyncio.sleep(0.1)
    assert other.poll() is None
    assert len(chain.withdrawn) == 1


async def test_one_that_begins_beside_a_bench_at_rest_leaves_the_chain_alone(shared, other) -> None:
    chain, daemon = Chain(), Daemon(shared, other.pid)
    daemon.show(energised=False)
    async with watching(shared, chain):
        await until(lambda: chain.connections, "the chain")
        await asyncio.sleep(0.1)
    assert chain.withdrawn == []


@pytest.mark.parametrize(
    ("ticks", "beats", "beaten"),
    [(1, 1, True), (0, 1, False), (1, 0, False)],
    ids=["both advance", "the tick stands still", "the daemon does not want it"],
)
async def test_the_chain_s_heartbeat_advances_only_while_tick_and_wish_do(
    shared, other, ticks: int, beats: int, beaten: bool
) -> None:
    chain, daemon = Chain(), Daemon(shared, other.pid)
    daemon.show(energised=False)
    async with watching(shared, chain):
        await until(lambda: chain.connections, "the chain")
        for _ in range(60):
            daemon.show(energised=False, ticks=ticks, beats=beats)
            await asyncio.sleep(0.01)
    assert bool(chain.beats) is beaten
    assert all(later - earlier >= 0.05 for earlier, later in itertools.pairwise(chain.beats))


CHAINS = {
    "closed": CLOSED,
    "with a release key": replace(CLOSED, release_pressed=True),
    **{f"without {name}": replace(CLOSED, **{name: False}) for name in INPUTS},
}


@pytest.mark.parametrize("shows", CHAINS.values(), ids=list(CHAINS))
async def test_every_input_of_the_chain_is_seen_through_the_sentry_as_it_is(shared, shows: SafetyChainReading) -> None:
    chain = SentryChain(shared, port="chain", withdraw_time_s=1.0)
    async with watching(shared, Chain(shows=shows)):
        seen = None
        async with asyncio.timeout(WITHIN_S):
            while seen is None:
                with contextlib.suppress(LinkLost):
                    seen = await chain.window.read()
                await asyncio.sleep(0.01)
    assert replace(seen, taken_mono_s=0.0) == shows
    assert 0.0 <= time.monotonic() - seen.taken_mono_s < WITHIN_S


async def test_an_exchange_that_is_stuck_makes_way_for_opening_the_chain(shared, other) -> None:
    chain, daemon = Chain(), Daemon(shared, other.pid)
    daemon.show(energised=False)
    async with watching(shared, chain, replace(RULES, reply_time_s=3.0)):
        await until(lambda: chain.connections, "the chain")
        daemon.show()
        chain.stuck = True
        await asyncio.sleep(0.05)
        shared.ask(1)
        asked_s = time.monotonic()
        await until(lambda: chain.withdrawn, "the permit was not withdrawn")
        daemon.show(energised=False)
    assert chain.withdrawn[0] - asked_s < 1.0


async def test_the_start_warning_is_switched_through_the_sentry_and_off_when_the_daemon_has_died(shared, other) -> None:
    chain, daemon = Chain(announces_start=True), Daemon(shared, other.pid)
    daemon.show(energised=False)
    seen = SentryChain(shared, port="chain", withdraw_time_s=WITHIN_S).window
    async with watching(shared, chain):
        await until(lambda: seen.announces_start, "the output was not shown")
        for on in (True, False, False, True):
            await seen.announce_start(on=on)
            assert chain.announced[-1] is on
        other.kill()
        await until(lambda: not chain.announced[-1], "the horn sounds for nobody")
    assert chain.announced == [True, False, False, True, False]


async def test_a_chain_without_a_start_warning_is_seen_as_one(shared, other) -> None:
    chain = Chain()
    seen = SentryChain(shared, port="chain", withdraw_time_s=WITHIN_S).window
    assert not seen.announces_start  # nobody is there either
    async with watching(shared, chain):
        await until(lambda: chain.connections, "the chain")
        await asyncio.sleep(0.05)
        assert not seen.announces_start
    assert chain.announced == []


async def test_what_was_asked_of_an_earlier_sentry_is_not_done_again(shared, other) -> None:
    chain, daemon = Chain(announces_start=True), Daemon(shared, other.pid)
    shared.ask(4)
    shared.warn(7)
    daemon.show(energised=False)
    async with watching(shared, chain):
        await until(lambda: chain.connections, "the chain")
        await asyncio.sleep(0.1)
    assert (chain.withdrawn, chain.announced) == ([], [])
