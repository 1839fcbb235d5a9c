"""Starting: everything is proved in order before the first device is enabled; the first objection enables nothing."""

import asyncio
from dataclasses import replace

import pytest

from benchd.contract import SinkSettings
from benchd.live.engine import ActFailed
from benchd.live.link_state import LinkState
from benchd.live.starting import Starter

from .parts import LOAD, SINK, SUPPLY, World, parts, run_plan

pytestmark = pytest.mark.virtual_time


def equipped(rack, world: World, **shows) -> Starter:
    world.shows.update(shows)
    return Starter(rack)


ENERGISING = {"load_drive.enable", "supply.switch_output True"}


async def test_a_start_goes_through_its_steps_in_order_and_ends_with_everything_in_service() -> None:
    world = World()
    async with parts(world) as rack:
        await equipped(rack, world).start(run_plan())
        names = world.names()
        order = [
            "supply.set_voltage 0",
            "supply.set_over_voltage_protection",
            "sink.arm",
            "supply.read_settings",
            "sink.read_settings",
            "load_drive.read_limits",
            "load_drive.enable",
            "supply.switch_output True",
        ]
        assert [name for name in names if name in order] == order
        assert rack.in_service == {SUPPLY, SINK, LOAD}
        assert rack.energised
        assert rack.setpoints.is_open
        assert rack.intake.monitor is not None
        shown = world.told("limits_in_force")[0]["limits"]
        assert shown[0]["channel"] == "shaft_speed"


async def test_the_warning_comes_before_anything_is_sent_and_lasts_as_long_as_asked() -> None:
    world = World()
    async with parts(world) as rack:
        began_s = asyncio.get_running_loop().time()
        await equipped(rack, world).start(run_plan())
        assert world.log[0][0] - began_s >= rack.plan.starting.pre_start_warning_s


REFUSALS = {
    "the shaft turns": ({"speed_rpm": 300.0, "drag_nm": 0.0}, {}, "turns at 300 r/min"),
    "the chain is open": ({"permit": False}, {}, "Safe torque off"),
    "the sink is not armed": ({}, {"sink": SinkSettings(armed=False, threshold_v=30.0, current_limit_a=20.0)}, "armed"),
    "the transducer shows a torque": ({"stage_on": True, "torque_nm": 0.1}, {}, "at standstill"),
    "the supply is silent": ({"behaviour": {"supply": "silent"}}, {}, "supply.output"),
    "the sink lies": ({"behaviour": {"sink": "lies"}}, {}, "sink.input"),
    "the drive's driver has a defect": ({"behaviour": {"load_drive": "defect"}}, {}, "ZeroDivisionError"),
    "nobody measures": ({"behaviour": {"measuring_unit": "silent"}}, {}, "gave only 0 good readings"),
}


@pytest.mark.parametrize("story", REFUSALS)
async def test_an_objection_enables_nothing_and_says_which_device(story: str) -> None:
    condition, shows, words = REFUSALS[story]
    world = World(**condition)
    async with parts(world) as rack:
        starter = equipped(rack, world, **shows)
        world.drag_nm = 1e9 if story == "the transducer shows a torque" else world.drag_nm  # it stands, and pulls
        await asyncio.sleep(0.02)
        with pytest.raises(ActFailed, match=words):
            await starter.start(run_plan())
        assert not ENERGISING & set(world.names())
        assert not rack.energised
        assert not rack.setpoints.is_open
        assert rack.intake.monitor is None


async def test_a_shaft_that_begins_to_turn_while_the_zero_is_taken_is_not_energised() -> None:
    world = World(drag_nm=0.0)
    async with parts(world) as rack:
        starter = equipped(rack, world)
        loop = asyncio.get_running_loop()
        loop.call_later(0.25, setattr, world, "speed_rpm", 300.0)
        with pytest.raises(ActFailed, match="turns at 300"):
            await starter.start(run_plan())
        assert not ENERGISING & set(world.names())


async def test_without_a_speed_nothing_starts() -> None:
    world = World(behaviour={"measuring_unit": "silent", "load_drive": "silent"})
    async with parts(world) as rack:
        with pytest.raises(ActFailed, match="No believable shaft speed"):
            await equipped(rack, world).start(run_plan())


async def test_a_supply_that_does_not_switch_on_leaves_an_energised_bench_to_the_stop() -> None:
    world = World()
    async with parts(world) as rack:
        starter = equipped(rack, world)

        async def then_lies() -> None:
            while "load_drive.enable" not in world.names():
                await asyncio.sleep(0.0005)
            world.behaviour["supply"] = "lies"

        async with asyncio.TaskGroup() as group:
            group.create_task(then_lies())
            with pytest.raises(ActFailed, match="supply"):
                await starter.start(run_plan())
        assert rack.energised
        assert LOAD in rack.in_service
        assert SUPPLY not in rack.in_service
        assert not rack.setpoints.is_open


async def test_a_zeroed_channel_that_is_no_torque_refuses_the_start_by_name() -> None:
    world = World()
    async with parts(world) as rack:
        speed = next(one for one in rack.plan.channels if one.name == "shaft_speed")
        others = tuple(one for one in rack.plan.channels if one is not speed)
        rack.plan = replace(rack.plan, channels=(*others, replace(speed, zeroed=True)))
        with pytest.raises(ActFailed, match=r"shaft_speed is zeroed before a start but is no torque \(r/min\)"):
            await equipped(rack, world).start(run_plan())
        assert not ENERGISING & set(world.names())


async def test_ready_names_the_device_that_does_not_answer_and_clears_a_drives_fault() -> None:
    world = World()
    async with parts(world) as rack:
        starter = equipped(rack, world)
        await starter.ready()
        assert "load_drive.clear_fault done" in world.names()
        rack.links["sink"].state = LinkState.LOST
        with pytest.raises(ActFailed, match="sink is not ready"):
            await starter.ready()
