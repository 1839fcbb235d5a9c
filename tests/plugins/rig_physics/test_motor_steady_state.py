"""The specimen's steady states against the motor's equations, solved here by other means."""

import math

import pytest
from scipy.optimize import brentq

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen

RAD_S = math.pi / 30.0


def rotor_torque_nm(specimen: Specimen, speed_rad_s: float) -> float:
    motor = specimen.motor
    return motor.coulomb_nm + motor.viscous_nm_s * speed_rad_s + motor.cubic_nm_s3 * speed_rad_s**3


def test_loaded_speed_and_current_solve_the_motors_equations(vent_flap: Specimen, fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on = True
    fed_plant.load.torque_nm = 0.25
    fed_plant.advance_to(3.0)
    truth = fed_plant.truth()
    motor, load = vent_flap.motor, vent_flap.bench.load_machine
    warm_k = truth.winding_degc - motor.reference_degc
    winding_ohm = motor.resistance_ohm * (1.0 + 0.00393 * warm_k)
    brush_v = motor.brush_drop_v * (1.0 + motor.brush_drop_per_k * warm_k)

    def current_a(speed_rad_s: float) -> float:
        shaft_nm = 0.25 + load.viscous_nm_s * speed_rad_s
        return (shaft_nm + rotor_torque_nm(vent_flap, speed_rad_s)) / motor.constant_v_s

    def missing_v(speed_rad_s: float) -> float:
        current = current_a(speed_rad_s)
        source_ohm = vent_flap.bench.supply.output_resistance_ohm
        link_v = (24.0 - source_ohm * current) / (1.0 + source_ohm / vent_flap.bench.link.bleed_ohm)
        drop_v = (winding_ohm + vent_flap.bench.link.cable_ohm) * current
        return link_v - drop_v - brush_v * math.tanh(current / motor.brush_scale_a) - motor.constant_v_s * speed_rad_s

    speed_rad_s = brentq(missing_v, 100.0, 400.0)
    assert truth.motor_speed_rpm * RAD_S == pytest.approx(speed_rad_s, rel=1e-4)
    assert truth.motor_current_a == pytest.approx(current_a(speed_rad_s), rel=1e-4)
    assert truth.shaft_torque_nm == pytest.approx(0.25 + load.viscous_nm_s * speed_rad_s, rel=1e-4)
    assert truth.winding_ohm == pytest.approx(winding_ohm, rel=1e-6)


def test_the_rated_point_is_about_what_the_plate_says(vent_flap: Specimen, fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on = True
    fed_plant.load.torque_nm = vent_flap.rating.torque_nm
    fed_plant.advance_to(3.0)
    assert fed_plant.motor_speed_rpm == pytest.approx(vent_flap.rating.speed_rpm, rel=0.03)
    assert fed_plant.motor_current_a == pytest.approx(vent_flap.rating.current_a, rel=0.07)


def test_a_jammed_rotor_stands_and_draws_the_stall_current(vent_flap: Specimen, fed_plant: Plant) -> None:
    fed_plant.faults.rotor_jammed = True
    fed_plant.supply.voltage_v = 6.0
    fed_plant.advance_to(0.5)
    truth = fed_plant.truth()
    loop_ohm = truth.winding_ohm + vent_flap.bench.link.cable_ohm
    assert truth.motor_speed_rpm == 0.0
    assert truth.motor_current_a == pytest.approx((truth.link_v - truth.brush_drop_v) / loop_ohm, rel=1e-4)


def test_a_rotor_that_jams_at_speed_stops_within_milliseconds_and_turns_again_when_freed(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    assert fed_plant.motor_speed_rpm > 3000.0
    fed_plant.faults.rotor_jammed = True
    fed_plant.advance_to(1.2)
    assert fed_plant.motor_speed_rpm == 0.0
    fed_plant.faults.rotor_jammed = False
    fed_plant.advance_to(2.2)
    assert fed_plant.motor_speed_rpm > 3000.0


def test_a_warm_brush_drops_less(vent_flap: Specimen) -> None:
    cold = Plant(vent_flap)
    warm_bench = vent_flap.bench.model_copy(update={"ambient_degc": 83.0})
    warm = Plant(vent_flap.model_copy(update={"bench": warm_bench}))
    for plant in (cold, warm):
        plant.faults.rotor_jammed = True
        plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 6.0, 2.0, True
        plant.advance_to(0.2)
    assert warm.truth().brush_drop_v - cold.truth().brush_drop_v == pytest.approx(-0.0015 * 60.0 * 0.80, rel=0.01)
