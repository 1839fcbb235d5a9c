"""The books of a brushless bench: what came in is what was lost, taken and stored, part by part."""

import math
from dataclasses import fields

import pytest

from benchd_rig.plant import STEP_S, Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.plugins.rig_physics.running import driven, held, on_its_link, turned


def missing_j(plant: Plant) -> float:
    """What came in and is nowhere; charging the link costs some at the start, in the supply's own resistance."""
    energy = plant.energy
    return energy.supply_j + energy.meter_j - energy.gone_j - plant.stored_j


@pytest.mark.parametrize("name", ["pump_48v", "reference_pmsm"])
def test_the_books_close_over_motoring_braking_and_a_cut_off_current(name: str) -> None:
    plant = on_its_link(load_specimen(name))
    before_j = missing_j(plant)
    rated_nm = plant.specimen.rating.torque_nm
    held(plant, speed_rpm=2000.0, torque_nm=rated_nm, seconds=1.5)
    held(plant, speed_rpm=-2500.0, torque_nm=0.3 * rated_nm, seconds=1.0)
    plant.motor_drive.power_stage_on = False
    plant.advance_to(plant.time_s + 0.3)
    assert plant.energy.supply_j > 300.0
    assert missing_j(plant) - before_j == pytest.approx(0.0, abs=5e-4 * plant.energy.supply_j)


def test_nothing_is_missing_but_what_the_links_own_step_loses(pump: Specimen) -> None:
    plant = Plant(pump)
    plant.faults.coupling_broken = True  # the coupling's damping is booked along straight lines, and only nearly exact
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 48.0, 8.0, True
    plant.advance_to(0.3)
    before_j, before_v, lost_j = missing_j(plant), plant.link_v, 0.0
    plant.motor_drive.mode, plant.motor_drive.speed_rpm, plant.motor_drive.power_stage_on = "speed", 3000.0, True
    for step in range(1200):
        if step == 800:
            plant.motor_drive.speed_rpm = 500.0
        plant.advance_to(plant.time_s + STEP_S)
        # implicit Euler: a capacitor that moves by Δv within a step loses C·Δv²/2
        lost_j += 0.5 * pump.bench.link.capacitance_f * (plant.link_v - before_v) ** 2
        before_v = plant.link_v
    assert plant.energy.supply_j > 50.0
    assert plant.link_v > 52.0  # what braking gave back
    assert missing_j(plant) - before_j == pytest.approx(lost_j, abs=1e-8)


@pytest.mark.parametrize("offset_deg", [0.0, 50.0])
def test_the_books_close_at_the_voltage_limit(pump_plant: Plant, offset_deg: float) -> None:
    before_j = missing_j(pump_plant)
    pump_plant.faults.commutation_offset_deg = offset_deg
    driven(pump_plant, torque_nm=4.5, seconds=0.0)
    turned(pump_plant, speed_rpm=6000.0)
    assert missing_j(pump_plant) - before_j == pytest.approx(0.0, abs=1e-3 * pump_plant.energy.supply_j + 0.02)


def test_the_books_close_while_swapped_phases_shake_the_rotor(pump_plant: Plant) -> None:
    before_j = missing_j(pump_plant)
    pump_plant.faults.phases_swapped = True
    driven(turned(pump_plant, speed_rpm=500.0), torque_nm=2.0, seconds=2.0)
    through_j = pump_plant.energy.supply_j + pump_plant.energy.copper_j
    assert missing_j(pump_plant) - before_j == pytest.approx(0.0, abs=2e-3 * through_j)


def test_the_books_close_through_the_diodes(pump_plant: Plant) -> None:
    before_j = missing_j(pump_plant)
    pump_plant.supply.output_on = False
    turned(pump_plant, speed_rpm=7000.0, seconds=2.0)
    driven_in_j = -pump_plant.energy.load_machine_j
    assert driven_in_j > 500.0
    assert missing_j(pump_plant) - before_j == pytest.approx(0.0, abs=1e-3 * driven_in_j)


def test_the_steady_power_balance_closes_part_by_part(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=3000.0, torque_nm=2.0, seconds=3.0)
    before = {field.name: getattr(pump_plant.energy, field.name) for field in fields(pump_plant.energy)}
    pump_plant.advance_to(pump_plant.time_s + 1.0)
    power_w = {name: getattr(pump_plant.energy, name) - joule for name, joule in before.items()}
    truth, motor, bench = pump_plant.truth(), pump_plant.specimen.motor, pump_plant.specimen.bench
    assert bench.converter is not None
    speed_rad_s = truth.motor_speed_rpm * math.pi / 30.0
    assert power_w["supply_j"] == pytest.approx(truth.link_v * truth.supply_current_a, rel=1e-3)
    assert power_w["copper_j"] == pytest.approx(3.0 * truth.winding_ohm * truth.phase_current_a**2, rel=1e-3)
    assert power_w["iron_j"] == pytest.approx(truth.iron_loss_w, rel=1e-3)
    assert power_w["converter_j"] == pytest.approx(truth.converter_input_w - truth.converter_output_w, rel=1e-3)
    assert power_w["cable_j"] == pytest.approx(bench.link.cable_ohm * truth.motor_current_a**2, rel=1e-3)
    friction_w = speed_rad_s * (
        motor.coulomb_nm + motor.viscous_nm_s * speed_rad_s + motor.cubic_nm_s3 * speed_rad_s**3
    )
    assert power_w["motor_friction_j"] == pytest.approx(friction_w, rel=1e-3)
    assert power_w["load_machine_j"] == pytest.approx(2.0 * speed_rad_s, rel=1e-3)
    # from the link to the shaft: nothing is lost twice and nothing is forgotten
    shaft_w = power_w["load_machine_j"] + power_w["load_friction_j"]
    losses_w = sum(power_w[name] for name in ("cable_j", "converter_j", "copper_j", "iron_j", "motor_friction_j"))
    assert truth.link_power_w == pytest.approx(shaft_w + losses_w, rel=1e-3)


def test_the_converters_output_is_what_voltage_and_current_say(pump_plant: Plant) -> None:
    truth = held(pump_plant, speed_rpm=3000.0, torque_nm=2.0, seconds=3.0).truth()
    motor_w = 1.5 * (truth.d_voltage_v * truth.d_current_a + truth.q_voltage_v * truth.q_current_a)
    fundamental_square = 0.5 * (truth.d_current_a**2 + truth.q_current_a**2)
    ripple_w = 3.0 * truth.winding_ohm * (truth.phase_current_a**2 - fundamental_square)
    assert ripple_w > 0.01
    assert truth.converter_output_w == pytest.approx(motor_w + ripple_w, rel=1e-4)
    assert truth.converter_input_w == pytest.approx(truth.terminal_voltage_v * truth.motor_current_a, rel=1e-6)
