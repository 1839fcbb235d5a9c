"""The order in which energy goes away, whatever the devices do meanwhile: a property of every combination."""

import asyncio
import itertools

import pytest

from benchd.live.causes import Cause
from benchd.live.engine import ActFailed
from benchd.live.stopping import Stopper
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Speed, Torque

from .parts import LOAD, SAFE_TIME_S, SINK, SUPPLY, World, energised, parts

pytestmark = pytest.mark.virtual_time

CUT = Cause(sentence="the test", reaction=Reaction.CUT)
DOUBTED = {
    "nothing": frozenset(),
    "drive": frozenset({"load_drive"}),
    "encoder": frozenset({"measuring_unit"}),
    "sink": frozenset({"sink"}),
    "supply": frozenset({"supply"}),
}
DRIVING = {"the motor drives": 0.2, "the load machine drives": -0.2}
BEHAVIOURS = ("obeys", "silent", "refuses", "lies", "defect")


def stopper(rack) -> Stopper:
    return Stopper(rack, on_unconfirmed=lambda _ref, _sentence: None)


async def cut(world: World, *, cause: Cause = CUT, torque_nm: float = 0.2) -> list[str]:
    """Cut at 2000 r/min; the sentences of what did not confirm."""
    async with parts(world) as rack:
        await energised(rack, world, torque_nm=torque_nm)
        await asyncio.sleep(0.02)
        try:
            async with asyncio.timeout(60.0):
                await stopper(rack).cut(lambda: cause)
        except ActFailed as failure:
            return [str(failure)]
        assert not rack.energised
        assert not rack.in_service
        return []


@pytest.mark.parametrize("driving", DRIVING)
@pytest.mark.parametrize("doubted", DOUBTED)
async def test_the_machine_that_drives_is_confirmed_without_torque_before_the_other_lets_go(
    doubted: str, driving: str
) -> None:
    world = World()
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=DOUBTED[doubted])
    assert await cut(world, cause=cause, torque_nm=DRIVING[driving]) == []
    names = world.names()
    braked = doubted not in {"drive", "encoder"}
    # without an encoder it holds still only until the supply has confirmed; a doubted drive is asked for nothing
    holds_still = braked or (doubted == "encoder" and driving == "the motor drives")
    assert ("load_drive.follow_speed 0" in names) is holds_still
    assert bool(world.told("coasting")) is not braked
    if driving == "the motor drives":
        let_go = "load_drive.make_safe"  # braking is no letting go: following standstill it cannot drive
        assert names.index("supply.make_safe done") < names.index(let_go)
    else:
        without_torque = "load_drive.follow_torque 0 done" if braked else "load_drive.make_safe done"
        assert names.index(without_torque) < names.index("supply.make_safe")
    assert "safety_chain.withdraw_permit" not in names


@pytest.mark.parametrize(
    ("device", "behaviour", "driving", "doubted", "stop"),
    list(
        itertools.product(
            ("supply", "load_drive", "sink", "safety_chain", "measuring_unit"),
            BEHAVIOURS[1:],
            DRIVING,
            ("nothing", "drive", "encoder"),
            ("cut", "controlled stop"),
        )
    ),
)
async def test_whatever_one_device_does_the_others_are_told_and_the_permit_answers_for_it(
    device: str, behaviour: str, driving: str, doubted: str, stop: str
) -> None:
    world = World(behaviour={device: behaviour})
    cause = Cause(sentence="the test", reaction=Reaction.CUT, doubted=DOUBTED[doubted])
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world, torque_nm=DRIVING[driving])
        await asyncio.sleep(0.02)
        began_s = loop.time()
        failed = ""
        try:
            async with asyncio.timeout(60.0):
                await (stopper(rack).cut(lambda: cause) if stop == "cut" else stopper(rack).controlled_stop())
        except ActFailed as failure:
            failed = str(failure)
        names = world.names()
        # every machine was told, none twice at once, the second only after the first had its time
        told = [name for name in names if name in {"supply.make_safe", "load_drive.make_safe"}]
        assert sorted(told) == ["load_drive.make_safe", "supply.make_safe"]
        ramp_s = 3.0 if stop == "controlled stop" else 0.0
        brake_s = rack.plan.stopping.controlled_stop_time_s
        for name in told:
            assert world.when(name) - began_s <= ramp_s + brake_s + 2.0 * SAFE_TIME_S + 0.6
        # what did not confirm withdrew the permit at once, and is in the sentence
        if device in {"supply", "load_drive"}:
            assert device in failed
            assert world.permit is False
            assert not world.output_on
            assert not world.stage_on
            assert world.when("safety_chain.withdraw_permit") - world.when(f"{device}.make_safe") <= SAFE_TIME_S + 0.1
        else:
            assert not world.output_on
            assert not world.stage_on
        # the sink is disarmed at standstill only, on a discharged link
        for name in names:
            if name.startswith("disarm at"):
                assert float(name.split()[2]) <= rack.plan.stopping.standstill_rpm
        assert not rack.setpoints.is_open


