"""Coming to rest: who told that the shaft stands, whose word counts, and for how long it must have been still."""

import asyncio

import pytest

from benchd.contract import DriveState
from benchd.live.resting import STEADY_IF_DOUBTED_S, STEADY_S, Rester
from benchd.rules.states import Command, State

from .made_up_bench import MadeUp, made_up
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


ALL = ["load_drive", "measuring_unit"]


async def test_standstill_says_which_devices_told_it() -> None:
    sentence, told, took_s = await rested(World(sink_on=True))
    assert sentence is None
    assert told == {"measured": True, "told_by": ALL, "untold": [], "only_doubted": False}
    assert STEADY_S <= took_s < STEADY_S + 0.1


@pytest.mark.parametrize("doubted", [["measuring_unit"], ["load_drive"], ALL])
async def test_standstill_of_an_end_that_a_doubted_device_tells_is_not_called_measured_and_takes_longer(
    doubted: list[str],
) -> None:
    sentence, told, took_s = await rested(World(), doubted=frozenset(doubted))
    assert sentence is None
    assert told == {"measured": False, "told_by": ALL, "untold": [], "only_doubted": doubted == ALL}
    assert took_s >= STEADY_IF_DOUBTED_S


async def test_a_doubted_device_that_tells_no_end_does_not_count_while_the_drives_tell_theirs() -> None:
    world = PairWorld(says_speed_rpm=500.0)
    sentence, told, took_s = await rested(world, doubted=frozenset({"measuring_unit"}))
    assert sentence is None
    assert told == {"measured": True, "told_by": ["load_drive", "motor_drive"], "untold": [], "only_doubted": False}
    assert took_s < STEADY_S + 0.1


@pytest.mark.parametrize(
    ("world", "silent", "told_by"),
    [
        (World, "load_drive", ["measuring_unit"]),
        (World, "measuring_unit", ["load_drive"]),
        (PairWorld, "load_drive", ["measuring_unit", "motor_drive"]),
        (PairWorld, "motor_drive", ["load_drive", "measuring_unit"]),
    ],
)
async def test_an_end_of_the_shaft_that_nothing_tells_is_not_measured_and_told_as_unconfirmed(
    world: type[World], silent: str, told_by: list[str]
) -> None:
    """The coupling may be broken; an encoder sits on one side of it, and nobody said on which."""
    one = world(sink_on=True, behaviour={silent: "silent"})
    sentence, told, took_s = await rested(one, doubted=frozenset({silent}))
    assert f"No speed is read from {silent}: that end of the shaft may turn" in sentence
    assert told == {"measured": False, "told_by": told_by, "untold": [silent], "only_doubted": False}
    assert took_s >= STEADY_IF_DOUBTED_S
    assert not one.sink_on


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


async def at_rest(bench: MadeUp, state: State) -> None:
    """In one of the states in which nothing is energised."""
    if state is State.IDLE:
        bench.order(Command.RESET)
    elif state is not State.STOPPED:
        await bench.turning()
        bench.order(Command.ABORT)
    assert await bench.settle() is state


@pytest.mark.parametrize("state", [State.STOPPED, State.IDLE, State.ABORTED])
@pytest.mark.parametrize("what", ["stage_on", "output_on"])
async def test_what_comes_back_on_by_itself_while_the_bench_rests_is_told_and_opens_the_chain(
    state: State, what: str
) -> None:
    async with made_up() as bench:
        await at_rest(bench, state)
        await asyncio.sleep(3.0)
        assert bench.world.permit
        assert bench.world.told("back_on") == []
        setattr(bench.world, what, True)
        await bench.until(bench.off, "everything off again", within_s=1.5)
        assert not bench.world.permit
        assert "after it had confirmed off" in bench.world.told("back_on")[0]["sentence"]


async def test_a_device_that_only_says_that_it_is_on_is_told_once_and_not_for_ever() -> None:
    async with made_up() as bench:
        await at_rest(bench, State.IDLE)
        bench.world.says_state = DriveState.OPERATION_ENABLED
        await asyncio.sleep(20.0)
        assert len(bench.world.told("back_on")) == 1
        assert bench.world.names().count("safety_chain.withdraw_permit") == 1


async def test_whoever_has_turned_the_selector_to_local_may_switch_on_at_the_panel() -> None:
    async with made_up() as bench:
        await at_rest(bench, State.STOPPED)
        bench.world.remote = False
        await asyncio.sleep(0.2)
        bench.world.output_on = True
        await asyncio.sleep(5.0)
        assert bench.world.output_on
        assert bench.world.permit
        bench.world.remote = True
        await bench.until(bench.off, "off with the selector on remote", within_s=1.5)
