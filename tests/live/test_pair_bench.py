"""A motor drive and a resistance meter seen from the whole live room: start, trips, holds and stops."""

import asyncio

import pytest

from benchd.contract import DriveLimits, DriveState
from benchd.live.causes import Cause
from benchd.rules.limits import Reaction
from benchd.rules.states import Command, State

from .pair_bench import Turning, pair_bench, started, turning
from .parts import SAFE_TIME_S
from .stop_stories import CUT, GENTLE

pytestmark = pytest.mark.virtual_time


async def test_the_start_proves_both_drives_and_enables_the_motor_drive_last_without_torque() -> None:
    async with pair_bench() as bench:
        await turning(bench)
        names = bench.world.names()
        order = [
            "load_drive.read_limits",
            "motor_drive.read_limits",
            "resistance_meter.disconnect",
            "load_drive.enable",
            "supply.switch_output True",
            "motor_drive.enable",
        ]
        assert [name for name in names if name in order] == order
        assert [fields["port"] for fields in bench.world.told("drive_limits")] == [
            "load_drive.axis",
            "motor_drive.axis",
        ]
        volts = [name for name in names if name.startswith("supply.set_voltage") and float(name.split()[1]) > 0.0]
        assert names.index("motor_drive.enable done") < names.index(volts[0])


SOUND = DriveLimits(
    overspeed_rpm=6000.0,
    torque_limit_nm=1.8,
    rated_torque_nm=2.0,
    quick_stop_option=2,
    disable_option=1,
    fault_reaction_option=2,
)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"overspeed_rpm": 9000.0}, "motor_drive.axis trips itself only above 9000"),
        ({"torque_limit_nm": 3.0}, "motor_drive.axis can make 3 N·m"),
        ({"quick_stop_option": 6}, "motor_drive.axis has quick stop option 6"),
        ({"disable_option": 4}, "motor_drive.axis has disable option 4"),
        ({"fault_reaction_option": 7}, "motor_drive.axis has fault reaction 7"),
    ],
)
async def test_a_motor_drive_that_does_not_hold_the_shaft_trains_limits_is_not_enabled(
    change: dict, words: str
) -> None:
    limits = {name: getattr(SOUND, name) for name in SOUND.__dataclass_fields__} | change
    async with pair_bench() as bench:
        bench.world.shows["motor_drive"] = DriveLimits(**limits)
        bench.order(Command.RESET)
        await bench.settle()
        bench.order(Command.START)
        assert await bench.settle() is State.STOPPED
        assert words in bench.world.told("failed")[0]["sentence"]
        assert not {"load_drive.enable", "motor_drive.enable", "supply.switch_output True"} & set(bench.world.names())


STORIES = {
    "the motor drive is silent": ({"motor_drive": "silent"}, {}, "motor_drive", True),
    "the motor drive has a fault": ({}, {"says_state": DriveState.FAULT}, "motor_drive reports fault", False),
    "the motor drive leaves operation enabled": (
        {},
        {"says_state": DriveState.SWITCHED_ON},
        "motor_drive left Operation enabled",
        False,
    ),
    "the load drive is silent": ({"load_drive": "silent"}, {}, "load_drive", True),
    "the meter is silent": ({"resistance_meter": "silent"}, {}, "resistance_meter", True),
    "the meter connects itself": ({}, {"shows_pair": 12}, "terminals 12 connected while the specimen", False),
    "the power leads open": ({}, {"leads_open": True}, "power leads open while it is energised", False),
}


@pytest.mark.parametrize("story", STORIES)
async def test_what_the_new_devices_do_wrong_takes_the_energy_away(story: str) -> None:
    behaviour, condition, words, withdrawn = STORIES[story]
    async with pair_bench() as bench:
        await turning(bench)
        bench.world.behaviour.update(behaviour)
        for name, value in condition.items():
            setattr(bench.world, name, value)
        began_s = bench.now_s
        await bench.until(lambda: bench.state is State.ABORTING, "a trip", within_s=1.0)
        if "says_state" in condition:
            bench.world.says_state = None
        bench.world.shows_pair = None
        await bench.until(bench.world.off, "off", within_s=6.5)
        assert bench.now_s - began_s <= 0.6 + 2.0 * SAFE_TIME_S + 5.0
        assert await bench.settle() is State.ABORTED
        assert words in bench.live.cause.sentence
        assert bench.world.permit is not withdrawn
        assert abs(bench.world.speed_rpm) <= 10.0
        assert len(bench.world.told("tripped")) == 1


@pytest.mark.parametrize("behaviour", ["refuses", "lies"])
async def test_a_motor_drive_that_takes_no_set_point_is_a_cause_and_is_cut_when_it_follows_no_ramp(
    behaviour: str,
) -> None:
    async with pair_bench() as bench:
        await started(bench)
        await asyncio.sleep(0.1)  # its speed is on the way up
        bench.world.behaviour["motor_drive"] = behaviour
        began_s = bench.now_s
        await bench.until(lambda: bench.state is State.ABORTING, "a trip", within_s=1.0)
        assert "motor_drive.axis did not take a set-point" in bench.live.cause.sentence
        await bench.until(lambda: not bench.world.permit, "the permit withdrawn", within_s=3.0)
        assert bench.now_s - began_s < 1.0  # not the whole ramp and its patience
        assert bench.live.cause.reaction is Reaction.CUT
        assert await bench.settle() is State.ABORTED
        assert bench.world.off()


