"""Tests with nothing energised come first: what is on meanwhile, how the bench is enabled after, and every way out."""

import asyncio

import pytest

from benchd.live.player import Player, misordered
from benchd.live.run import Run
from benchd.live.setpoints import SetPoints
from benchd.rules.moves import Role, Torque, Winding
from benchd.rules.states import Command, State

from .made_up_bench import MadeUp
from .pair_bench import Turning, WindingTest, measuring, pair_bench, started
from .pair_parts import PairWorld
from .parts import SLOPES, run_plan
from .stop_stories import CUT

pytestmark = pytest.mark.virtual_time
ON = {"load_drive.enable", "motor_drive.enable", "supply.switch_output True"}


def both(*, lasts: bool = False) -> list:
    return [WindingTest(lasts=lasts), Turning(lasts_s=2.0)]


def nothing_turns(bench: MadeUp) -> bool:
    world = bench.world
    return not (world.output_on or world.stage_on or world.motor.on)


async def test_nothing_that_turns_the_shaft_is_switched_on_before_the_measured_tests_have_ended() -> None:
    async with pair_bench(both()) as bench:
        await started(bench)
        while not [one for one in bench.world.told("test_ended") if one["title"] == "windings"]:
            assert nothing_turns(bench)
            assert not ON & set(bench.world.names())
            await asyncio.sleep(0.001)
        assert await bench.settle() is State.COMPLETE
        assert bench.world.off()
        assert [one["title"] for one in bench.world.told("test_started")] == ["windings", "turning"]


async def test_every_pair_is_connected_and_left_without_current_and_the_leads_are_closed_before_the_first_enable() -> (
    None
):
    async with pair_bench(both()) as bench:
        await started(bench)
        assert await bench.settle() is State.COMPLETE
        names = [name for name in bench.world.names() if not name.endswith("done")]
        meter = [name.split(".", 1)[1] for name in names if name.startswith("resistance_meter.")]
        meter = [name for name in meter if name != "make_safe"]
        assert meter == [
            "disconnect",
            "connect 12",
            "set_current 1.5",
            "set_current 0",
            "connect 23",
            "set_current -1.5",
            "set_current 0",
            "disconnect",
            "disconnect",  # once more, and confirmed, just before the first enable
        ]
        last = len(names) - 1 - names[::-1].index("resistance_meter.disconnect")
        assert all(names.index(one) > last for one in ON)


async def test_people_are_warned_and_ladder_and_drives_are_proved_again_before_the_later_enable() -> None:
    async with pair_bench(both()) as bench:
        await started(bench)
        await bench.until(lambda: bench.world.motor.on, "the motor drive enabled")
        assert len(bench.world.told("start_warning")) == 2
        assert len(bench.world.told("ladder")) == 2
        assert len(bench.world.told("drive_limits")) == 4


async def test_set_points_of_supply_and_drives_are_not_sent_while_the_winding_is_measured() -> None:
    async with pair_bench(both(lasts=True)) as bench:
        await measuring(bench)
        at = len(bench.world.log)
        await asyncio.sleep(0.5)
        names = [name for _, name in bench.world.log[at:]]
        assert not [name for name in names if name.split(".")[0] in {"supply", "load_drive", "motor_drive"}]
        with pytest.raises(ValueError, match="cannot be followed"):
            bench.live.setpoints.ask({Role.LOAD_DRIVE: Torque(0.1, 100.0)})


