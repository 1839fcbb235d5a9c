"""The load drive makes driving torque whatever it is told, until its power stage is off."""

import asyncio
from pathlib import Path

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import State
from tests.live.twin_bench import running


def test_it_is_let_go_before_the_supply_and_nothing_is_left_energised(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path) as bench:
            await bench.start()
            await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
            loop = asyncio.get_running_loop()
            struck_s = loop.time()
            bench.rig.set_plant_fault("load_runs_away", value=True)
            fastest = 0.0
            while bench.rig.plant.load.power_stage_on:
                truth = bench.truth
                fastest = max(fastest, truth.motor_speed_rpm, truth.load_speed_rpm)
                assert loop.time() - struck_s < 1.0
                await asyncio.sleep(0.001)
            assert loop.time() - struck_s <= 0.3
            # 2 N·m on 3.1e-4 kg·m² are 62 r/min a millisecond: the drive's own overspeed trip is what holds this
            assert fastest < bench.run.plan.train_speed_rpm
            assert await bench.settle() is State.ABORTED
            assert not bench.rig.plant.supply.output_on
            assert abs(bench.truth.motor_speed_rpm) < 20.0
            assert len(bench.told("tripped")) == 1
            assert len(bench.told("crossed")) <= 6

    run_virtual(story())