async def test_held_keeps_the_speed_and_takes_the_load_as_the_test_says_and_unhold_restores_it() -> None:
    async with pair_bench() as bench:
        await turning(bench)
        bench.order(Command.HOLD)
        assert await bench.settle() is State.HELD
        await asyncio.sleep(0.5)
        assert bench.world.load.torque_nm == 0.0
        assert bench.world.speed_rpm > 2500.0
        bench.order(Command.UNHOLD)
        await bench.until(lambda: bench.world.load.torque_nm < -0.39, "the load again")
        bench.order(Command.STOP)
        assert await bench.settle() is State.STOPPED
        assert bench.world.off()


@pytest.mark.parametrize("torque_nm", [0.4, -0.4], ids=["the motor drives", "the load machine drives"])
@pytest.mark.parametrize("how", ["stop", "abort", "gentle", "daemon ends"])
async def test_every_stop_in_either_direction_of_power_ends_at_rest(how: str, torque_nm: float) -> None:
    async with pair_bench([Turning(torque_nm=torque_nm)]) as bench:
        world = bench.world
        await turning(bench) if torque_nm > 0.0 else await driven(bench)
        if how == "daemon ends":
            world.log.clear()
        elif how == "gentle":
            bench.live.trip(GENTLE)
        else:
            bench.order(Command.STOP if how == "stop" else Command.ABORT)
        if how != "daemon ends":
            assert await bench.settle() in {State.STOPPED, State.ABORTED}
            assert world.permit
            assert abs(world.speed_rpm) <= 10.0
            assert not world.sink_on
    assert world.off()
    names = world.names()
    if how == "daemon ends":
        first, second = ("motor_drive", "load_drive") if torque_nm > 0.0 else ("load_drive", "motor_drive")
        assert names.index(f"{first}.make_safe done") < names.index(f"{second}.make_safe")


async def driven(bench) -> None:
    bench.order(Command.RESET)
    await bench.settle()
    bench.order(Command.START)
    await bench.until(lambda: bench.world.load.made_nm > 0.39 and bench.world.speed_rpm > 2500.0, "the load drives")


async def test_a_device_that_comes_back_on_after_it_confirmed_off_withdraws_the_permit() -> None:
    for device in ("motor_drive", "resistance_meter"):
        async with pair_bench() as bench:
            await turning(bench)
            bench.order(Command.STOP)
            await bench.until(lambda bench=bench: bool(bench.world.told("standstill")), "standstill")
            if device == "motor_drive":
                bench.world.motor.on = True
            else:
                bench.world.shows_pair = 23
            assert await bench.settle() is State.ABORTED
            assert not bench.world.permit
            assert "after it had confirmed" in bench.live.cause.sentence + str(bench.world.told("failed"))


async def test_an_open_chain_tells_every_device_at_once() -> None:
    async with pair_bench() as bench:
        await turning(bench)
        bench.world.log.clear()
        bench.world.permit = False
        await bench.settle()
        assert bench.live.cause.chain_open
        devices = ("supply", "motor_drive", "load_drive", "resistance_meter")
        assert len({bench.world.when(f"{name}.make_safe") for name in devices}) == 1
        assert bench.world.off()


async def test_a_trip_between_two_enables_leaves_nothing_on() -> None:
    async with pair_bench() as bench:
        bench.order(Command.RESET)
        await bench.settle()
        bench.order(Command.START)
        await bench.until(lambda: bench.world.output_on, "the supply on")
        assert not bench.world.motor.on
        bench.live.trip(CUT)
        assert await bench.settle() is State.ABORTED
        assert bench.world.off()
        assert not bench.world.sink_on


@pytest.mark.parametrize("doubted", ["motor_drive", "load_drive", "measuring_unit", "coupling"])
async def test_a_doubted_machine_or_transducer_coasts(doubted: str) -> None:
    async with pair_bench() as bench:
        await turning(bench)
        bench.live.trip(Cause(sentence="the test", reaction=Reaction.CUT, doubted=frozenset({doubted})))
        await bench.settle()
        assert bench.world.told("coasting")[0]["first"] == "motor_drive.axis, supply.output"
        assert bench.world.off()


async def test_two_stops_at_once_still_make_every_device_safe() -> None:
    async with pair_bench() as bench:
        await turning(bench)
        bench.order(Command.STOP)
        await asyncio.sleep(0.05)
        bench.live.trip(CUT)
        assert await bench.settle() is State.ABORTED
        assert bench.world.off()
        assert {
            f"{name}.make_safe done" for name in ("supply", "motor_drive", "load_drive", "resistance_meter")
        } <= set(bench.world.names())
