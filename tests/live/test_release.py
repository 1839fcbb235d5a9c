"""The release at the bench: only a change from off to on after the start was asked for counts."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest

from benchd.live.engine import ActFailed
from benchd.live.plan import BenchPlan
from benchd.live.rack import Rack
from benchd.live.starting import Starter
from benchd.rules.states import Command, State

from .made_up_bench import made_up
from .parts import World, parts, run_plan

pytestmark = pytest.mark.virtual_time

WITHIN_S = 10.0
ENERGISING = {"load_drive.enable", "supply.switch_output True"}


@contextlib.asynccontextmanager
async def asking_for_release(world: World) -> AsyncIterator[Rack]:
    async with parts(world) as rack:
        rack.plan = replace(
            rack.plan, starting=replace(rack.plan.starting, release_at_bench=True, release_within_s=WITHIN_S)
        )
        await asyncio.sleep(0.05)
        yield rack


def later(world: World, after_s: float, **values: object) -> None:
    for name, value in values.items():
        asyncio.get_running_loop().call_later(after_s, setattr, world, name, value)


async def refusal(rack: Rack, world: World) -> str:
    """The sentence with which a start is refused; nothing was warned of, sent or enabled then."""
    with pytest.raises(ActFailed) as failed:
        await Starter(rack).start(run_plan())
    assert not ENERGISING & set(world.names())
    assert not world.told("start_warning")
    assert not rack.energised
    assert rack.waits_for == ""
    return str(failed.value)


async def test_pressed_after_the_start_was_asked_for_it_releases_the_start_and_then_people_are_warned() -> None:
    world = World(release=False, horn=[])
    async with asking_for_release(world) as rack:
        later(world, 3.0, release=True)
        later(world, 3.5, release=False)
        await Starter(rack).start(run_plan())
        assert set(world.names()) >= ENERGISING
        names = [name for name, _ in world.events]
        assert names.index("release_awaited") < names.index("release_given") < names.index("start_warning")
        assert world.told("release_given")[0]["after_s"] == pytest.approx(3.0, abs=0.05)
        assert world.horn == [True, False]


async def test_not_pressed_in_time_the_start_is_refused_in_one_sentence() -> None:
    world = World(release=False)
    async with asking_for_release(world) as rack:
        began_s = asyncio.get_running_loop().time()
        assert await refusal(rack, world) == (
            "The release at the bench was not given within 10 s, so nothing was started: start again and press it at "
            "the bench."
        )
        assert asyncio.get_running_loop().time() - began_s == pytest.approx(WITHIN_S, abs=0.1)


async def test_one_that_is_stuck_on_does_not_count() -> None:
    world = World(release=True)
    async with asking_for_release(world) as rack:
        sentence = await refusal(rack, world)
        assert "was pressed before the start was asked for" in sentence
        assert "stuck" in sentence


async def test_one_that_was_pressed_before_and_is_let_go_does_not_count() -> None:
    world = World(release=True)
    async with asking_for_release(world) as rack:
        later(world, 2.0, release=False)
        assert "was not given within 10 s" in await refusal(rack, world)


async def test_let_go_and_pressed_anew_within_the_time_counts() -> None:
    world = World(release=True)
    async with asking_for_release(world) as rack:
        later(world, 2.0, release=False)
        later(world, 4.0, release=True)
        await Starter(rack).start(run_plan())
        assert world.told("release_given")[0]["after_s"] == pytest.approx(4.0, abs=0.05)


async def test_pressed_too_late_does_not_count() -> None:
    world = World(release=False)
    async with asking_for_release(world) as rack:
        later(world, WITHIN_S + 0.05, release=True)
        assert "was not given within 10 s" in await refusal(rack, world)


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"permit": False}, "Safe torque off is active"), ({"remote": False}, "turned to local")],
)
async def test_a_chain_that_objects_while_it_is_waited_for_ends_the_start_at_once(changes: dict, words: str) -> None:
    world = World(release=False)
    async with asking_for_release(world) as rack:
        later(world, 2.0, **changes)
        later(world, 3.0, release=True)
        began_s = asyncio.get_running_loop().time()
        assert words in await refusal(rack, world)
        assert asyncio.get_running_loop().time() - began_s == pytest.approx(2.0, abs=0.1)


async def test_a_chain_that_falls_silent_while_it_is_waited_for_ends_the_start() -> None:
    world = World(release=False)
    async with asking_for_release(world) as rack:
        asyncio.get_running_loop().call_later(1.0, world.behaviour.__setitem__, "safety_chain", "silent")
        assert "gives no reading" in await refusal(rack, world)


async def test_a_chain_without_that_input_refuses_the_start_and_says_what_to_do() -> None:
    world = World()
    async with asking_for_release(world) as rack:
        assert "shows no release at the bench" in await refusal(rack, world)


async def test_what_is_waited_for_is_told_with_the_time_that_is_left() -> None:
    world = World(release=False)
    async with asking_for_release(world) as rack, asyncio.TaskGroup() as group:
        start = group.create_task(refusal(rack, world))
        await asyncio.sleep(4.0)
        assert "press it within 6 s" in rack.waits_for
        await start


async def test_a_bench_that_does_not_ask_for_it_waits_for_nothing() -> None:
    world = World(release=False)
    async with parts(world) as rack:
        await Starter(rack).start(run_plan())
        assert not world.told("release_awaited")
        assert world.told("start_warning")[0]["announced"] is False


class AskingForRelease(World):
    def plan(self) -> BenchPlan:
        plan = super().plan()
        return replace(plan, starting=replace(plan.starting, release_at_bench=True, zero_time_s=1.0))


@pytest.mark.parametrize("moment", [{"permit": False}, {"remote": False}])
async def test_a_chain_that_was_open_for_a_moment_after_the_release_takes_the_release_back(moment: dict) -> None:
    world = AskingForRelease(release=False)
    async with made_up(world) as bench:
        bench.order(Command.RESET)
        assert await bench.settle() is State.IDLE
        bench.order(Command.START)
        later(world, 1.0, release=True)
        await bench.until(lambda: bool(world.told("release_given")), "the release")
        later(world, 0.5, **moment)
        later(world, 0.6, permit=True, remote=True)  # somebody went in, came out and reset it
        assert await bench.settle(within_s=10.0) is State.STOPPED
        assert "for a moment while the start was prepared" in world.told("failed")[0]["sentence"]
        assert not ENERGISING & set(world.names())
