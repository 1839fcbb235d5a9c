"""A load machine that does not let go, and every way in which braking can end, each with its sentence."""

import asyncio

import pytest

from benchd.live.causes import Cause
from benchd.live.engine import ActFailed
from benchd.live.stopping import Stopper
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Speed

from .parts import LOAD, World, energised, parts

pytestmark = pytest.mark.virtual_time
CUT = Cause(sentence="the test", reaction=Reaction.CUT)


def stopper(rack, told: list) -> Stopper:
    return Stopper(rack, on_unconfirmed=lambda ref, sentence: told.append((ref, sentence)))


@pytest.mark.parametrize("behaviour", ["silent", "refuses", "lies", "defect"])
async def test_a_driving_load_machine_that_refuses_to_let_go_withdraws_the_permit_before_anything_else_is_off(
    behaviour: str,
) -> None:
    world = World(behaviour={"load_drive": behaviour})
    told: list = []
    async with parts(world) as rack:
        await energised(rack, world, torque_nm=-0.2)
        with pytest.raises(ActFailed, match="did not let go of the shaft"):
            await stopper(rack, told).cut(lambda: CUT)
        names = world.names()
        withdrawn = names.index("safety_chain.withdraw_permit done")
        assert withdrawn < names.index("load_drive.make_safe") < names.index("supply.make_safe")
        assert told[0][0] == LOAD
        assert len(world.told("permit_withdrawn")) >= 1
        assert not world.output_on
        assert not world.stage_on


async def test_a_load_machine_that_shows_torque_after_it_confirmed_none_withdraws_the_permit() -> None:
    world = World()
    told: list = []
    async with parts(world) as rack:
        await energised(rack, world, torque_nm=-0.2)
        rack.links["load_drive"].port.follow_torque = _confirms_and_does_nothing
        with pytest.raises(ActFailed, match=r"was told to make no torque and the shaft went from"):
            await stopper(rack, told).cut(lambda: CUT)
        assert [ref for ref, _ in told] == [LOAD]
        assert world.permit is False
        assert world.when("safety_chain.withdraw_permit") < world.when("supply.make_safe")


async def _confirms_and_does_nothing(_torque_nm: float, *, speed_limit_rpm: float) -> None:
    assert speed_limit_rpm > 0.0


async def test_a_load_drive_that_drives_while_it_holds_a_speed_is_relieved_too() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world, torque_nm=-0.2)
        rack.setpoints.ask({Role.LOAD_DRIVE: Speed(2000.0, 0.5)})
        rack.setpoints.advance(10.0)
        await stopper(rack, []).cut(lambda: CUT)
        names = world.names()
        assert names.index("load_drive.follow_torque 0 done") < names.index("supply.make_safe")
        assert world.permit


async def test_braking_that_lost_its_speed_says_so_and_not_a_number() -> None:
    world = World()
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world)
        world.drag_nm = 0.0

        def go_silent() -> None:
            world.behaviour.update({"measuring_unit": "silent", "load_drive": "silent"})

        loop.call_later(0.02, go_silent)
        with pytest.raises(ActFailed) as failed:
            await stopper(rack, []).cut(lambda: CUT)
        assert "because no believable speed was read any more" in str(failed.value)
        assert "nan" not in str(failed.value)


async def test_braking_that_a_new_doubt_ends_is_told_with_how_far_it_came() -> None:
    world = World()
    causes = [CUT]
    loop = asyncio.get_running_loop()
    async with parts(world) as rack:
        await energised(rack, world)
        doubt = Cause(sentence="gone", reaction=Reaction.CUT, doubted=frozenset({"load_drive"}))
        loop.call_later(0.05, causes.append, doubt)
        await stopper(rack, []).cut(lambda: causes[-1])
        (ended,) = world.told("braking_ended")
        assert "a device that it needs is doubted now" in ended["sentence"]
        assert "r/min" in ended["sentence"]


async def test_braking_that_takes_too_long_says_how_fast_the_shaft_still_is() -> None:
    world = World()
    async with parts(world) as rack:
        await energised(rack, world)
        world.output_on = False
        rack.links["load_drive"].port.follow_speed = _takes_the_order
        world.torque_nm = world.drag_nm = 0.0
        with pytest.raises(ActFailed, match=r"still turned at \d+ r/min after 5 s of braking"):
            await stopper(rack, []).cut(lambda: CUT)


async def _takes_the_order(_speed_rpm: float, *, torque_limit_nm: float) -> None:
    assert torque_limit_nm > 0.0
