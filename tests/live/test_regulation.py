"""Outer loops on the simulated pump: what the channels show is held against what was asked for."""

import asyncio
import itertools
import math
import statistics
from collections import defaultdict
from dataclasses import replace

import pytest

from benchd.live.regulation import Regulation
from benchd.live.virtual_time import run_virtual
from benchd.procedures.hand import Hand
from benchd.rules.loops import Loop
from benchd.rules.moves import Role, Torque
from benchd.rules.states import Command, State

from .outer_loops import HELD, RANGE_NM, TICK_S, TORQUE, TRIM_NM, VOLTAGE, with_loops
from .twin_bench import BRUSHLESS, planned, running


def held(folder, *loops: Loop) -> dict[int, dict[str, float]]:
    """Play the programme; the means of each point's frames, by channel."""

    async def play():
        async with running(folder, programme=HELD, kind=BRUSHLESS, alter=with_loops(*loops)) as twin:
            await twin.start()
            await twin.until(lambda: twin.state is not State.EXECUTE, "the end", within_s=90.0)
            assert await twin.settle() is State.COMPLETE
            names = [channel.name for channel in twin.live.plan.channels]
            found = defaultdict(list)
            for row in twin.recorded.rows:
                if row["point"] >= 0:
                    found[row["point"]].append(row["values"])
            return {
                point: {name: statistics.fmean(row[place] for row in rows) for place, name in enumerate(names)}
                for point, rows in found.items()
            }

    return run_virtual(play())


ASKED_NM = (0.5, 1.5, 2.3, 2.3, 1.5, 0.5)


def test_the_transducer_shows_the_torque_that_was_asked_for(tmp_path) -> None:
    alone, trimmed = held(tmp_path), held(tmp_path, TORQUE)
    for point, asked_nm in enumerate(ASKED_NM):
        assert abs(alone[point]["shaft_torque"] - asked_nm) > 0.002 * RANGE_NM  # friction beyond the transducer
        assert abs(trimmed[point]["shaft_torque"] - asked_nm) < 0.001 * RANGE_NM


def test_the_terminals_have_the_voltage_that_was_asked_for(tmp_path) -> None:
    alone, trimmed = held(tmp_path), held(tmp_path, VOLTAGE)
    assert alone[2]["dc_voltage"] < 47.9
    for point in trimmed.values():
        assert point["dc_voltage"] == pytest.approx(48.0, abs=0.02)


class Fed:
    """A test of one move a frame, made of the frames that have come."""

    title = "fed"
    energised = True

    def __init__(self, run, steps) -> None:
        self._around, self._steps = run.tests[0].around, steps

    def moves(self, at):
        return self._steps(Hand(replace(self._around, at=at), duration_s=100.0))

    def held(self, targets):
        return targets


def fed(folder, steps, *loops, voltage_limit_v=50.0):
    """A bench on which these steps are played by a hand; await `until` inside."""
    _, run = planned(HELD, folder=folder, kind=BRUSHLESS)
    return running(
        folder,
        programme=HELD,
        kind=BRUSHLESS,
        tests=(Fed(run, steps),),
        alter=with_loops(*loops, voltage_limit_v=voltage_limit_v),
    )


def loaded(hand: Hand, torque_nm: float = 1.0):
    yield from hand.ramp_voltage(48.0)
    yield from hand.ramp_speed(Role.MOTOR_DRIVE, 2000.0)
    yield from hand.ramp_torque(torque_nm)
    yield from hand.wait(math.inf, "holding")