async def test_a_chain_that_does_not_open_when_asked_loses_its_heartbeat() -> None:
    world = World(behaviour={"supply": "silent", "safety_chain": "lies"})
    async with parts(world) as rack:
        await energised(rack, world)
        with pytest.raises(ActFailed, match="supply"):
            await stopper(rack).cut(lambda: CUT)
        assert rack.beat_wanted is False
        assert len(world.told("permit_not_withdrawn")) == 1


async def test_a_chain_that_opens_when_asked_keeps_its_heartbeat() -> None:
    world = World(behaviour={"supply": "refuses"})
    async with parts(world) as rack:
        await energised(rack, world)
        with pytest.raises(ActFailed, match="supply"):
            await stopper(rack).cut(lambda: CUT)
        assert rack.beat_wanted is True


async def test_an_open_chain_tells_both_at_once_and_none_waits_for_a_silent_one() -> None:
    world = World(behaviour={"supply": "silent"}, permit=False)
    await cut(world, cause=Cause(sentence="the test", reaction=Reaction.CUT, chain_open=True))
    assert world.when("load_drive.make_safe") == world.when("supply.make_safe")


async def test_a_gentle_cut_ends_its_ramp_as_soon_as_a_later_cause_wants_a_hard_one() -> None:
    world = World()
    causes = [Cause(sentence="the disk is full", reaction=Reaction.RAMP_DOWN)]
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world)
        began_s = loop.time()
        loop.call_later(0.1, causes.append, CUT)
        await stopper(rack).cut(lambda: causes[-1])
        assert world.when("supply.make_safe") - began_s == pytest.approx(0.1, abs=0.02)


async def test_a_gentle_cut_brings_both_set_points_to_zero_on_their_slopes_first() -> None:
    world = World()
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world)
        began_s = loop.time()
        await stopper(rack).cut(lambda: Cause(sentence="the test", reaction=Reaction.RAMP_DOWN))
        assert 1.0 <= world.when("supply.make_safe") - began_s <= 1.2  # 12 V at 12 V/s
        assert rack.setpoints.now(Role.LOAD_DRIVE) == Torque(0.0, 6000.0)


async def test_a_load_drive_that_held_a_speed_ramps_that_speed_down_and_keeps_its_torque_bound() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        rack.setpoints.ask({Role.LOAD_DRIVE: Speed(2000.0, 0.5)})
        rack.setpoints.advance(10.0)
        await stopper(rack).ramp_down()
        assert rack.setpoints.now(Role.LOAD_DRIVE) == Speed(0.0, 0.5)


async def test_braking_ends_when_the_drive_comes_to_be_doubted() -> None:
    world = World()
    causes = [CUT]
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world)
        world.drag_nm = 0.002
        began_s = loop.time()
        loop.call_later(
            0.05, causes.append, Cause(sentence="gone", reaction=Reaction.CUT, doubted=frozenset({"load_drive"}))
        )
        with pytest.raises(ActFailed, match="did not come to rest"):  # this shaft has next to no drag
            await stopper(rack).cut(lambda: causes[-1])
        assert world.when("load_drive.make_safe") - began_s < 0.1


