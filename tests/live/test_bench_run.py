"""A whole run on the twin: states, order of start and stop, what is recorded, holding, stopping."""

import asyncio
import itertools
from pathlib import Path

import pytest

from benchd.rules.channels import Quality
from benchd.rules.states import Command, NotAllowed, State

from .twin_bench import running

pytestmark = pytest.mark.virtual_time


async def test_a_run_goes_through_the_published_states_to_complete_and_leaves_nothing_energised(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        assert await bench.command(Command.START) is State.COMPLETE
        assert bench.states == ["Resetting", "Idle", "Starting", "Execute", "Completing", "Complete"]
        assert abs(bench.truth.motor_speed_rpm) < 5.0
        assert bench.rig.plant.supply.output_on is False
        assert bench.rig.plant.load.power_stage_on is False
        assert bench.rig.plant.sink.input_on is False
        assert bench.recorded.endings == [("complete", "all tests were played")]


async def test_the_start_proves_ladder_and_drive_limits_and_shows_the_limits_before_it_enables(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        names = [name for name, _ in bench.log]
        order = ["start_warning", "ladder", "drive_limits", "zero", "limits_in_force"]
        assert [names.index(name) for name in order] == sorted(names.index(name) for name in order)
        assert bench.rig.plant.sink.input_on is True


async def test_every_tick_of_a_run_is_recorded_with_ages_and_quality(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        await bench.command(Command.START)
        times = [row["time_mono_s"] for row in bench.recorded.rows]
        steps = [b - a for a, b in itertools.pairwise(times)]
        assert max(steps) == pytest.approx(0.01)
        assert min(steps) == pytest.approx(0.01)
        last = bench.recorded.rows[-1]
        assert set(last["quality"]) == {int(Quality.GOOD)}
        assert all(0.0 <= age < 1.0 for age in last["ages_s"])
        points = {(row["test"], row["point"]) for row in bench.recorded.rows if row["point"] >= 0}
        assert points == {(0, 0), (0, 1), (1, 0), (1, 1), (1, 2), (1, 3)}


async def test_points_are_averaged_where_they_were_asked_for(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        await bench.command(Command.START)
        names = [channel.name for channel in bench.live.plan.channels]
        torque = names.index("shaft_torque")
        rows = [row for row in bench.recorded.rows if (row["test"], row["point"]) == (1, 1)]
        mean_nm = sum(row["values"][torque] for row in rows) / len(rows)
        drag_nm = 0.02  # of the load machine, which the transducer sees on top of the torque asked for
        assert mean_nm == pytest.approx(0.10, abs=drag_nm)


async def test_hold_takes_the_load_off_and_unhold_goes_on_with_the_same_test(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
        assert await bench.command(Command.HOLD) is State.HELD
        await asyncio.sleep(1.0)
        assert abs(bench.truth.shaft_torque_nm) < 0.03
        assert bench.truth.motor_speed_rpm > 500.0
        bench.live.command(Command.UNHOLD, because="the test")
        assert await bench.settle() is State.COMPLETE
        assert bench.states[4:8] == ["Holding", "Held", "Unholding", "Execute"]
        assert {(row["test"], row["point"]) for row in bench.recorded.rows} >= {(1, 0), (1, 1), (1, 2), (1, 3)}


@pytest.mark.parametrize("moment_s", [0.0, 0.05, 0.2, 0.5, 1.5, 4.0])
async def test_stop_brings_the_shaft_to_rest_from_any_moment(tmp_path: Path, moment_s: float) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        bench.live.command(Command.START, because="the test")
        await asyncio.sleep(moment_s)
        assert await bench.command(Command.STOP) is State.STOPPED
        assert abs(bench.truth.motor_speed_rpm) < 5.0
        assert bench.rig.plant.supply.output_on is False
        assert bench.rig.plant.load.power_stage_on is False
        assert bench.recorded.endings == [("stopped", "the test")]


async def test_a_second_run_can_follow_the_first(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        for _ in range(2):
            await bench.command(Command.RESET)
            assert await bench.command(Command.START) is State.COMPLETE
        assert [ending for ending, _ in bench.recorded.endings] == ["complete", "complete"]


async def test_a_start_without_reset_changes_nothing(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        with pytest.raises(NotAllowed, match="Start is not possible in Stopped"):
            bench.live.command(Command.START, because="the test")
        assert bench.state is State.STOPPED
        assert bench.recorded.rows == []


async def test_an_hour_in_stopped_passes_at_once_with_every_device_still_polled(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        calls = {name: link.counters.calls for name, link in bench.links.items()}
        await asyncio.sleep(60.0)
        for name, device in bench.live.plan.devices.items():
            asked = (bench.links[name].counters.calls - calls[name]) / 60.0
            assert asked >= 0.9 * device.poll_hz
        assert bench.live.ticks[1] == 0
        assert bench.state is State.STOPPED
