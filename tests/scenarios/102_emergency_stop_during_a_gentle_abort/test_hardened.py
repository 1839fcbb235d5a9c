"""The disk is full and the bench ramps down gently; then something worse happens: the ramp ends at once."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.live.run import RecordingFailed
from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from benchd_rig.safety_chain import Button
from tests.live.twin_bench import OnTwin, running

WORSE: dict[str, tuple[Callable[[OnTwin], object], float]] = {
    "emergency stop": (lambda bench: bench.rig.safety_chain.press(Button.ESTOP), 0.1),
    "a person aborts": (lambda bench: bench.live.command(Command.ABORT, because="a person"), 0.1),
    "the drive faults": (lambda bench: bench.rig.trip("load_drive"), 0.2),
    "the torque is too high": (lambda bench: bench.rig.set_plant_fault("transducer_offset_nm", 1.95), 0.2),
    "the drive falls silent": (lambda bench: bench.rig.faults["load_drive"].switch("hang", on=True), 0.8),
}


@pytest.mark.parametrize("story", sorted(WORSE))
def test_the_supply_is_off_as_soon_as_something_worse_is_seen(tmp_path: Path, story: str) -> None:
    worse, within_s = WORSE[story]

    def full() -> None:
        raise RecordingFailed("The journal cannot be written: no space left on the disk.")

    async def told() -> None:
        async with running(tmp_path) as bench:
            await bench.start()
            await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
            bench.recorded.on_flush = full
            await bench.until(lambda: bench.state is State.ABORTING, "the gentle abort", within_s=1.0)
            assert bench.rig.plant.supply.output_on
            worse(bench)
            began_s = asyncio.get_running_loop().time()
            await bench.until(lambda: not bench.rig.plant.supply.output_on, "the supply to be off", within_s=2.0)
            assert asyncio.get_running_loop().time() - began_s <= within_s
            assert await bench.settle() is State.ABORTED
            assert "no space left" in bench.live.cause.sentence  # the first cause stays the cause
            assert abs(bench.truth.motor_speed_rpm) < 20.0
            assert len(bench.told("tripped")) == 1
            assert len(bench.told("crossed")) <= 6

    run_virtual(told())