@pytest.mark.parametrize("forwards", [True, False])
async def test_braking_is_bounded_and_asks_for_standstill_in_either_direction(forwards: bool) -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world, speed_rpm=2000.0 if forwards else -2000.0, torque_nm=0.2 if forwards else -0.2)
        world.output_on = False
        await asyncio.sleep(0.02)
        await stopper(rack).cut(lambda: CUT)
        assert world.braking_nm == pytest.approx(rack.plan.stopping.braking_torque_nm)
        assert world.speed_rpm == pytest.approx(0.0, abs=10.0)


async def test_a_drive_that_is_not_enabled_yet_is_not_asked_to_brake() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        rack.in_service.discard(LOAD)
        await stopper(rack).cut(lambda: CUT)
        assert "load_drive.follow_speed 0" not in world.names()


async def test_a_shaft_whose_speed_nobody_reads_is_not_braked_and_not_called_stopped() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        world.behaviour["measuring_unit"] = "silent"
        world.behaviour["load_drive"] = "silent"
        await asyncio.sleep(0.4)
        with pytest.raises(ActFailed, match="No believable speed"):
            await stopper(rack).cut(lambda: CUT)
        assert "load_drive.follow_speed 0" not in world.names()
        assert world.told("standstill") == []
        assert not any(name.startswith("disarm") for name in world.names())


async def test_a_device_that_comes_back_on_after_it_confirmed_off_withdraws_the_permit() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        loop = asyncio.get_running_loop()
        stop = asyncio.ensure_future(stopper(rack).cut(lambda: CUT))
        while not world.told("standstill"):
            await asyncio.sleep(0.005)
        world.output_on = True  # a late command that was still on the old wire
        with pytest.raises(ActFailed, match="shows its output on"):
            await stop
        assert world.permit is False
        assert loop.time() < 30.0


async def test_a_controlled_stop_of_a_bench_that_never_was_energised_withdraws_nothing() -> None:
    world = World(behaviour={"supply": "silent"}, sink_on=True)
    async with parts(world) as rack:
        await stopper(rack).controlled_stop()
        assert "safety_chain.withdraw_permit" not in world.names()
        assert world.sink_on is False  # a refused start leaves the sink disarmed
        assert "supply" in world.told("not_safe")[0]["sentence"]


async def test_a_refused_start_leaves_the_sink_as_it_is_when_somebody_turns_the_shaft() -> None:
    world = World(sink_on=True, speed_rpm=800.0, drag_nm=0.0)
    async with parts(world) as rack:
        await asyncio.sleep(0.02)
        await stopper(rack).controlled_stop()
        assert world.sink_on is True


async def test_everything_safe_lets_a_turning_shaft_go_in_order_and_waits_for_it() -> None:
    world = World(speed_rpm=1500.0, output_on=True, stage_on=True, torque_nm=-0.3)
    async with parts(world) as rack:
        await asyncio.sleep(0.02)
        await stopper(rack).everything_safe()
        names = world.names()
        assert names.index("load_drive.make_safe done") < names.index("supply.make_safe")
        assert abs(world.speed_rpm) <= 10.0


async def test_everything_safe_refuses_while_the_shaft_does_not_come_to_rest() -> None:
    world = World(speed_rpm=1500.0, drag_nm=0.0)
    async with parts(world) as rack:
        await asyncio.sleep(0.02)
        with pytest.raises(ActFailed, match="did not come to rest"):
            await stopper(rack).everything_safe()


async def test_an_encoder_that_shows_rest_does_not_hide_a_turning_drive() -> None:
    world = World(says_speed_rpm=0.0)
    await cut(world)
    at_disarm = next(name for name in world.names() if name.startswith("disarm at"))
    assert float(at_disarm.split()[2]) <= 10.0


async def test_the_sink_stays_armed_while_the_link_is_above_the_touch_limit() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        world.link_v = 75.0
        with pytest.raises(ActFailed, match="still shows 75 V"):
            await stopper(rack).cut(lambda: CUT)
        assert world.sink_on is True
        assert SINK in rack.in_service
        assert SUPPLY not in rack.in_service