@pytest.mark.parametrize("found", ["the supply's output", "the load drive", "the motor drive"])
@pytest.mark.parametrize("when", ["before", "while measuring"])
async def test_what_is_on_though_nothing_should_be_refuses_the_start_or_trips(found: str, when: str) -> None:
    def switch_on(world: PairWorld) -> None:
        world.output_on = world.output_on or found == "the supply's output"
        world.stage_on = world.stage_on or found == "the load drive"
        world.motor.on = world.motor.on or found == "the motor drive"

    async with pair_bench(both(lasts=True)) as bench:
        if when == "before":
            bench.order(Command.RESET)
            await bench.settle()
            bench.order(Command.START)
            await bench.until(lambda: bool(bench.world.told("zero")), "the zero")
            switch_on(bench.world)
            assert await bench.settle() is State.STOPPED
            assert "does not show that its" in bench.world.told("failed")[0]["sentence"]
        else:
            await measuring(bench)
            switch_on(bench.world)
            assert await bench.settle() is State.ABORTED
            assert "while the winding is measured" in bench.live.cause.sentence
        assert bench.world.off()
        assert bench.world.winding_a == 0.0


@pytest.mark.parametrize("how", ["stop", "abort", "trip", "chain", "daemon ends"])
async def test_every_way_out_of_the_measuring_leaves_the_winding_without_current(how: str) -> None:
    async with pair_bench(both(lasts=True)) as bench:
        world = bench.world
        await measuring(bench)
        if how in {"stop", "abort"}:
            bench.order(Command.STOP if how == "stop" else Command.ABORT)
        elif how == "trip":
            bench.live.trip(CUT)
        elif how == "chain":
            world.permit = False
        if how != "daemon ends":
            assert await bench.settle() in {State.STOPPED, State.ABORTED}
            assert not world.sink_on
            assert not bench.live.setpoints.is_open
            assert world.permit is (how != "chain")
    assert world.off()
    assert world.winding_a == 0.0
    assert not ON & set(world.names())


TROUBLE = {
    "silent": ({"behaviour": {"resistance_meter": "silent"}}, "resistance_meter", False),
    "refuses": ({"behaviour": {"resistance_meter": "refuses"}}, "resistance_meter.winding did not take", False),
    "lies": ({"behaviour": {"resistance_meter": "lies"}}, "resistance_meter.winding did not take", False),
    "other contacts": ({"shows_pair": 13}, "shows terminals 13 connected where 12", True),
    "contacts fell off": ({"shows_pair": 0}, "shows terminals 0 connected where 12", True),
    "leads closed": ({"leads_open": False}, "terminals 12 connected with the power leads closed", True),
}


@pytest.mark.parametrize("story", TROUBLE)
async def test_a_meter_that_does_wrong_is_a_trip_and_is_made_safe(story: str) -> None:
    condition, words, confirms = TROUBLE[story]
    async with pair_bench(both(lasts="behaviour" not in condition)) as bench:
        if "behaviour" in condition:
            await started(bench)
            await bench.until(lambda: bench.world.pair == 12, "the first pair")
        else:
            await measuring(bench)
        for name, value in condition.items():
            setattr(bench.world, name, value)
        await bench.until(lambda: bench.state is State.ABORTING, "a trip", within_s=2.0)
        bench.world.shows_pair = None
        assert await bench.settle() is State.ABORTED
        assert words in bench.live.cause.sentence
        assert bench.world.permit is confirms
        if confirms:
            assert bench.world.off()
        assert nothing_turns(bench)


@pytest.mark.parametrize("device", ["supply", "load_drive", "motor_drive", "sink", "safety_chain"])
async def test_a_device_whose_being_off_nobody_sees_any_more_is_a_trip_while_the_winding_is_measured(
    device: str,
) -> None:
    async with pair_bench(both(lasts=True)) as bench:
        await measuring(bench)
        bench.world.behaviour[device] = "silent"
        assert await bench.settle() is State.ABORTED
        assert device in bench.live.cause.sentence
        assert bench.world.pair == 0


async def test_power_leads_that_do_not_open_are_the_cause_in_words() -> None:
    async with pair_bench(both(), world=PairWorld(leads_weld=True)) as bench:
        await started(bench)
        assert await bench.settle() is State.ABORTED
        assert "power leads stay closed" in bench.live.cause.sentence
        assert bench.world.off()


