"""The pump's critical speed on the simulated bench: crossed quickly, and left when the bench is held in the midst."""

import itertools
from pathlib import Path

import pytest

from benchd.rules.moves import Role, Speed
from benchd.rules.resonance import dwells_in
from benchd.rules.states import Command, State

from .twin_bench import BRUSHLESS, OnTwin, running

pytestmark = pytest.mark.virtual_time

ACROSS = """
schema = 1
name = "across"

[[test]]
kind = "no_load"
supply_voltage_v = 48.0
speeds_rpm = [1000.0, 2000.0]
settle_time_s = 0.3
average_time_s = 0.4
"""


def asked_rpm(bench: OnTwin) -> float:
    now = bench.live.setpoints.now(Role.MOTOR_DRIVE)
    return now.speed_rpm if isinstance(now, Speed) else 0.0


def within(bench: OnTwin, speed_rpm: float) -> bool:
    return dwells_in(bench.run.critical.bands, speed_rpm=speed_rpm) is not None


async def test_a_whole_run_crosses_the_band_in_the_time_that_the_bench_file_says(tmp_path: Path) -> None:
    """The shipped band is 174 r/min wide: 44 ms at 4000 r/min a second, where any other speed takes 2000."""
    async with running(tmp_path, programme=ACROSS, kind=BRUSHLESS) as bench:
        await bench.start()
        assert await bench.settle() is State.COMPLETE
        at = [channel.name for channel in bench.live.plan.channels].index("shaft_speed")
        shown = [(row["time_mono_s"], row["values"][at]) for row in bench.recorded.rows]
        inside_s = sum(b[0] - a[0] for a, b in itertools.pairwise(shown) if within(bench, a[1]) and a[1] <= b[1])
        assert 0.02 < inside_s < 0.075
        assert not any(one["event"] == "tripped" for one in bench.recorded.events)


async def test_a_bench_that_is_held_within_the_band_moves_out_of_it_and_goes_on_from_there(tmp_path: Path) -> None:
    async with running(tmp_path, programme=ACROSS, kind=BRUSHLESS) as bench:
        await bench.start()
        await bench.until(lambda: within(bench, asked_rpm(bench)), "a set-point within the band")
        was_rpm = asked_rpm(bench)
        assert await bench.command(Command.HOLD) is State.HELD
        held_rpm = asked_rpm(bench)
        assert not within(bench, held_rpm)
        assert abs(held_rpm - was_rpm) < 100.0  # to the nearer edge
        await bench.until(lambda: abs(bench.truth.motor_speed_rpm - held_rpm) < 15.0, "the held speed")
        bench.live.command(Command.UNHOLD, because="the test")
        await bench.until(lambda: bench.state is State.EXECUTE, "Execute")
        assert await bench.settle() is State.COMPLETE
