"""Coming to rest: who told that the shaft stands, whose word counts, and for how long it must have been still."""

import asyncio

import pytest

from benchd.live.resting import STEADY_IF_DOUBTED_S, STEADY_S, Rester

from .pair_parts import PairWorld
from .parts import World, parts

pytestmark = pytest.mark.virtual_time


async def rested(world: World, *, doubted: frozenset[str] = frozenset()) -> tuple[str | None, dict, float]:
    """What coming to rest gave, what it told of standstill, and how long it took."""
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await asyncio.sleep(0.1)
        began_s = loop.time()
        sentence = await Rester(rack).come_to_rest(lambda: doubted)
        told = world.told("standstill")
        return sentence, told[0] if told else {}, loop.time() - began_s


async def test_standstill_says_which_devices_told_it() -> None:
    sentence, told, took_s = await rested(World(sink_on=True))
    assert sentence is None
    assert told == {"measured": True, "told_by": ["load_drive", "measuring_unit"], "only_doubted": False}
    assert STEADY_S <= took_s < STEADY_S + 0.1


async def test_a_doubted_device_is_not_among_them_while_another_tells() -> None:
    _, told, took_s = await rested(World(), doubted=frozenset({"measuring_unit"}))
    assert told == {"measured": True, "told_by": ["load_drive"], "only_doubted": False}
    assert took_s < STEADY_S + 0.1


async def test_standstill_that_only_doubted_devices_tell_is_not_called_measured_and_takes_longer() -> None:
    _, told, took_s = await rested(World(), doubted=frozenset({"measuring_unit", "load_drive"}))
    assert told == {"measured": False, "told_by": ["load_drive", "measuring_unit"], "only_doubted": True}
    assert took_s >= STEADY_IF_DOUBTED_S


async def test_what_doubted_devices_told_does_not_shorten_the_rest_that_a_believed_one_must_see() -> None:
    doubts = [frozenset({"measuring_unit", "load_drive"})]
    loop = asyncio.get_running_loop()
    async with parts(World()) as rack:
        await asyncio.sleep(0.1)
        began_s = loop.time()
        loop.call_later(0.9, doubts.append, frozenset({"load_drive"}))
        assert await Rester(rack).come_to_rest(lambda: doubts[-1]) is None
        assert loop.time() - began_s >= 0.9 + STEADY_S


async def test_the_motor_drives_end_of_the_shaft_counts_too() -> None:
    world = PairWorld()
    _, told, _ = await rested(world)
    assert told["told_by"] == ["load_drive", "measuring_unit", "motor_drive"]


async def test_a_motor_drive_that_still_turns_is_waited_for_where_the_coupling_broke() -> None:
    world = PairWorld(says_speed_rpm=0.0, speed_rpm=3000.0, drag_nm=0.0)
    async with parts(world) as rack:
        await asyncio.sleep(0.05)
        sentence = await Rester(rack).come_to_rest()
        assert "did not come to rest" in sentence
        assert world.told("standstill") == []
