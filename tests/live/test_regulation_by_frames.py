"""Outer loops by hand-made frames: what a trim does where nothing is seen, where it is bounded, where it fades."""

import itertools
from dataclasses import replace

import pytest

from benchd.app.wiring import bench_plan
from benchd.contract import SupplyReading
from benchd.live.intake import Intake
from benchd.live.rack import Rack
from benchd.live.regulation import Regulation
from benchd.live.setpoints import SetPoints
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Regulated, Role, Speed, Torque, Voltage

from .outer_loops import HELD, TICK_S, TORQUE, TRIM_NM, VOLTAGE, with_loops
from .twin_bench import BRUSHLESS, planned

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
