"""The supply is off at once and only its word is late: the load machine must not turn the shaft backwards meanwhile."""

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest

from benchd.live.causes import Cause
from benchd.live.virtual_time import run_virtual
from benchd.rules.limits import Reaction
from benchd.rules.moves import Move, Role, Target, Torque, Voltage
from benchd.rules.states import State
from tests.live.twin_bench import running


class Loaded:
    """Turns at 12 V against the specimen's rated torque."""

    title = "loaded"
    energised = True

    def moves(self, _at: Mapping[Role, Target]):
        while True:
            yield Move(targets={Role.SUPPLY: Voltage(12.0, 9.0), Role.LOAD_DRIVE: Torque(0.25, 5800.0)}, doing="loaded")

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return targets


@pytest.mark.parametrize("doubted", ["measuring_unit", ""], ids=["coasting", "braking"])
def test_the_shaft_does_not_turn_backwards(tmp_path: Path, doubted: str) -> None:
    async def story() -> None:
        async with running(tmp_path, tests=[Loaded()]) as bench:
            await bench.start()
            await bench.until(
                lambda: bench.truth.shaft_torque_nm > 0.24 and bench.truth.motor_speed_rpm > 1000.0, "the load"
            )
            bench.rig.faults["supply"].switch("late_reply", on=True, parameters={"delay_s": 0.15})
            loop = asyncio.get_running_loop()
            struck_s = loop.time()
            bench.live.trip(
                Cause(sentence="the story", reaction=Reaction.CUT, doubted=frozenset({doubted} if doubted else ()))
            )
            lowest_rpm = 0.0
            while not bench.told("standstill"):
                lowest_rpm = min(lowest_rpm, bench.truth.motor_speed_rpm)
                assert loop.time() - struck_s < 5.0
                await asyncio.sleep(0.001)
            assert lowest_rpm > -150.0  # the drive's own loop swings through zero; its torque would have made it 500
            assert await bench.settle() is State.ABORTED
            assert bench.rig.safety_chain.permit  # slow is not silent: nothing was withdrawn
            assert len(bench.told("tripped")) == 1

    run_virtual(story())
