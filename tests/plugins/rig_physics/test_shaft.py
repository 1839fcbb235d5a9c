"""Two rotors on an elastic coupling: the resonance, dry friction that holds, coasting, a broken coupling."""

import math

import numpy as np
import pytest

from benchd_rig.plant import STEP_S, Plant
from benchd_rig.specimen import SPECIMENS, Specimen, load_specimen

RAD_S = math.pi / 30.0


@pytest.mark.parametrize("name", SPECIMENS)
def test_the_coupling_rings_at_its_closed_form_frequency(name: str) -> None:
    specimen = load_specimen(name)
    plant = Plant(specimen)
    plant.faults.coupling_broken = True
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", 300.0, True
    plant.advance_to(1.0)
    plant.load.mode, plant.load.torque_nm = "torque", 0.0
    plant.faults.coupling_broken = False  # two rotors of different speed are joined: the shaft rings
    torques_nm = []
    for step in range(1, 201):
        plant.advance_to(1.0 + step * STEP_S)
        torques_nm.append(plant.truth().shaft_torque_nm)
    coupling, load = specimen.bench.coupling, specimen.bench.load_machine
    inverse = 1.0 / specimen.motor.inertia_kgm2 + 1.0 / load.inertia_kgm2
    natural_rad_s = math.sqrt(coupling.stiffness_nm_rad * inverse)
    damping = 0.5 * coupling.damping_nm_s_rad * inverse / natural_rad_s
    # a decaying oscillation beside a constant obeys x[n+2] = 2·r·cos(φ)·x[n+1] - r²·x[n] + c
    x = np.array(torques_nm)
    columns = np.column_stack([x[1:-1], -x[:-2], np.ones(len(x) - 2)])
    (twice_real, square, _), *_ = np.linalg.lstsq(columns, x[2:], rcond=None)
    pole = complex(np.log(complex(twice_real / 2.0, math.sqrt(square - twice_real**2 / 4.0)))) / STEP_S
    assert abs(pole) == pytest.approx(natural_rad_s, rel=0.01)
    assert natural_rad_s / (2.0 * math.pi) == pytest.approx(500.0, rel=0.01)
    assert -pole.real / abs(pole) == pytest.approx(damping, rel=0.1)


def test_a_rotor_below_its_breakaway_torque_stays_exactly_where_it_is(vent_flap: Specimen, plant: Plant) -> None:
    motor = vent_flap.motor
    plant.supply.voltage_v, plant.supply.output_on = 24.0, True
    plant.supply.current_limit_a = 0.95 * motor.coulomb_nm / motor.constant_v_s
    plant.advance_to(5.0)
    truth = plant.truth()
    assert truth.airgap_torque_nm > 0.9 * motor.coulomb_nm
    assert truth.motor_speed_rpm == 0.0
    assert truth.motor_angle_rad == 0.0
    plant.supply.current_limit_a = 1.2 * motor.coulomb_nm / motor.constant_v_s
    plant.advance_to(6.0)
    assert plant.motor_speed_rpm > 50.0


def test_a_load_below_the_breakaway_torque_turns_nothing_in_either_direction(vent_flap: Specimen, plant: Plant) -> None:
    plant.load.power_stage_on = True
    for sign in (1.0, -1.0):
        plant.load.torque_nm = 0.9 * sign * vent_flap.motor.coulomb_nm
        plant.advance_to(plant.time_s + 1.0)
        assert plant.motor_speed_rpm == 0.0
        assert plant.load_speed_rpm == pytest.approx(0.0, abs=1e-6)
        assert plant.truth().shaft_torque_nm == pytest.approx(plant.load.torque_nm, rel=1e-6)


