"""A zero stated by the set-up takes the place of the average at standstill, and is bounded like it."""

import pytest

from benchd.live.engine import ActFailed
from benchd.live.plan import StatedZero
from benchd.live.starting import Starter

from .parts import World, parts, run_plan

pytestmark = pytest.mark.virtual_time


def stated(value: float) -> StatedZero:
    return StatedZero(channel="shaft_torque", value=value, standard_uncertainty=2e-4, origin="setups/one.toml:12")


async def test_a_stated_zero_is_taken_off_with_its_own_uncertainty_and_where_it_was_said() -> None:
    world = World()
    async with parts(world) as rack:
        (zero,) = await Starter(rack).start(run_plan(stated_zeros=(stated(0.0031),)))
        assert (zero.value, zero.standard_uncertainty) == (0.0031, 2e-4)
        (told,) = world.told("zero")
        assert (told["value"], told["standard_uncertainty"], told["origin"]) == (0.0031, 2e-4, "setups/one.toml:12")
        assert "degrees_of_freedom" not in told  # as good as infinitely many


async def test_without_one_the_standstill_before_the_run_tells_the_zero() -> None:
    world = World()
    async with parts(world) as rack:
        (zero,) = await Starter(rack).start(run_plan())
        (told,) = world.told("zero")
        assert told["value"] == zero.value != 0.0031
        assert told["origin"] == "standstill before this run"


async def test_a_stated_zero_beyond_the_limit_refuses_the_start() -> None:
    async with parts(World()) as rack:
        with pytest.raises(ActFailed, match=r"shaft_torque shows 1 "):
            await Starter(rack).start(run_plan(stated_zeros=(stated(1.0),)))
