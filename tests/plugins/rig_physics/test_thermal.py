"""How warm the specimen gets, against closed forms."""

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import BrushlessMotor, Specimen
from benchd_rig.thermal import Thermal


def test_temperatures_settle_at_heat_times_thermal_resistance(vent_flap: Specimen) -> None:
    motor = vent_flap.motor
    thermal = Thermal(motor, ambient_degc=23.0)
    for _ in range(1000):
        thermal.step(winding_w=12.0, housing_w=5.0, ambient_degc=23.0, step_s=60.0)
    housing_degc = 23.0 + motor.housing_to_ambient_k_w * 17.0
    assert thermal.housing_degc == pytest.approx(housing_degc)
    assert thermal.winding_degc == pytest.approx(housing_degc + motor.winding_to_housing_k_w * 12.0)


def test_a_long_step_equals_many_short_ones(vent_flap: Specimen) -> None:
    once, often = Thermal(vent_flap.motor, ambient_degc=20.0), Thermal(vent_flap.motor, ambient_degc=20.0)
    once.step(winding_w=10.0, housing_w=3.0, ambient_degc=25.0, step_s=300.0)
    for _ in range(3000):
        often.step(winding_w=10.0, housing_w=3.0, ambient_degc=25.0, step_s=0.1)
    assert once.winding_degc == pytest.approx(often.winding_degc, abs=1e-9)
    assert once.housing_degc == pytest.approx(often.housing_degc, abs=1e-9)


def test_a_brushless_rotors_magnets_settle_above_the_housing_by_their_own_heat(pump: Specimen) -> None:
    motor = pump.motor
    assert isinstance(motor, BrushlessMotor)
    thermal = Thermal(motor, ambient_degc=23.0)
    for _ in range(1000):
        thermal.step(winding_w=40.0, housing_w=20.0, magnet_w=3.0, ambient_degc=23.0, step_s=60.0)
    housing_degc = 23.0 + motor.housing_to_ambient_k_w * 63.0
    assert thermal.housing_degc == pytest.approx(housing_degc)
    assert thermal.winding_degc == pytest.approx(housing_degc + motor.winding_to_housing_k_w * 40.0)
    assert thermal.magnet_degc == pytest.approx(housing_degc + motor.magnet_to_housing_k_w * 3.0)


def test_a_brushed_motors_magnets_are_as_warm_as_its_housing(vent_flap: Specimen) -> None:
    thermal = Thermal(vent_flap.motor, ambient_degc=23.0)
    thermal.step(winding_w=12.0, housing_w=5.0, ambient_degc=23.0, step_s=100.0)
    assert thermal.magnet_degc == thermal.housing_degc > 23.5


def test_all_heat_stays_in_the_specimen_at_first(vent_flap: Specimen) -> None:
    motor = vent_flap.motor
    thermal = Thermal(motor, ambient_degc=20.0)
    thermal.step(winding_w=50.0, housing_w=20.0, ambient_degc=20.0, step_s=1.0)
    taken_j = motor.winding_j_k * (thermal.winding_degc - 20.0) + motor.housing_j_k * (thermal.housing_degc - 20.0)
    assert taken_j == pytest.approx(70.0, rel=1e-3)


def test_a_stalled_winding_warms_by_its_losses_and_its_resistance_follows(vent_flap: Specimen, plant: Plant) -> None:
    plant.faults.rotor_jammed = True
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 10.0, True
    plant.advance_to(5.0)
    truth, motor = plant.truth(), vent_flap.motor
    heat_j = plant.energy.copper_j + plant.energy.brush_j
    rise_k = truth.winding_degc - 23.0
    through_j = (truth.housing_degc - 23.0) * motor.housing_j_k
    assert motor.winding_j_k * rise_k + through_j == pytest.approx(heat_j, rel=1e-3)
    assert heat_j == pytest.approx((100.0 * 0.64 + 8.0) * 5.0, rel=0.05)
    expected_ohm = motor.resistance_ohm * (1.0 + 0.00393 * (truth.winding_degc - 20.0))
    assert truth.winding_ohm == pytest.approx(expected_ohm)
    applied_v = truth.terminal_voltage_v - truth.brush_drop_v
    assert applied_v / truth.motor_current_a == pytest.approx(expected_ohm, rel=1e-4)


def test_the_specimen_cools_back_to_the_ambient_air(plant: Plant) -> None:
    plant.faults.rotor_jammed = True
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 20.0, True
    plant.advance_to(5.0)
    assert plant.winding_degc > 40.0
    plant.supply.output_on = False
    plant.advance_to(20_000.0)
    assert plant.winding_degc == pytest.approx(23.0, abs=0.01)
    assert plant.housing_degc == pytest.approx(23.0, abs=0.01)
