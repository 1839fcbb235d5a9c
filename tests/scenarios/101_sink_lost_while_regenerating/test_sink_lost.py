"""The sink lets go while the driven specimen feeds the link: the drive is relieved first, and in time."""

import asyncio
from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import State
from tests.live.twin_bench import running
from tests.scenarios.driven import Driven, drivers, fastest_rpm, lagging, regenerating


@pytest.mark.parametrize("how", ["its protection trips", "it conducts nothing whatever it says"])
def test_the_link_and_the_shaft_stay_within_what_they_bear(tmp_path: Path, how: str) -> None:
    async def story() -> None:
        async with running(tmp_path, tests=[Driven()], drivers=drivers(lagging(torque_lag_s=0.005))) as bench:
            speed_rpm = await regenerating(bench)
            loop = asyncio.get_running_loop()
            struck_s = loop.time()
            if how == "its protection trips":
                bench.rig.trip("sink")
            else:
                bench.rig.set_plant_fault("sink_dead", value=True)
            highest_v = fastest = 0.0
            while not bench.told("standstill"):
                truth = bench.truth
                highest_v = max(highest_v, truth.link_v)
                fastest = max(fastest, truth.motor_speed_rpm)
                await asyncio.sleep(0.001)
                assert loop.time() - struck_s < 5.0
            assert await bench.settle() is State.ABORTED
            # nothing is faster than the capacitor: the speed's own voltage bounds it, and that is below the rating
            assert highest_v < bench.live.plan.dc_link.component_rating_v
            assert fastest - speed_rpm <= 700.0  # polls and a reply pass before the drive is relieved
            assert abs(bench.truth.motor_speed_rpm) < 10.0
            assert len(bench.told("crossed")) <= 4
            assert len(bench.told("tripped")) == 1

    run_virtual(story())


def test_the_drive_is_relieved_at_once_though_the_supply_is_slow_to_confirm(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, tests=[Driven()], drivers=drivers(lagging(torque_lag_s=0.005))) as bench:
            await regenerating(bench)
            bench.rig.faults["supply"].switch("late_reply", on=True, parameters={"delay_s": 0.15})
            bench.rig.trip("sink")
            loop = asyncio.get_running_loop()
            struck_s = loop.time()
            await bench.until(lambda: bench.truth.load_torque_nm > -0.01, "the drive to be relieved", within_s=1.0)
            assert loop.time() - struck_s <= 0.15
            assert await fastest_rpm(bench, for_s=0.1) < 6000.0
            assert await bench.settle() is State.ABORTED

    run_virtual(story())
