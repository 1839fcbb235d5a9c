"""Leaps over steady time beside the fine steps that they stand for, and what they must not leap over."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from benchd_rig.phase_waveforms import StepMemory
from benchd_rig.plant import Plant
from benchd_rig.specimen import BrushlessMotor, DcMotor, load_specimen

Make = Callable[[], Plant]
BAND_RPM = 3.0  # a thousandth of the rated speed: how far it may drift within a leg


def flap(*, load_nm: float = 0.3) -> Plant:
    plant = Plant(load_specimen("vent_flap_24v"))
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 20.0, True
    plant.load.mode, plant.load.torque_nm, plant.load.power_stage_on = "torque", load_nm, True
    return plant


def pump(*, torque_nm: float = 2.8) -> Plant:
    """The pump 17 % above its rated torque, its speed held by the load machine."""
    plant = Plant(load_specimen("pump_48v"))
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 48.0, 60.0, True
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 54.0, 30.0
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", 2500.0, True
    plant.advance_to(0.5)
    plant.motor_drive.torque_nm, plant.motor_drive.power_stage_on = torque_nm, True
    return plant


def speed_held_pump() -> Plant:
    """The pump holding its speed itself, against a torque."""
    plant = pump(torque_nm=0.0)
    plant.motor_drive.mode, plant.motor_drive.speed_rpm = "speed", 1500.0
    plant.load.mode, plant.load.torque_nm = "torque", 2.0
    return plant


def leaping(make: Make) -> Plant:
    plant = make()
    plant.leaps = True
    return plant


@pytest.mark.parametrize("make", [flap, pump, speed_held_pump])
def test_temperatures_stay_within_a_hundredth_of_a_kelvin_of_the_fine_steps(make: Make) -> None:
    fine, long = make(), leaping(make)
    rise_k = 0.0
    for time_s in (5.0, 12.0, 30.0, 60.0):
        fine.advance_to(time_s)
        long.advance_to(time_s)
        for name in ("winding_degc", "housing_degc", "magnet_degc"):
            assert getattr(long, name) == pytest.approx(getattr(fine, name), abs=0.01), name
        rise_k = fine.winding_degc - 23.0
    assert rise_k > 6.0  # something was there to be missed
    assert long.leapt_s > 40.0
    was, now = fine.truth(), long.truth()
    assert now.motor_speed_rpm == pytest.approx(was.motor_speed_rpm, abs=BAND_RPM)
    assert now.motor_current_a == pytest.approx(was.motor_current_a, rel=5e-3)  # cogging ripples it
    # averaged over 10 ms, because cogging ripples it
    assert long.measure()[3] == pytest.approx(fine.measure()[3], rel=5e-3)
    assert now.motor_angle_rad == pytest.approx(was.motor_angle_rad, rel=1e-3)


@pytest.mark.parametrize("make", [flap, pump])
def test_energies_go_on_as_the_fine_steps_have_them_and_balance(make: Make) -> None:
    fine, long = make(), leaping(make)
    fine.advance_to(40.0)
    long.advance_to(40.0)
    for name in ("supply_j", "copper_j", "brush_j", "iron_j", "converter_j", "cable_j", "load_machine_j"):
        scale_j = fine.energy.supply_j
        assert getattr(long.energy, name) == pytest.approx(getattr(fine.energy, name), abs=1e-4 * scale_j), name
    given_j, gone_j = long.energy.supply_j, long.energy.gone_j + long.stored_j
    assert given_j == pytest.approx(gone_j, rel=1e-4)


def test_hours_end_where_the_thermal_resistances_say() -> None:
    plant = leaping(flap)
    plant.advance_to(3.0 * 3600.0)
    motor = plant.specimen.motor
    assert isinstance(motor, DcMotor)
    truth = plant.truth()
    speed = truth.motor_speed_rpm * math.pi / 30.0
    winding_w = truth.winding_ohm * truth.motor_current_a**2 + truth.brush_drop_v * truth.motor_current_a
    friction_w = motor.coulomb_nm * speed + motor.viscous_nm_s * speed**2 + motor.cubic_nm_s3 * speed**4
    housing_k = (winding_w + friction_w) * motor.housing_to_ambient_k_w
    assert truth.housing_degc - 23.0 == pytest.approx(housing_k, abs=0.02)
    assert truth.winding_degc - truth.housing_degc == pytest.approx(winding_w * motor.winding_to_housing_k_w, abs=0.02)
    assert housing_k > 40.0


def test_nothing_is_leapt_over_before_it_is_steady() -> None:
    fine, long = flap(), leaping(flap)
    fine.advance_to(0.15)
    long.advance_to(0.15)
    assert long.truth() == fine.truth()
    assert long.leapt_s == 0.0


def test_a_ramp_is_never_leapt_over() -> None:
    fine, long = flap(), leaping(flap)
    for plant in (fine, long):
        for tick in range(300):
            plant.supply.voltage_v = 10.0 + 0.03 * tick
            plant.advance_to(0.01 * (tick + 1))
    assert long.leapt_s == 0.0
    assert long.truth() == fine.truth()


def test_a_command_in_the_middle_of_a_leap_acts_at_once() -> None:
    fine, long = flap(), leaping(flap)
    speeds = []
    for plant in (fine, long):
        plant.advance_to(20.0)
        plant.load.torque_nm = 0.1
        plant.supply.voltage_v = 12.0
        seen = []
        for tick in range(1, 60):
            plant.advance_to(20.0 + 0.005 * tick)
            seen.append(plant.motor_speed_rpm)
        speeds.append(seen)
    assert long.leapt_s > 15.0
    assert speeds[0][0] - speeds[0][-1] > 1000.0
    assert np.abs(np.array(speeds[0]) - np.array(speeds[1])).max() < BAND_RPM


def test_a_fault_in_the_middle_of_a_leap_acts_at_once() -> None:
    plant = leaping(flap)
    plant.advance_to(10.0)
    plant.faults.rotor_jammed = True
    plant.advance_to(10.2)
    assert abs(plant.motor_speed_rpm) < 1.0


def test_looking_often_changes_nothing_but_the_last_digits() -> None:
    once, often = leaping(flap), leaping(flap)
    once.advance_to(20.0)
    for tick in range(1, 20 * 333):
        often.advance_to(0.003 * tick + 0.0005 * (tick % 3))
    often.advance_to(20.0)
    assert often.leapt_s > 10.0
    assert often.winding_degc == pytest.approx(once.winding_degc, abs=0.005)
    assert often.motor_speed_rpm == pytest.approx(once.motor_speed_rpm, abs=BAND_RPM)


def test_what_happened_while_no_leaps_were_wanted_is_not_leapt_over() -> None:
    fine, long = flap(), leaping(flap)
    for plant in (fine, long):
        plant.advance_to(10.2)
        plant.leaps = False
        plant.load.torque_nm = 0.6
        plant.advance_to(11.0)
        plant.load.torque_nm = 0.3  # as before
        plant.advance_to(11.02)
    long.leaps = True
    leapt_s = long.leapt_s
    assert leapt_s > 5.0
    for plant in (fine, long):
        plant.advance_to(11.1)
    assert long.leapt_s == leapt_s
    assert long.motor_speed_rpm == pytest.approx(fine.motor_speed_rpm, abs=BAND_RPM)


def test_a_leg_from_before_a_long_pause_corrects_nothing_after_it() -> None:
    fine, long = flap(load_nm=0.2), leaping(lambda: flap(load_nm=0.2))
    for plant in (fine, long):
        plant.advance_to(30.0)
        plant.leaps = False
        plant.load.torque_nm = 1.2
        plant.advance_to(50.0)
        plant.load.torque_nm = 0.2
        plant.advance_to(51.0)
    long.leaps = True
    for plant in (fine, long):
        plant.advance_to(56.0)
    assert long.leapt_s > 20.0
    assert fine.winding_degc > 50.0
    assert long.winding_degc == pytest.approx(fine.winding_degc, abs=0.01)


def test_what_is_measured_right_after_a_leap_is_what_was_measured_before() -> None:
    plant = leaping(pump)
    plant.advance_to(8.0)
    leapt_s = plant.leapt_s
    for _ in range(20):
        plant.advance_to(plant.time_s + 0.1)
        inputs, analysed = plant.measure(), plant.analyse(0.1)
        truth = plant.truth()
        assert inputs[5] == pytest.approx(2500.0, abs=1.0)
        assert inputs[6] * 10.0 == pytest.approx(truth.link_v, abs=0.02)
        assert inputs[2] * 10.0 == pytest.approx(truth.motor_current_a, rel=0.002)
        assert analysed[13] == pytest.approx(truth.converter_output_w, rel=0.005)
        assert analysed[16] == pytest.approx(2500.0 / 60.0 * 4.0, abs=0.1)
    assert plant.leapt_s > leapt_s + 1.0


def test_samples_go_on_through_a_leap() -> None:
    plant = leaping(pump)
    plant.is_sampled = lambda: True
    plant.advance_to(9.0)
    assert plant.leapt_s > 4.0
    motor = plant.specimen.motor
    assert isinstance(motor, BrushlessMotor)
    wave = plant.sample(plant.sampled - 20_000, 20_000).astype(float)  # the last second
    crossings = np.count_nonzero((wave[:-1, 0] < 0.0) & (wave[1:, 0] >= 0.0))
    assert crossings == pytest.approx(2500.0 / 60.0 * motor.pole_pairs, abs=1.0)
    steps = np.abs(np.diff(wave[:, 0]))
    peak = np.abs(wave[:, 0]).max()
    assert steps.max() < 3.0 * 2.0 * math.pi * 2500.0 / 60.0 * motor.pole_pairs / 20_000.0 * peak


def test_repeated_records_keep_turning() -> None:
    memory = StepMemory()
    for step in range(4):
        memory.put((0.1 * step, 0.1, float(step)))
    memory.repeat(steps=6, over=2, turns=True)
    rows = memory.rows(0, 10)
    assert rows[:, 0] == pytest.approx([0.1 * step for step in range(10)])
    assert rows[:, 2].tolist() == [0.0, 1.0, 2.0, 3.0, 2.0, 3.0, 2.0, 3.0, 2.0, 3.0]


def test_a_switched_off_plant_says_what_it_waits_for() -> None:
    plant = leaping(flap)
    plant.advance_to(1.0)
    plant.supply.output_on = plant.load.power_stage_on = False
    plant.advance_to(1.6)
    assert plant.unsteady.endswith("a second")
