"""How long the shaft coasts is said before, from what the files state, and measured by the simulated shaft itself."""

from dataclasses import replace
from pathlib import Path

import pytest

from benchd_rig.safety_chain import Button

from .twin_bench import OnTwin, running

pytestmark = pytest.mark.virtual_time
TURNING = """
schema = 1
name = "turning"

[[test]]
kind = "no_load"
supply_voltages_v = [12.0, 14.0]
settle_time_s = 1.0
average_time_s = 60.0
"""


async def let_go(bench: OnTwin) -> None:
    """The hardware takes both machines' torque away at speed."""
    await bench.start()
    await bench.turning(1000.0)
    bench.rig.safety_chain.press(Button("estop"))
    await bench.settle()


async def test_the_prediction_from_the_files_is_what_the_shaft_does(tmp_path: Path) -> None:
    async with running(tmp_path, programme=TURNING) as bench:
        await let_go(bench)
        (before,), (after,) = bench.told("coasting_down"), bench.told("coasted")
        assert before["from_rpm"] > 500.0
        assert f"{before['predicted_s']:.1f} s predicted" in before["sentence"]
        assert after["predicted_s"] == before["predicted_s"]
        assert after["took_s"] == pytest.approx(before["predicted_s"], rel=0.1)


async def test_without_a_stated_friction_it_is_not_predicted_and_measured_all_the_same(tmp_path: Path) -> None:
    async with running(tmp_path, programme=TURNING) as bench:
        run = bench.live._playing.run
        unknown = replace(run.plan.shaft, dry_friction_nm=None)
        bench.live.load(replace(run, plan=replace(run.plan, shaft=unknown)))
        await let_go(bench)
        (before,), (after,) = bench.told("coasting_down"), bench.told("coasted")
        assert before["predicted_s"] is None
        assert "not predicted" in before["sentence"]
        assert after["took_s"] > 0.5


async def test_a_braked_shaft_does_not_coast_and_every_step_of_the_stop_is_told(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
        bench.rig.set_plant_fault("transducer_offset_nm", 1.9)
        await bench.settle()
        assert bench.told("coasting_down") == bench.told("coasted") == []
        steps = [name for name, _ in bench.log if name in {"braked", "standstill", "discharged", "disarmed"}]
        assert steps == ["braked", "standstill", "discharged", "disarmed"]
        assert bench.told("discharged")[0]["link_v"] < 60.0
