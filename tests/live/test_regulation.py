"""Outer loops on the simulated pump: what the channels show is held against what was asked for."""

import asyncio
import itertools
import math
import statistics
from collections import defaultdict
from dataclasses import replace

import pytest

from benchd.app.wiring import bench_plan
from benchd.contract import SupplyReading
from benchd.live.intake import Intake
from benchd.live.rack import Rack
from benchd.live.regulation import Regulation
from benchd.live.setpoints import SetPoints
from benchd.live.virtual_time import run_virtual
from benchd.procedures.hand import Hand
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Regulated, Role, Speed, Torque, Voltage
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_gains import Bounds, Schedule
from benchd.rules.regulator_tuning import Plant, by_magnitude_optimum
from benchd.rules.states import Command, State

from .twin_bench import BRUSHLESS, planned, running

TICK_S = 0.01
RANGE_NM = 5.0  # of the simulated transducer's wide range
TRIM_NM, TRIM_RPM, TRIM_V = 0.25, 30.0, 2.0
HELD = """
schema = 1
name = "held"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 2000.0
torques_nm = [0.5, 1.5, 2.3]
torque_slope_nm_per_s = 1.5
settle_time_s = 0.8
average_time_s = 0.5
speed_band_rpm = 10.0
"""


def loop(role: Role, driven: Driven, channel: str, plant: Plant, trim: float, *, dead_band: float) -> Loop:
    tuning = by_magnitude_optimum(plant.on_ticks(TICK_S))
    regulator = Regulator(
        schedule=Schedule(((0.0, tuning.gains),)),
        bounds=Bounds(low=-trim, high=trim),
        anti_windup_s=0.2,
        blind_s=0.3,
    )
    return Loop(role=role, driven=driven, channel=channel, plant=plant, regulator=regulator, dead_band=dead_band)


TORQUE = loop(
    Role.LOAD_DRIVE,
    Driven.TORQUE,
    "shaft_torque",
    Plant(gain=1.0, lag_s=0.0, small_s=0.01, dead_s=0.03),
    TRIM_NM,
    dead_band=0.0035,  # the drive resolves 0.1 % of its rated 6 N·m
)
VOLTAGE = loop(
    Role.SUPPLY,
    Driven.VOLTAGE,
    "dc_voltage",
    Plant(gain=1.0, lag_s=0.0, small_s=0.02, dead_s=0.1),
    TRIM_V,
    dead_band=0.005,
)


def with_loops(*loops: Loop, voltage_limit_v: float = 50.0):
    def alter(run):
        return replace(run, plan=replace(run.plan, loops=loops, voltage_limit_v=voltage_limit_v))

    return alter


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


# by hand-made frames

STANDING, TURNING = 0.0, 1500.0


class Room:
    """A regulation with its set-points, without devices."""

    def __init__(self, folder, *loops: Loop, torque_nm: float = 1.0, voltage_v: float = 48.0) -> None:
        bench, run = planned(HELD, folder=folder, kind=BRUSHLESS)
        plan = bench_plan(bench)
        self.told: list[dict] = []
        self.run = with_loops(*loops)(run).plan
        self.setpoints = SetPoints(plan.slopes, roles=frozenset(plan.roles))
        self.intake = Intake(plan.channels, on_crossings=lambda _crossings: None)
        self.rack = Rack(
            plan, {}, self.intake, self.setpoints, on_event=lambda _name, **fields: self.told.append(fields)
        )
        self.setpoints.open(self.run)
        self.setpoints.ask({Role.LOAD_DRIVE: Torque(torque_nm, 4000.0), Role.SUPPLY: Voltage(voltage_v, 30.0)})
        self.setpoints.advance(1e3)
        self.regulation = Regulation(self.rack, self.run)
        self.now_s = 100.0

    def look(self, regulated, *, ticks: int = 1, quality: Quality = Quality.GOOD, **values: float) -> None:
        for _ in range(ticks):
            self.now_s += TICK_S
            good = {"shaft_speed": TURNING, "dc_current": 10.0} | values
            samples = {name: Sample(value, Quality.GOOD, self.now_s) for name, value in good.items()}
            if "shaft_torque" in samples:
                samples["shaft_torque"] = replace(samples["shaft_torque"], quality=quality)
            reading = SupplyReading(
                voltage_v=values.get("output_v", 48.0),
                current_a=10.0,
                output_on=True,
                tripped=False,
                taken_mono_s=self.now_s,
            )
            self.intake.readings[self.rack.plan.supply] = reading
            self.regulation.look(Frame(self.now_s, samples), regulated, dt_s=TICK_S)


