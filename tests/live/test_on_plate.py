"""Whole runs on a bench that was made of its files: the live code finds every channel, scale and parameter it wants."""

from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory
from benchd_rig.plate_drivers import drivers_on_plate
from tests.live.twin_bench import BRUSHED, BRUSHLESS, running
from tests.plugins.plates import PUMP, VENT_FLAP, plate


@pytest.mark.parametrize("leaps", [False, True], ids=["every step", "leaping"])
def test_a_brushed_bench_from_its_files_plays_a_programme(tmp_path: Path, leaps: bool) -> None:
    async def story() -> None:
        drivers = drivers_on_plate(plate(*VENT_FLAP), seed=1)
        drivers.leaps = leaps
        async with running(tmp_path, kind=BRUSHED, drivers=drivers) as bench:
            await bench.start()
            assert await bench.settle() is State.COMPLETE, bench.log[-5:]
            assert (bench.rig.plant.leapt_s > 2.0) or not leaps
            await bench.command(Command.RESET)

    run_virtual(story())


@pytest.mark.parametrize("leaps", [False, True], ids=["every step", "leaping"])
def test_a_brushless_bench_from_its_files_plays_its_acceptance(tmp_path: Path, leaps: bool) -> None:
    programme = (configs_directory() / "programmes" / "pump_acceptance.toml").read_text()

    async def story() -> None:
        drivers = drivers_on_plate(plate(*PUMP), seed=1)
        drivers.leaps = leaps
        async with running(tmp_path, programme=programme, kind=BRUSHLESS, drivers=drivers) as bench:
            await bench.start()
            assert await bench.settle() is State.COMPLETE, bench.log[-5:]

    run_virtual(story())