ENABLING = {
    "the load drive refuses": ("load_drive", "load_drive"),
    "the motor drive refuses": ("motor_drive", "motor_drive"),
    "the supply refuses": ("supply", "supply"),
    "the meter refuses": ("resistance_meter", "resistance_meter"),
}


@pytest.mark.parametrize("story", ENABLING)
async def test_a_later_enable_that_fails_is_a_trip_that_ends_with_everything_off(story: str) -> None:
    device, words = ENABLING[story]
    async with pair_bench(both()) as bench:
        await started(bench)
        await bench.until(lambda: bool(bench.world.told("test_ended")), "the windings measured")
        bench.world.behaviour[device] = "refuses"
        assert await bench.settle() is State.ABORTED
        assert words in bench.live.cause.sentence
        assert nothing_turns(bench)
        assert bench.folder.endings[0][0] == "aborted"


@pytest.mark.parametrize("moment_s", [0.0, 0.05, 0.1, 0.11, 0.115, 0.12, 0.125, 0.13, 0.135, 0.14, 0.15])
@pytest.mark.parametrize("how", [Command.HOLD, Command.STOP, Command.ABORT])
async def test_a_command_at_any_moment_of_the_later_enable_is_obeyed(how: Command, moment_s: float) -> None:
    async with pair_bench(both()) as bench:
        await started(bench)
        await bench.until(lambda: bool(bench.world.told("test_ended")), "the windings measured")
        await asyncio.sleep(moment_s)
        bench.order(how)
        if how is Command.HOLD:
            assert await bench.settle() is State.HELD
            await asyncio.sleep(0.5)
            if bench.world.told("test_started")[-1]["title"] == "windings":
                assert abs(bench.world.speed_rpm) < 10.0
            bench.order(Command.UNHOLD)
            assert await bench.settle() is State.COMPLETE
        else:
            assert await bench.settle() in {State.STOPPED, State.ABORTED}
        assert bench.world.permit
        assert bench.world.off()


async def test_held_while_measuring_disconnects_the_meter_and_goes_on_after() -> None:
    async with pair_bench(both()) as bench:
        await started(bench)
        await bench.until(lambda: bench.world.pair == 12, "the first pair")
        bench.order(Command.HOLD)
        assert await bench.settle() is State.HELD
        await asyncio.sleep(0.2)
        assert bench.world.pair == 0
        assert nothing_turns(bench)
        bench.order(Command.UNHOLD)
        assert await bench.settle() is State.COMPLETE


async def test_a_run_of_measured_tests_alone_never_enables_anything() -> None:
    async with pair_bench([WindingTest()]) as bench:
        await started(bench)
        assert await bench.settle() is State.COMPLETE
        assert not ON & set(bench.world.names())
        assert bench.world.off()
        assert not bench.world.sink_on


def test_a_measured_test_after_one_that_turns_the_shaft_is_refused() -> None:
    tests = [WindingTest(), Turning(), WindingTest()]
    assert '"windings" needs everything switched off, but it comes after "turning"' in misordered(tests)
    assert misordered(tests[:2]) == ""
    with pytest.raises(ValueError, match="comes after"):
        Player(tests, SetPoints(SLOPES), on_event=lambda *_: None)


async def test_a_run_in_the_wrong_order_is_not_even_loaded() -> None:
    async with pair_bench() as bench:
        wrong = [Turning(), WindingTest()]
        with pytest.raises(ValueError, match="comes after"):
            bench.live.load(Run(title="wrong", plan=run_plan(), tests=wrong, open_recorder=lambda: bench.folder))


def test_the_meters_set_point_begins_disconnected() -> None:
    setpoints = SetPoints(SLOPES, roles=frozenset(Role))
    setpoints.open(run_plan(), roles=(Role.RESISTANCE_METER,))
    assert setpoints.due(Role.RESISTANCE_METER) == Winding(0, 0.0)