HOLD_NM = {Role.LOAD_DRIVE: Regulated("shaft_torque", 1.0)}
HOLD_V = {Role.SUPPLY: Regulated("dc_voltage", 48.0)}


def test_without_a_reading_the_trim_stays_and_is_told_once(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, ticks=30, shaft_torque=0.97)
    trim = room.setpoints.trim(Role.LOAD_DRIVE)
    assert 0.05 < trim < TRIM_NM
    room.look(HOLD_NM, ticks=28, shaft_torque=0.9, quality=Quality.STALE)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == trim
    assert room.told == []
    room.look(HOLD_NM, ticks=40, shaft_torque=0.9, quality=Quality.STALE)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == trim
    assert [told["channel"] for told in room.told] == ["shaft_torque"]


def test_what_nobody_asks_to_be_held_loses_its_trim_by_the_slope(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, ticks=30, shaft_torque=0.97)
    trim, slope = room.setpoints.trim(Role.LOAD_DRIVE), room.rack.plan.slopes.torque_nm_per_s
    room.look({}, shaft_torque=0.9)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == pytest.approx(max(0.0, trim - slope * TICK_S))
    room.look({}, ticks=100, shaft_torque=0.9)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == 0.0


@pytest.mark.parametrize("to_nm", [0.0, 2.0])
def test_a_trim_that_fades_while_the_set_point_moves_makes_it_no_steeper(tmp_path, to_nm: float) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, ticks=30, shaft_torque=0.97)
    assert room.setpoints.trim(Role.LOAD_DRIVE) > 0.05
    room.setpoints.ask({Role.LOAD_DRIVE: Torque(to_nm, 4000.0)})
    sent_nm = [room.setpoints.due(Role.LOAD_DRIVE).torque_nm]
    while sent_nm[-1] != to_nm:
        room.setpoints.advance(TICK_S)
        room.look({}, shaft_torque=0.9)
        sent_nm.append(room.setpoints.due(Role.LOAD_DRIVE).torque_nm)
    steps = [abs(after - before) for before, after in itertools.pairwise(sent_nm)]
    assert max(steps) <= room.rack.plan.slopes.torque_nm_per_s * TICK_S + 1e-9


def test_a_shaft_at_rest_is_not_pushed_against_its_bearings(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, ticks=100, shaft_torque=0.2, shaft_speed=STANDING)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == 0.0


def test_what_lies_within_the_dead_band_is_left_alone(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, shaft_torque=1.0)
    room.look(HOLD_NM, ticks=200, shaft_torque=1.003)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == 0.0
    room.look(HOLD_NM, ticks=200, shaft_torque=1.004)
    assert room.setpoints.trim(Role.LOAD_DRIVE) < 0.0


@pytest.mark.parametrize("sensed_v", [0.0, 30.0, 46.0])
def test_a_sense_lead_that_fell_off_drives_nothing_up(tmp_path, sensed_v: float) -> None:
    room = Room(tmp_path, VOLTAGE)
    room.look(HOLD_V, dc_voltage=47.95)
    room.look(HOLD_V, ticks=300, dc_voltage=sensed_v)
    assert room.setpoints.trim(Role.SUPPLY) == 0.0