def test_a_transducer_that_lies_moves_the_set_point_no_further_than_the_trims_bound(tmp_path) -> None:
    async def play():
        async with fed(tmp_path, loaded, TORQUE) as twin:
            await twin.start()
            await twin.until(lambda: twin.live.player.doing == "holding", "the load")
            twin.live.intake.set_zeros({"shaft_torque": 1.0})  # it shows a newton metre too little from now on
            sent_nm = [0.0]
            for _ in range(200):
                await asyncio.sleep(0.005)
                sent = twin.live.setpoints.last_confirmed(Role.LOAD_DRIVE)
                if twin.state is State.EXECUTE and isinstance(sent, Torque):
                    sent_nm.append(sent.torque_nm)
            return max(sent_nm)

    assert 1.0 + 0.5 * TRIM_NM < run_virtual(play()) <= 1.0 + TRIM_NM + 1e-9


def test_a_drive_takes_the_speed_over_without_stopping_the_shaft(tmp_path) -> None:
    def handed(hand: Hand):
        yield from hand.ramp_voltage(48.0)
        yield from hand.ramp_speed(Role.LOAD_DRIVE, 2000.0)
        yield from hand.wait(0.5, "before")
        yield from hand.hand_over(Role.MOTOR_DRIVE)
        yield from hand.ramp_torque(1.0)
        yield from hand.wait(0.5, "with torque")
        yield from hand.hand_over(Role.LOAD_DRIVE)
        yield from hand.wait(0.5, "after")
        yield from hand.come_to_rest(keep_voltage=False)

    async def play():
        async with fed(tmp_path, handed) as twin:
            await twin.start()
            await twin.until(lambda: twin.live.player.doing == "before", "the first hold")
            speeds, torques = [], []
            while twin.live.player.doing != "after":
                await asyncio.sleep(0.01)
                speeds.append(twin.truth.motor_speed_rpm)
                torques.append(twin.live.intake.samples["shaft_torque"].value)
            assert await twin.settle() is State.COMPLETE
            return speeds, torques

    speeds, torques = run_virtual(play())
    assert min(speeds) > 0.98 * 2000.0
    assert max(speeds) < 1.02 * 2000.0
    steps = [abs(after - before) for before, after in itertools.pairwise(torques)]
    assert max(steps) < 0.12  # in 10 ms; the ramp to 1 N·m is the steepest that was asked for


def test_loops_that_fail_end_the_run_and_not_the_tick(tmp_path, monkeypatch) -> None:
    async def play():
        async with fed(tmp_path, loaded, TORQUE) as twin:
            await twin.start()
            await twin.until(lambda: twin.live.player.doing == "holding", "the load")

            def fail(*_args, **_named) -> None:
                raise ZeroDivisionError("nothing is left")

            monkeypatch.setattr(Regulation, "look", fail)
            ticks, _ = twin.live.ticks
            assert await twin.settle() is State.ABORTED
            assert twin.live.ticks[0] > ticks + 10
            assert abs(twin.truth.motor_speed_rpm) < 10.0
            return twin.live.cause.sentence

    assert "outer loops ended in an error of their own (ZeroDivisionError" in run_virtual(play())


@pytest.mark.parametrize("pause_s", [0.05, 0.3])
def test_a_short_hold_does_not_count_as_time_of_the_test(tmp_path, pause_s: float) -> None:
    seen: list[float] = []

    def waiting(hand: Hand):
        yield from hand.ramp_voltage(48.0)
        yield from hand.ramp_speed(Role.MOTOR_DRIVE, 1000.0)
        waited_s = 0.0
        while waited_s < 1.0:
            frame = yield hand._move("waiting")
            dt_s = hand._elapsed(frame)
            seen.append(dt_s)
            waited_s += dt_s
        yield from hand.come_to_rest(keep_voltage=False)

    async def play():
        async with fed(tmp_path, waiting) as twin:
            await twin.start()
            await twin.until(lambda: twin.live.player.doing == "waiting", "the wait")
            twin.live.command(Command.HOLD, because="the test")
            await twin.until(lambda: twin.state is State.HELD, "Held")
            await asyncio.sleep(pause_s)
            twin.live.command(Command.UNHOLD, because="the test")
            await twin.until(lambda: twin.state is State.COMPLETE, "the end")

    run_virtual(play())
    assert max(seen) < 2.5 * TICK_S
