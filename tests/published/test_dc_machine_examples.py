"""DC machine examples from outside, against the closed forms that the evaluation uses."""

import math

import pytest

from benchd.analysis.dc_machine import (
    DcMachine,
    at_shaft_torque,
    at_speed,
    characteristic_points_of,
    constant_from_no_load,
)

RPM = math.pi / 30.0


# Fitzgerald, Kingsley, Umans, Electric Machinery, 6th edition, Example 7.1 (value from memory): generated voltage
# 125 V at 3000 r/min, armature resistance 0.02 Ω.
@pytest.mark.parametrize(
    ("voltage_v", "current_a", "terminal_kw", "electromagnetic_kw", "torque_nm"),
    [(128.0, 150.0, 19.20, 18.75, 59.68), (124.0, -50.0, -6.20, -6.25, -19.89)],
)
def test_a_machine_at_3000_rpm_motors_above_its_back_emf_and_generates_below(
    voltage_v, current_a, terminal_kw, electromagnetic_kw, torque_nm
):
    machine = DcMachine(resistance_ohm=0.02, constant_vs=125.0 / (3000.0 * RPM))
    point = at_speed(machine, voltage_v=voltage_v, speed_rad_s=3000.0 * RPM)
    assert point.current_a == pytest.approx(current_a, abs=1e-6)
    assert point.input_power_w == pytest.approx(terminal_kw * 1000.0, abs=0.01)
    assert point.electromagnetic_power_w == pytest.approx(electromagnetic_kw * 1000.0, abs=0.01)
    assert point.electromagnetic_torque_nm == pytest.approx(torque_nm, abs=0.005)


# The same book, Example 7.9 (value from memory): permanent-magnet motor, armature resistance 1.03 Ω, no load at 50 V:
# 1.25 A, 2100 r/min; rotational loss taken as equal at both speeds.
def test_the_constant_and_the_loss_of_a_permanent_magnet_motor_come_from_its_no_load_reading():
    constant = constant_from_no_load(voltage_v=50.0, current_a=1.25, speed_rad_s=2100.0 * RPM, resistance_ohm=1.03)
    assert constant == pytest.approx(0.22151, abs=5e-6)
    point = at_speed(DcMachine(resistance_ohm=1.03, constant_vs=constant), voltage_v=50.0, speed_rad_s=2100.0 * RPM)
    assert point.back_emf_v == pytest.approx(48.7125, abs=1e-6)
    assert point.electromagnetic_power_w == pytest.approx(60.89, abs=0.005)


def test_the_same_motor_at_48_v_and_1700_rpm():
    speed = 1700.0 * RPM
    constant = constant_from_no_load(voltage_v=50.0, current_a=1.25, speed_rad_s=2100.0 * RPM, resistance_ohm=1.03)
    machine = DcMachine(resistance_ohm=1.03, constant_vs=constant, coulomb_nm=48.7125 * 1.25 / speed)
    point = at_speed(machine, voltage_v=48.0, speed_rad_s=speed)
    assert point.current_a == pytest.approx(8.317, abs=0.0005)
    assert point.electromagnetic_power_w == pytest.approx(327.96, abs=0.02)
    assert point.output_power_w == pytest.approx(267.06, abs=0.02)


# Modelica Standard Library, Machines.Examples.DCMachines, DCPM_withLosses, machine 1 (read in the source): 100 V,
# 100 A, 0.05 Ω, 1425 r/min, copper loss only.
def test_a_machine_with_copper_loss_only():
    speed = 1425.0 * RPM
    machine = DcMachine(resistance_ohm=0.05, constant_vs=95.0 / speed)
    point = at_speed(machine, voltage_v=100.0, speed_rad_s=speed)
    assert point.current_a == pytest.approx(100.0, abs=1e-9)
    assert point.back_emf_v == pytest.approx(95.0, abs=1e-9)
    assert point.copper_loss_w == pytest.approx(500.0, abs=1e-6)
    assert point.output_power_w == pytest.approx(9500.0, abs=1e-6)
    assert point.shaft_torque_nm == pytest.approx(63.66, abs=0.005)


# A linear motor whose points follow from one another, in closed form: 24 V, 0.5 Ω, 0.05 V·s/rad, 0.6 A no load.
def test_the_characteristic_points_of_a_linear_motor():
    machine = DcMachine(resistance_ohm=0.5, constant_vs=0.05, coulomb_nm=0.05 * 0.6)
    points = characteristic_points_of(machine, voltage_v=24.0)
    assert points.stall_current_a == pytest.approx(48.0)
    assert points.stall_torque_nm == pytest.approx(2.37)
    assert points.no_load_current_a == pytest.approx(0.6)
    assert points.no_load_speed_rad_s == pytest.approx(474.0)
    assert points.no_load_speed_rad_s / RPM == pytest.approx(4526.37, abs=0.005)
    assert points.maximum_power_w == pytest.approx(280.845, abs=0.0005)
    assert points.maximum_efficiency == pytest.approx(0.788893, abs=5e-7)
    assert points.current_at_maximum_efficiency_a == pytest.approx(5.366563, abs=5e-7)
    assert points.speed_at_maximum_efficiency_rad_s / RPM == pytest.approx(4071.193, abs=5e-4)
    assert points.torque_at_maximum_efficiency_nm == pytest.approx(0.238328, abs=5e-7)


def test_the_point_of_greatest_efficiency_is_where_the_linear_motor_runs_under_that_torque():
    machine = DcMachine(resistance_ohm=0.5, constant_vs=0.05, coulomb_nm=0.05 * 0.6)
    point = at_shaft_torque(machine, voltage_v=24.0, shaft_torque_nm=0.2383281573)
    assert point.current_a == pytest.approx(5.366563, abs=5e-7)
    assert point.speed_rad_s / RPM == pytest.approx(4071.193, abs=5e-4)
    assert point.efficiency == pytest.approx(0.788893, abs=5e-7)