def test_a_sense_lead_adds_no_more_than_the_cable_loses(tmp_path) -> None:
    room = Room(tmp_path, VOLTAGE)
    room.look(HOLD_V, ticks=3000, dc_voltage=46.8)  # as low as cable and diode may make it, and never better
    sense = room.run.sense
    assert sense is not None
    most_v = 1.5 * 10.0 * sense.cable_ohm + sense.diode_v
    assert room.setpoints.trim(Role.SUPPLY) == pytest.approx(most_v)
    assert room.setpoints.due(Role.SUPPLY) == Voltage(pytest.approx(48.0 + most_v), 30.0)


def test_a_trim_goes_no_further_than_the_runs_clamp(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    bound_nm = room.run.torque_limit_nm
    room.setpoints.ask({Role.LOAD_DRIVE: Torque(bound_nm - 0.05, 4000.0)})
    room.setpoints.advance(1e3)
    hold = {Role.LOAD_DRIVE: Regulated("shaft_torque", bound_nm - 0.05)}
    room.look(hold, ticks=300, shaft_torque=bound_nm - 0.5)
    sent = room.setpoints.due(Role.LOAD_DRIVE)
    assert isinstance(sent, Torque)
    assert sent.torque_nm == pytest.approx(bound_nm)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == pytest.approx(0.05)


@pytest.mark.parametrize("to_torque", [True, False])
def test_one_loop_after_another_of_the_same_role_begins_without_a_step(tmp_path, *, to_torque: bool) -> None:
    """A specimen that its supply feeds: the same set-point holds now the terminals' voltage, now the shaft's torque."""
    by_supply = replace(TORQUE, role=Role.SUPPLY, driven=Driven.VOLTAGE)
    room = Room(tmp_path, VOLTAGE, by_supply, voltage_v=24.0)
    hold_v, hold_nm = (
        {Role.SUPPLY: Regulated(channel, value)} for channel, value in (("dc_voltage", 24.0), ("shaft_torque", 1.0))
    )
    first, then = (hold_v, hold_nm) if to_torque else (hold_nm, hold_v)
    shown = {"dc_voltage": 23.9, "output_v": 24.0, "shaft_torque": 0.97}
    room.look(first, ticks=50, **shown)
    trims_v = [room.setpoints.trim(Role.SUPPLY)]
    assert trims_v[0] > 0.05
    for _ in range(50):
        room.look(then, **shown)
        trims_v.append(room.setpoints.trim(Role.SUPPLY))
    assert max(abs(after - before) for before, after in itertools.pairwise(trims_v)) < 0.1


def test_closed_set_points_forget_their_trims(tmp_path) -> None:
    room = Room(tmp_path, TORQUE)
    room.look(HOLD_NM, ticks=30, shaft_torque=0.97)
    room.setpoints.close()
    room.look(HOLD_NM, ticks=30, shaft_torque=0.97)
    assert room.setpoints.trim(Role.LOAD_DRIVE) == 0.0
    assert room.setpoints.due(Role.LOAD_DRIVE) is None


def test_a_change_of_kind_begins_at_what_the_drive_does_now(tmp_path) -> None:
    bench, run = planned(HELD, folder=tmp_path, kind=BRUSHLESS)
    plan = bench_plan(bench)
    does = {Speed: 1500.0, Torque: 0.8}
    setpoints = SetPoints(plan.slopes, roles=frozenset(plan.roles), seen=lambda _role, kind: does[kind])
    setpoints.open(run.plan)
    setpoints.ask({Role.LOAD_DRIVE: Speed(1600.0, 2.0)})
    setpoints.advance(TICK_S)
    assert setpoints.now(Role.LOAD_DRIVE) == Speed(pytest.approx(1500.0 + plan.slopes.speed_rpm_per_s * TICK_S), 2.0)
    setpoints.ask({Role.LOAD_DRIVE: Torque(0.0, 3000.0)})
    setpoints.advance(TICK_S)
    at = setpoints.now(Role.LOAD_DRIVE)
    assert at == Torque(pytest.approx(0.8 - plan.slopes.torque_nm_per_s * TICK_S), 3000.0)


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
