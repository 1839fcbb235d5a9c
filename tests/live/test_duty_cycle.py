"""A duty cycle on the in-process twin: the shaft follows, time stands where it must, and there is a way down."""

import asyncio
import itertools
from pathlib import Path

import pytest

from benchd.rules.moves import Role, Speed, Torque
from benchd.rules.states import State
from benchd.settings.places import configs_directory

from .twin_bench import BRUSHLESS, running

pytestmark = pytest.mark.virtual_time

SHORT = """
schema = 1
name = "short duty"
attended = true

[[test]]
kind = "duty_cycle"
speed_by = "motor"
supply_voltage_v = 48.0
repeated = 2

[[test.part]]
speed_rpm = { shape = "linear", end = 900.0, time_s = 1.5 }
torque_nm = { shape = "hold" }

[[test.part]]
speed_rpm = { shape = "hold", time_s = 1.5 }
torque_nm = { shape = "linear", end = 0.6 }

[[test.part]]
speed_rpm = { shape = "linear", end = 0.0, time_s = 1.5 }
torque_nm = { shape = "linear", end = 0.0 }

[[limits]]
channel = "winding_temperature"
high = 120.0
reaction = "ramp_down"
"""


async def course_of(bench, *, every_s: float = 0.01) -> list[tuple[float, float, float, float]]:
    """Seconds, true speed, set-points of speed and torque, until the run has ended."""
    loop = asyncio.get_running_loop()
    seen = []
    while bench.state is not State.COMPLETE:
        speed = bench.live.setpoints.now(Role.MOTOR_DRIVE)
        torque = bench.live.setpoints.now(Role.LOAD_DRIVE)
        seen.append(
            (
                loop.time(),
                bench.truth.motor_speed_rpm,
                speed.speed_rpm if isinstance(speed, Speed) else 0.0,
                torque.torque_nm if isinstance(torque, Torque) else 0.0,
            )
        )
        assert bench.state not in {State.ABORTED, State.STOPPED}, bench.told("tripped")
        await asyncio.sleep(every_s)
    return seen


async def test_the_shaft_follows_the_course_and_everything_is_at_rest_after_it(tmp_path: Path) -> None:
    async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
        await bench.start()
        seen = await course_of(bench)
        assert max(speed for _, _, speed, _ in seen) == pytest.approx(900.0)
        assert max(torque for _, _, _, torque in seen) == pytest.approx(0.6)
        steepest = max(abs(after[2] - before[2]) / 0.01 for before, after in itertools.pairwise(seen))
        assert steepest < 2.1 * 600.0  # the bench's own slope is 2000 r/min per second: the course makes the slope
        assert max(abs(true - speed) for _, true, speed, _ in seen) < 60.0
        assert abs(bench.truth.motor_speed_rpm) < 5.0
        assert [one["number"] for one in bench.told("point_started")] == [0, 1]


async def test_the_example_of_the_vineyard_is_played_to_its_end(tmp_path: Path) -> None:
    programmes = configs_directory() / "programmes"
    (tmp_path / "pump_duty_cycle.csv").write_bytes((programmes / "pump_duty_cycle.csv").read_bytes())
    text = (programmes / "pump_duty_cycle.toml").read_text()
    async with running(tmp_path, programme=text, kind=BRUSHLESS) as bench:
        await bench.start()
        seen = await course_of(bench, every_s=0.05)
        assert max(speed for _, _, speed, _ in seen) == pytest.approx(2400.0)
        assert max(torque for _, _, _, torque in seen) == pytest.approx(1.6, abs=0.02)
        assert not bench.told("deviation")
        stretches = bench.told("point_started")
        assert [one["asked"]["repetition"] for one in stretches] == [1, 1, 2, 2, 3, 3]
