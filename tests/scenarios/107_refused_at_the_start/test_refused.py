"""What is wrong with a brushless bench refuses the start in one sentence, and nothing comes on."""

from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from tests.live.twin_bench import BRUSHLESS, OnTwin, running
from tests.scenarios.brushless import SHORT
from tests.scenarios.striking import energised


def overspeed(device: str) -> Callable[[OnTwin], None]:
    """Somebody has set this drive to trip above 6000 r/min only."""

    def strike(bench: OnTwin) -> None:
        bench.rig.drives[device].rating.overspeed_rpm = 6000.0

    return strike


STORIES: dict[str, tuple[Callable[[OnTwin], None], str]] = {
    # 7.7 V for 1000 r/min, line to line and rms, by the motor file: times the root of two 65.3 V at 6000 r/min
    "the load drive trips too late for the magnets": (
        overspeed("load_drive"),
        "where the specimen makes 65.34 V (peak, line to line), but the weakest link component bears 63 V",
    ),
    "the winding's thermometer is open": (
        lambda bench: bench.rig.set_plant_fault("winding_thermometer_open", value=True),
        "winding_temperature gives no good reading from thermometers, and it is watched (limit from ",
    ),
    "the magnets' thermometer is open": (
        lambda bench: bench.rig.set_plant_fault("magnet_thermometer_open", value=True),
        "magnet_temperature gives no good reading from thermometers",
    ),
    "the analyser has lost its numbers": (
        lambda bench: bench.rig.faults["power_analyser"].switch("nan", on=True),
        "motor_current gives no good reading from power_analyser",
    ),
    "the motor drive trips too late for the magnets": (overspeed("motor_drive"), "motor_drive.axis trips itself only"),
}


@pytest.mark.parametrize("story", STORIES)
def test_what_does_not_fit_refuses_the_start_in_one_sentence(tmp_path: Path, story: str) -> None:
    strike, words = STORIES[story]

    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
            assert await bench.command(Command.RESET) is State.IDLE
            strike(bench)
            on: set[str] = set()
            bench.rig.plant.on_step.append(lambda _plant: on.update(energised(bench)))
            assert await bench.command(Command.START) is State.STOPPED
            (failed,) = bench.told("failed")
            assert words in failed["sentence"]
            assert failed["sentence"].count(". ") == 0
            assert on == set()

    run_virtual(played())
