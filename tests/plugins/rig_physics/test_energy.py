"""The books: what the supply gave is what was lost, taken and stored."""

import math
from dataclasses import fields

import pytest

from benchd_rig.plant import Plant


def supplied_and_spent_j(plant: Plant) -> tuple[float, float]:
    return plant.energy.supply_j, plant.energy.gone_j + plant.stored_j


def test_the_books_close_over_a_ramp_under_load(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on = True
    for step in range(1, 201):
        fed_plant.supply.voltage_v = 0.12 * step
        fed_plant.load.torque_nm = 0.00125 * step
        fed_plant.advance_to(0.01 * step)
    supplied_j, spent_j = supplied_and_spent_j(fed_plant)
    assert supplied_j > 50.0
    assert spent_j == pytest.approx(supplied_j, rel=5e-4)


def test_the_books_close_while_the_load_machine_drives_into_the_sink(fed_plant: Plant) -> None:
    fed_plant.sink.input_on, fed_plant.sink.level, fed_plant.sink.current_limit_a = True, 26.0, 40.0
    fed_plant.load.mode, fed_plant.load.speed_rpm, fed_plant.load.power_stage_on = "speed", 4500.0, True
    fed_plant.advance_to(3.0)
    supplied_j, spent_j = supplied_and_spent_j(fed_plant)
    driven_in_j = -fed_plant.energy.load_machine_j
    assert driven_in_j > 100.0
    assert spent_j + driven_in_j == pytest.approx(supplied_j + driven_in_j, rel=2e-3)


def test_the_books_close_over_a_whole_run_with_starting_jamming_and_stopping(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    fed_plant.faults.rotor_jammed = True
    fed_plant.advance_to(1.5)
    fed_plant.faults.rotor_jammed = False
    fed_plant.advance_to(2.0)
    fed_plant.supply.output_on = False
    fed_plant.advance_to(20.0)
    supplied_j, spent_j = supplied_and_spent_j(fed_plant)
    assert fed_plant.stored_j == pytest.approx(0.0, abs=1e-6)
    assert spent_j == pytest.approx(supplied_j, rel=5e-3)


def test_the_steady_power_balance_closes_part_by_part(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on, fed_plant.load.torque_nm = True, 0.25
    fed_plant.advance_to(2.0)
    before = {field.name: getattr(fed_plant.energy, field.name) for field in fields(fed_plant.energy)}
    fed_plant.advance_to(3.0)
    power_w = {name: getattr(fed_plant.energy, name) - joule for name, joule in before.items()}
    truth = fed_plant.truth()
    speed_rad_s = truth.motor_speed_rpm * math.pi / 30.0
    assert power_w["supply_j"] == pytest.approx(truth.link_v * truth.supply_current_a, rel=1e-3)
    assert power_w["copper_j"] == pytest.approx(truth.winding_ohm * truth.motor_current_a**2, rel=1e-3)
    assert power_w["load_machine_j"] == pytest.approx(truth.load_torque_nm * speed_rad_s, rel=1e-3)
    friction_w = (truth.airgap_torque_nm - truth.shaft_torque_nm) * speed_rad_s
    assert power_w["motor_friction_j"] == pytest.approx(friction_w, rel=1e-3)
