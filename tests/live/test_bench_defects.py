"""Defects beside a stop: in a test, a recorder, the stop itself or a chain, and what the bench keeps to."""

import asyncio

import pytest

from benchd.live.causes import Cause
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.states import COMPLETION, Command, State

from .made_up_bench import Turning, made_up
from .parts import World
from .stop_stories import CUT, rests

pytestmark = pytest.mark.virtual_time


async def test_an_error_of_the_test_itself_ramps_down_and_is_the_cause() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.test.at_once = ZeroDivisionError("settings nobody thought of")
        assert await bench.settle() is State.ABORTED
        assert "settings nobody thought of" in bench.live.cause.sentence
        assert bench.world.volts == 0.0
        rests(bench)


@pytest.mark.parametrize("fails", ["flush", "close"])
async def test_a_failing_recorder_never_keeps_the_bench_from_coming_to_rest(fails: str) -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.folder.fails = fails
        if fails == "close":
            bench.order(Command.STOP)
        assert await bench.settle() in {State.STOPPED, State.ABORTED}
        rests(bench)
        assert len(bench.world.told("recording_failed")) == 1


async def test_settled_is_set_exactly_while_the_bench_waits_for_a_command() -> None:
    async with made_up() as bench:
        seen: set[State] = set()

        def look() -> None:
            seen.add(bench.state)
            assert bench.live.settled.is_set() is (bench.state not in COMPLETION)

        async def watch() -> None:
            while True:
                look()
                await asyncio.sleep(0.001)

        async with asyncio.TaskGroup() as group:
            watching = group.create_task(watch())
            await bench.turning()
            for command in (Command.HOLD, Command.UNHOLD, Command.ABORT, Command.CLEAR):
                bench.order(command)
                look()  # at once, not in the next round of the loop
                if command is Command.UNHOLD:
                    await bench.reach(State.EXECUTE)
                else:
                    await bench.settle()
                    look()
            watching.cancel()
        assert seen >= {State.STOPPED, State.EXECUTE, State.HELD, State.ABORTED, State.CLEARING}


async def test_the_monitor_watches_from_before_the_first_enable_until_the_shaft_rests() -> None:
    async with made_up() as bench:
        watched: list[tuple[bool, bool]] = []

        async def watch() -> None:
            while True:
                energy = not bench.off() or abs(bench.world.speed_rpm) > 10.0
                watched.append((energy, bench.live.intake.monitor is not None))
                await asyncio.sleep(0.001)

        async with asyncio.TaskGroup() as group:
            watching = group.create_task(watch())
            await bench.turning()
            bench.live.trip(CUT)
            await bench.settle()
            await asyncio.sleep(0.01)
            watching.cancel()
        assert {watched for energy, watched in watched if energy} == {True}
        assert watched[-1] == (False, False)


@pytest.mark.parametrize("torque_nm", [0.2, -0.2], ids=["the motor drives", "the load machine drives"])
async def test_a_daemon_that_is_ended_while_the_shaft_turns_lets_go_in_order(torque_nm: float) -> None:
    async with made_up(tests=[Turning(torque_nm=torque_nm)]) as bench:
        await bench.turning()
        world = bench.world
        at = len(world.log)
    names = [name for _, name in world.log[at:]]
    first, second = ("supply", "load_drive") if torque_nm > 0.0 else ("load_drive", "supply")
    assert names.index(f"{first}.make_safe done") < names.index(f"{second}.make_safe")


async def test_a_stop_with_a_defect_of_its_own_still_takes_the_energy_and_the_permit() -> None:
    async def broken(*_args, **_named):
        raise ZeroDivisionError("a defect in the stop")

    async with made_up() as bench:
        await bench.turning()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(bench.live._stopper._letting_go, "by_braking", broken)
            bench.live.trip(CUT)
            assert await bench.settle() is State.ABORTED
        assert bench.off()
        assert not bench.world.permit


async def test_clear_waits_for_a_shaft_that_still_turns_and_does_not_call_it_stopped() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.world.drag_nm = 0.0
        bench.live.trip(Cause(sentence="gone", reaction=Reaction.CUT, doubted=frozenset({"load_drive"})))
        assert await bench.settle() is State.ABORTED
        assert bench.world.speed_rpm > 500.0
        bench.order(Command.CLEAR)
        assert await bench.settle() is State.ABORTED  # not Stopped: it turns
        bench.world.drag_nm = 0.1
        bench.order(Command.CLEAR)
        assert await bench.settle() is State.STOPPED
        assert abs(bench.world.speed_rpm) <= 10.0


async def test_a_withheld_heartbeat_comes_back_with_clear() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.world.behaviour.update({"supply": "lies", "safety_chain": "lies"})
        bench.live.trip(CUT)
        await bench.settle()
        beats = len(bench.world.beats)
        await asyncio.sleep(1.0)
        assert len(bench.world.beats) == beats
        bench.world.behaviour.clear()
        bench.order(Command.CLEAR)
        assert await bench.settle() is State.STOPPED
        await asyncio.sleep(1.0)
        assert len(bench.world.beats) > beats + 10


async def test_a_heartbeat_withheld_while_the_bench_came_up_comes_back_with_reset() -> None:
    world = World()
    world.stage_on = True  # as a daemon that was killed left it
    world.behaviour.update({"load_drive": "lies", "safety_chain": "lies"})
    async with made_up(world) as bench:
        assert bench.state is State.STOPPED  # where nobody can give Clear
        assert world.told("permit_not_withdrawn")
        world.behaviour.clear()
        beats = len(world.beats)
        bench.order(Command.RESET)
        assert await bench.settle() is State.IDLE
        await asyncio.sleep(1.0)
        assert len(world.beats) > beats + 10


async def test_a_device_that_never_takes_its_set_points_is_a_cause_though_it_answers() -> None:
    async with made_up() as bench:
        await bench.started()
        await asyncio.sleep(0.2)
        bench.world.behaviour["load_drive"] = "lies"
        assert await bench.settle() is State.ABORTED
        assert "did not take a set-point" in bench.live.cause.sentence


async def test_the_bench_lasts_through_a_limit_that_is_crossed_again_and_again_with_one_line() -> None:
    limit = Limit(
        channel="shaft_speed", bound=Bound.HIGH, value=2500.0, delay_s=0.0, reaction=Reaction.WARN, origin="the test"
    )
    async with made_up(limits=(limit,)) as bench:
        await bench.turning()
        for number in range(200):
            bench.world.says_speed_rpm = 2400.0 + 200.0 * (number % 2)
            await asyncio.sleep(0.02)
        assert bench.state is State.EXECUTE
        assert len(bench.world.told("warning")) == 1
