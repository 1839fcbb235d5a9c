"""The daemon is ended in the middle of a load: it lets two machines go in order on its way out, and accuses nobody."""

import asyncio
from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd_rig.plant import Plant
from tests.live.twin_bench import BRUSHLESS, OnTwin, running
from tests.scenarios.brushless import SHORT, TORQUE_NM, Loaded, loaded
from tests.scenarios.striking import energised


@pytest.mark.parametrize("torque_nm", [TORQUE_NM, -TORQUE_NM], ids=["the converter drives", "the load machine drives"])
@pytest.mark.parametrize("holds", ["motor drive", "load drive"])
def test_it_leaves_nothing_on_and_the_permit_as_it_was(tmp_path: Path, holds: str, torque_nm: float) -> None:
    speeds: list[float] = []

    def watch(plant: Plant) -> None:
        speeds.append(plant.motor_speed_rpm)

    async def story() -> tuple[OnTwin, float]:
        tests = [Loaded(torque_nm, holds=holds)]
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=tests) as bench:
            began_rpm = await loaded(bench, torque_nm)
            bench.rig.plant.on_step.append(watch)
        await asyncio.sleep(0.2)
        bench.rig.advance()
        return bench, began_rpm

    bench, began_rpm = run_virtual(story())
    assert energised(bench) == []
    assert max(speeds) - began_rpm < 50.0
    assert min(speeds) > -150.0
    assert bench.told("permit_withdrawn") == []
    assert bench.rig.safety_chain.permit
