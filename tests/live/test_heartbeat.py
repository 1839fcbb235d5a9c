"""The heartbeat: one change a poll while the tick advances and it is wanted, none otherwise."""

import pytest

from benchd.contract import LinkLost
from benchd.live.heartbeat import Heartbeat

from .parts import CHAIN

pytestmark = pytest.mark.virtual_time


class Chain:
    def __init__(self) -> None:
        self.beats: list[bool] = []
        self.lost = False

    async def call(self, port, action):
        assert port == CHAIN.port
        return await action(self)

    async def beat(self, *, high: bool) -> None:
        if self.lost:
            raise LinkLost("safety_chain: no reply")
        self.beats.append(high)


class Ticking:
    def __init__(self) -> None:
        self.ticks = 0
        self.wanted = True
        self.chain = Chain()
        self.heartbeat = Heartbeat(CHAIN, self.chain, ticks=lambda: self.ticks, wanted=lambda: self.wanted)

    async def poll(self, *, ticks: int = 1) -> None:
        self.ticks += ticks
        await self.heartbeat.beat()


async def test_every_poll_with_a_new_tick_changes_the_beat() -> None:
    ticking = Ticking()
    for _ in range(4):
        await ticking.poll()
    assert ticking.chain.beats == [True, False, True, False]


async def test_a_tick_that_stands_still_beats_no_more_and_one_that_goes_on_does() -> None:
    ticking = Ticking()
    await ticking.poll()
    for _ in range(10):
        await ticking.poll(ticks=0)
    assert ticking.chain.beats == [True]
    await ticking.poll()
    assert ticking.chain.beats == [True, False]


async def test_a_heartbeat_that_is_not_wanted_stays_away_until_it_is_wanted_again() -> None:
    ticking = Ticking()
    await ticking.poll()
    ticking.wanted = False
    for _ in range(10):
        await ticking.poll()
    assert ticking.chain.beats == [True]
    ticking.wanted = True
    await ticking.poll()
    assert ticking.chain.beats == [True, False]


async def test_on_a_wire_that_loses_every_other_beat_each_that_arrives_is_a_change() -> None:
    ticking = Ticking()
    for number in range(8):
        ticking.chain.lost = number % 2 == 1
        if ticking.chain.lost:
            with pytest.raises(LinkLost):
                await ticking.poll()
        else:
            await ticking.poll()
    assert ticking.chain.beats == [True, False, True, False]
