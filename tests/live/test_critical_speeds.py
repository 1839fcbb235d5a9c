"""The pump's critical speed on the simulated bench: crossed quickly, and left when the bench is held in the midst."""

import asyncio
import itertools
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.live.run import Run
from benchd.rules.moves import Move, Role, Speed, Target, Torque, Voltage
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


COURSE = """
schema = 1
name = "course"

[[test]]
kind = "duty_cycle"
speed_by = "motor"
supply_voltage_v = 48.0

[[test.part]]
speed_rpm = { shape = "linear", end = 2000.0, time_s = 1.5 }
torque_nm = { shape = "hold" }

[[test.part]]
speed_rpm = { shape = "linear", end = 0.0, time_s = 1.5 }
torque_nm = { shape = "hold" }

[[limits]]
channel = "winding_temperature"
high = 120.0
reaction = "ramp_down"
"""


async def test_a_course_that_was_held_within_the_band_waits_beside_it_for_the_shaft(tmp_path: Path) -> None:
    async with running(tmp_path, programme=COURSE, kind=BRUSHLESS) as bench:
        await bench.start()
        await bench.until(lambda: within(bench, asked_rpm(bench)), "a set-point within the band")
        assert await bench.command(Command.HOLD) is State.HELD
        await asyncio.sleep(1.0)
        bench.live.command(Command.UNHOLD, because="the test")
        loop = asyncio.get_running_loop()
        before_s, stays_s = loop.time(), [0.0]
        while bench.state is not State.COMPLETE:
            assert bench.state not in {State.ABORTED, State.STOPPED}, bench.told("tripped")
            await asyncio.sleep(0.002)
            now_s = loop.time()
            if within(bench, asked_rpm(bench)):
                stays_s[-1] += now_s - before_s
            elif stays_s[-1]:
                stays_s.append(0.0)
            before_s = now_s
        assert 0.1 < max(stays_s) < 0.16  # 174 r/min by the course's own 1333 r/min a second


class HeldAt:
    """The converter holds this speed for this long, whatever lies there; `way` gives the speed by the time."""

    title = "held"
    energised = True

    def __init__(self, way: Callable[[float], float], *, lasts_s: float) -> None:
        self._way = way
        self._lasts_s = lasts_s

    def moves(self, _at: Mapping[Role, Target]):
        began_s = at_s = None
        while began_s is None or at_s - began_s < self._lasts_s:
            speed_rpm = 0.0 if began_s is None else self._way(at_s - began_s)
            frame = yield Move(
                targets={
                    Role.SUPPLY: Voltage(48.0, 20.0),
                    Role.MOTOR_DRIVE: Speed(speed_rpm, 3.0),
                    Role.LOAD_DRIVE: Torque(0.0, 4000.0),
                },
                doing="holding",
            )
            at_s = frame.time_mono_s
            began_s = at_s if began_s is None else began_s

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return targets


async def shakings(tmp_path: Path, test: HeldAt) -> list[str]:
    """What was told of shaking in a run of this test, over 8 inputs of 20 000 samples a second."""
    async with running(tmp_path, programme=ACROSS, kind=BRUSHLESS) as bench:
        twist = bench.run.plan.twist
        assert twist is not None
        assert twist.signal == "wf17_v"
        in_process = replace(twist, signal="ai17_v")  # as the input is called without its wire
        plan = replace(bench.run.plan, twist=in_process)
        bench.live.load(Run(title="held", plan=plan, tests=(test,), open_recorder=lambda: bench.recorded))
        await bench.start()
        assert await bench.settle() is State.COMPLETE
        assert not bench.told("capture_failed")
        return [one["cause"] for one in bench.told("warning") if "shakes" in one["cause"]]


async def test_a_shaft_that_is_held_at_its_resonance_is_warned_of_once(tmp_path: Path) -> None:
    """The simulated motor's slots shake it 24 times a revolution, and its shaft has its resonance at 500 Hz."""
    [said] = await shakings(tmp_path, HeldAt(lambda _s: 1250.0, lasts_s=6.0))
    hz, nm = (float(one) for one in re.findall(r"shakes at (\d+) Hz by ([0-9.]+) N·m", said)[0])
    assert hz == pytest.approx(500.0, rel=0.01)
    assert 0.2 < nm < 0.5
    [order] = re.findall(r"at 12\d\d r/min, ([0-9.]+) times a revolution \(6 times electrical or cogging\)", said)
    assert float(order) == pytest.approx(24.0, rel=0.01)


async def test_a_shaft_beside_its_resonance_and_one_that_crosses_it_are_not_warned_of(tmp_path: Path) -> None:
    def way(seconds: float) -> float:
        """At the bench's ordinary slope to 1000, 1400 and 2400 r/min, and back, with noise from every sensor."""
        for until_s, speed_rpm in ((3.0, 1000.0), (5.0, 1400.0), (7.0, 2400.0)):
            if seconds < until_s:
                return speed_rpm
        return 600.0

    assert await shakings(tmp_path, HeldAt(way, lasts_s=9.0)) == []
