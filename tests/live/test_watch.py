"""The watch: a process that stood still is nobody's silence, and a cause names what is known to be wrong."""

import asyncio

import pytest

from benchd.contract import LinkLost
from benchd.live.ticker import Tick
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.states import Command, State

from .made_up_bench import MadeUp, made_up
from .pair_bench import Turning, WindingTest, pair_bench, turning

pytestmark = pytest.mark.virtual_time


def stood_still(bench: MadeUp, seconds: float) -> None:
    """The tick after the process was held up for so long, as a late timer brings it."""
    missed = round(seconds * bench.live.plan.tick_hz)
    bench.live._watch.pulse(Tick(index=0, time_mono_s=bench.now_s, lateness_s=0.0, missed=missed), bench.live.recording)


async def test_a_short_stall_is_told_and_ends_nothing() -> None:
    async with made_up() as bench:
        await bench.turning()
        stood_still(bench, 0.3)
        await asyncio.sleep(0.2)
        assert bench.state is State.EXECUTE
        assert bench.world.told("stalled")[0]["seconds"] == pytest.approx(0.3)


async def test_a_long_stall_while_energised_is_a_cause_that_doubts_nobody_and_the_shaft_is_braked() -> None:
    async with made_up() as bench:
        await bench.turning()
        stood_still(bench, 0.7)
        assert bench.state is State.ABORTING
        assert await bench.settle() is State.ABORTED
        assert "benchd itself stood still for 0.7 s" in bench.live.cause.sentence
        assert bench.live.cause.doubted == frozenset()
        assert bench.world.told("coasting") == []


async def test_a_long_stall_of_a_bench_at_rest_is_no_cause() -> None:
    async with made_up() as bench:
        bench.order(Command.RESET)
        await bench.settle()
        stood_still(bench, 2.0)
        assert bench.state is State.IDLE
        assert bench.live.cause is None


async def test_after_a_stall_silence_and_ages_count_anew() -> None:
    stale = Limit(
        channel="shaft_speed", bound=Bound.STALE, value=0.3, delay_s=0.0, reaction=Reaction.CUT, origin="the test"
    )
    async with made_up(limits=(stale,)) as bench:
        await bench.turning()
        bench.world.behaviour["measuring_unit"] = "silent"
        await asyncio.sleep(0.25)
        stood_still(bench, 0.25)
        began_s = bench.now_s
        await bench.until(lambda: bench.state is State.ABORTING, "the unit's silence", within_s=2.0)
        assert bench.now_s - began_s == pytest.approx(0.3, abs=0.05)  # and not 0.05 s


async def test_stalls_that_come_again_and_again_do_not_keep_silence_from_being_heard() -> None:
    stale = Limit(
        channel="shaft_speed", bound=Bound.STALE, value=0.3, delay_s=0.0, reaction=Reaction.CUT, origin="the test"
    )
    for limits, device in (((stale,), "measuring_unit"), ((), "load_drive")):
        async with made_up(limits=limits) as bench:
            await bench.turning()
            bench.world.behaviour[device] = "silent"
            for _ in range(10):
                await asyncio.sleep(0.28)
                stood_still(bench, 0.14)
            assert bench.state is not State.EXECUTE  # 1.4 s were listened to
            assert device in bench.live.cause.sentence


def stale_drive() -> Limit:
    return Limit(
        channel="drive_speed",
        bound=Bound.STALE,
        value=0.05,
        delay_s=0.0,
        reaction=Reaction.CUT,
        origin="the bench file",
    )


@pytest.mark.parametrize("phase", ["ramping up", "stopping"])
async def test_a_drive_that_takes_no_set_points_is_named_for_that_and_not_for_its_wire(phase: str) -> None:
    async with made_up(limits=(stale_drive(),)) as bench:
        if phase == "stopping":
            await bench.turning()
        else:
            await bench.started()
            await asyncio.sleep(0.1)
        port = bench.live._links["load_drive"].port

        async def slowly_refuses(*_args: float, **_named: float) -> None:
            await asyncio.sleep(0.08)
            raise TimeoutError

        port.follow_torque = port.follow_speed = slowly_refuses
        if phase == "stopping":
            bench.order(Command.STOP)
        assert await bench.settle() is State.ABORTED
        assert "set-point" in bench.live.cause.sentence
        assert "look at load_drive and its wire" not in bench.live.cause.sentence
        assert "load_drive" in bench.live.cause.sentence
        assert bench.off()


async def test_a_drive_that_goes_silent_over_an_order_of_the_stop_is_named_with_the_order() -> None:
    async with pair_bench([Turning()], limits=(stale_drive(),)) as bench:
        await turning(bench)

        async def hangs(*_args: float, **_named: float) -> None:
            bench.world.behaviour["load_drive"] = "silent"
            await asyncio.sleep(0.3)
            raise LinkLost("load_drive: no reply")

        bench.live._links["load_drive"].port.follow_speed = hangs
        bench.order(Command.STOP)
        assert await bench.settle() is State.ABORTED
        assert "load_drive: it did not confirm when told to hold the shaft" in bench.live.cause.sentence


async def test_what_a_stop_had_told_a_device_is_forgotten_with_the_next_run() -> None:
    async with made_up() as bench:
        await bench.turning()
        bench.live._rack.trouble["sink"] = "it did not confirm when told to brake the shaft"
        bench.order(Command.STOP)
        await bench.settle()
        await bench.turning()
        assert bench.live._rack.trouble == {}


async def test_a_drive_that_was_being_enabled_when_hold_came_is_missed_when_it_falls_silent() -> None:
    async with pair_bench([WindingTest(), Turning()]) as bench:
        bench.order(Command.RESET)
        await bench.settle()
        bench.order(Command.START)
        await bench.until(lambda: "load_drive.enable" in bench.world.names(), "the enabling")
        bench.order(Command.HOLD)
        bench.world.stage_on = True  # the order was on the wire
        assert await bench.settle() is State.HELD
        await asyncio.sleep(0.2)
        bench.world.behaviour["load_drive"] = "silent"
        await bench.until(lambda: bench.state is State.ABORTING, "the drive's silence", within_s=1.0)
        assert "load_drive has been silent" in bench.live.cause.sentence