def test_a_coasting_shaft_stops_once_and_does_not_chatter(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    fed_plant.supply.output_on = False
    speeds_rpm = []
    fed_plant.on_step.append(lambda plant: speeds_rpm.append(plant.motor_speed_rpm))
    fed_plant.advance_to(12.0)
    zero_from = speeds_rpm.index(0.0)
    assert min(speeds_rpm) == 0.0
    assert set(speeds_rpm[zero_from + 200 :]) == {0.0}


def test_coasting_with_coulomb_and_viscous_friction_takes_the_closed_form_time(vent_flap: Specimen) -> None:
    # t = (J/b)·ln(1 + b·ω0/Tc), the solution of J·dω/dt = -Tc - b·ω
    inertia_kgm2, coulomb_nm, viscous_nm_s = 1e-3, 0.02, 1e-4
    motor = vent_flap.motor.model_copy(
        update={
            "inertia_kgm2": inertia_kgm2,
            "coulomb_nm": coulomb_nm,
            "viscous_nm_s": viscous_nm_s,
            "cubic_nm_s3": 0.0,
            "inductance_h": 0.1,
        }
    )
    link = vent_flap.bench.link.model_copy(update={"capacitance_f": 1e-7, "bleed_ohm": 1e9})
    bench = vent_flap.bench.model_copy(update={"link": link})
    plant = Plant(vent_flap.model_copy(update={"motor": motor, "bench": bench}))
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", 2000.0, True
    plant.advance_to(2.0)
    start_rad_s = plant.motor_speed_rpm * RAD_S
    plant.faults.coupling_broken = True
    stopped_s = []
    plant.on_step.append(lambda p: stopped_s.append(p.time_s) if p.motor_speed_rpm == 0.0 else None)
    start_s = plant.time_s
    plant.advance_to(start_s + 10.0)
    expected_s = inertia_kgm2 / viscous_nm_s * math.log(1.0 + viscous_nm_s * start_rad_s / coulomb_nm)
    assert stopped_s[0] - start_s == pytest.approx(expected_s, rel=2e-3)


def test_windage_grows_with_the_cube_of_the_speed(vent_flap: Specimen) -> None:
    motor = vent_flap.motor.model_copy(update={"coulomb_nm": 0.0, "viscous_nm_s": 0.0, "cubic_nm_s3": 1e-9})
    plant = Plant(vent_flap.model_copy(update={"motor": motor}))
    plant.load.mode, plant.load.power_stage_on = "speed", True
    torques_nm = []
    for speed_rpm in (1500.0, 3000.0):
        plant.load.speed_rpm = speed_rpm
        plant.advance_to(plant.time_s + 3.0)
        truth = plant.truth()
        torques_nm.append(truth.airgap_torque_nm - truth.shaft_torque_nm)
        assert torques_nm[-1] == pytest.approx(1e-9 * (speed_rpm * RAD_S) ** 3, rel=1e-3)
    assert torques_nm[1] / torques_nm[0] == pytest.approx(8.0, rel=2e-3)


def test_a_broken_coupling_transmits_nothing_and_lets_the_speeds_part(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on, fed_plant.load.torque_nm = True, 0.25
    fed_plant.advance_to(1.0)
    fed_plant.faults.coupling_broken = True
    fed_plant.advance_to(1.3)
    truth = fed_plant.truth()
    assert truth.shaft_torque_nm == 0.0
    assert truth.motor_speed_rpm > 3300.0
    assert truth.load_speed_rpm < -500.0


def test_a_dry_bearing_leaves_a_torque_on_the_resting_shaft(fed_plant: Plant) -> None:
    fed_plant.faults.load_bearing_dry = True
    fed_plant.advance_to(1.0)
    fed_plant.supply.output_on = False
    fed_plant.advance_to(30.0)
    assert fed_plant.motor_speed_rpm == 0.0
    assert 1e-4 < abs(fed_plant.truth().shaft_torque_nm) <= 0.01


def test_a_sound_shaft_rests_without_torque(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    fed_plant.supply.output_on = False
    fed_plant.advance_to(30.0)
    assert fed_plant.truth().shaft_torque_nm == pytest.approx(0.0, abs=1e-6)
