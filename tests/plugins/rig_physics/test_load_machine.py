"""The load machine's drive: its lag, its bounds, its speed loop, and what it does when it runs away."""

import math

import pytest

from benchd_rig.commands import LoadCommand
from benchd_rig.load_machine import LoadMachine
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen


def test_torque_follows_with_the_stated_lag(vent_flap: Specimen) -> None:
    model = vent_flap.bench.load_machine
    machine = LoadMachine(model, step_s=0.0005)
    command = LoadCommand(power_stage_on=True, torque_nm=1.0)
    impulse_nm_s = 0.0
    for _ in range(10):
        impulse_nm_s += machine.step(command, speed_rad_s=0.0, runs_away=False) * 0.0005
    assert machine.torque_nm == pytest.approx(1.0 - math.exp(-1.0))
    assert impulse_nm_s == pytest.approx(0.005 * math.exp(-1.0))  # the integral of 1 - exp(-t/5 ms) over 5 ms


def test_torque_is_bounded_by_the_command_and_by_the_machine(plant: Plant) -> None:
    plant.faults.rotor_jammed = True
    plant.load.power_stage_on, plant.load.torque_nm, plant.load.torque_bound_nm = True, 5.0, 0.7
    plant.advance_to(0.2)
    assert plant.load_torque_nm == pytest.approx(0.7)
    plant.load.torque_bound_nm = math.inf
    plant.advance_to(0.4)
    assert plant.load_torque_nm == pytest.approx(plant.specimen.bench.load_machine.peak_torque_nm)


@pytest.mark.parametrize("speed_rpm", [1500.0, -1500.0])
def test_speed_mode_holds_its_speed_against_the_specimen(plant: Plant, speed_rpm: float) -> None:
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", speed_rpm, True
    plant.advance_to(2.0)
    assert plant.load_speed_rpm == pytest.approx(speed_rpm, abs=0.5)
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 24.0, 5.0, True
    plant.advance_to(4.0)
    assert plant.load_speed_rpm == pytest.approx(speed_rpm, abs=0.5)


def test_speed_mode_never_exceeds_its_torque_bound_and_does_not_wind_up(fed_plant: Plant) -> None:
    fed_plant.load.mode, fed_plant.load.speed_rpm, fed_plant.load.power_stage_on = "speed", 1000.0, True
    fed_plant.load.torque_bound_nm = 0.1
    fed_plant.advance_to(3.0)
    assert fed_plant.load_torque_nm == pytest.approx(0.1)
    fed_plant.load.torque_bound_nm = 2.0
    fed_plant.advance_to(3.5)
    assert fed_plant.load_speed_rpm == pytest.approx(1000.0, abs=5.0)


def test_a_driving_torque_gives_way_at_the_speed_bound(plant: Plant) -> None:
    plant.load.power_stage_on, plant.load.torque_nm, plant.load.speed_bound_rpm = True, -1.0, 1200.0
    highest_rpm = 0.0

    def watch(now: Plant) -> None:
        nonlocal highest_rpm
        highest_rpm = max(highest_rpm, now.load_speed_rpm)

    plant.on_step.append(watch)
    plant.advance_to(3.0)
    assert 1000.0 < plant.load_speed_rpm <= 1200.0
    assert highest_rpm < 1300.0


def test_the_speed_bound_leaves_a_braking_torque_alone(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on, fed_plant.load.torque_nm, fed_plant.load.speed_bound_rpm = True, 0.2, 3500.0
    fed_plant.advance_to(2.0)
    assert fed_plant.load_torque_nm == pytest.approx(0.2)


def test_a_drive_that_runs_away_obeys_only_its_power_stage(plant: Plant) -> None:
    plant.faults.load_runs_away = True
    plant.advance_to(0.1)
    assert plant.load_speed_rpm == 0.0
    plant.load.power_stage_on, plant.load.torque_bound_nm, plant.load.speed_bound_rpm = True, 0.1, 100.0
    plant.advance_to(0.2)
    assert plant.load_torque_nm == pytest.approx(-2.0)
    assert plant.load_speed_rpm > 1000.0
    plant.load.power_stage_on = False
    plant.advance_to(0.3)
    assert plant.load_torque_nm == pytest.approx(0.0, abs=1e-6)
