"""The converter: what it asks for, how fast it gets it, what the link's voltage allows and what it loses."""

import math

import pytest

from benchd_rig.commands import MotorDriveCommand
from benchd_rig.converter import Converter
from benchd_rig.plant import STEP_S, Plant
from benchd_rig.specimen import BrushlessMotor, ConverterModel, Specimen, load_specimen
from tests.plugins.rig_physics.running import driven, held, on_its_link, turned


def of(specimen: Specimen) -> tuple[Converter, ConverterModel]:
    assert isinstance(specimen.motor, BrushlessMotor)
    assert specimen.bench.converter is not None
    return Converter(specimen.bench.converter, specimen.motor, step_s=STEP_S), specimen.bench.converter


def test_the_current_follows_with_the_stated_lag() -> None:
    plant = turned(on_its_link(load_specimen("reference_pmsm")), speed_rpm=300.0, seconds=0.5)
    driven(plant, torque_nm=0.0, seconds=0.1)
    plant.motor_drive.torque_nm = 8.0
    seen_a = []
    for _ in range(8):
        plant.advance_to(plant.time_s + STEP_S)
        seen_a.append(plant._machine.phases.current_a.imag)
    final_a = seen_a[-1] / (1.0 - math.exp(-8.0))  # the lag is one step
    for step, current_a in enumerate(seen_a, start=1):
        assert current_a / final_a == pytest.approx(1.0 - math.exp(-step), abs=0.01)


def test_a_held_speed_stands_against_the_load(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=2000.0, torque_nm=1.5)
    assert pump_plant.motor_speed_rpm == pytest.approx(2000.0, abs=0.5)
    held(pump_plant, speed_rpm=-1000.0, torque_nm=-1.0)
    assert pump_plant.motor_speed_rpm == pytest.approx(-1000.0, abs=0.5)


def test_the_torque_bound_holds_in_both_modes(pump_plant: Plant) -> None:
    pump_plant.motor_drive.torque_bound_nm = 0.8
    driven(pump_plant, torque_nm=3.0, seconds=0.1)
    assert pump_plant.motor_drive_torque_nm == pytest.approx(0.8, rel=1e-3)
    held(pump_plant, speed_rpm=-3000.0, torque_nm=-2.0, seconds=0.2)
    assert pump_plant.motor_drive_torque_nm == pytest.approx(-0.8, rel=1e-3)


def test_beyond_its_speed_bound_it_no_longer_drives(pump_plant: Plant) -> None:
    pump_plant.motor_drive.speed_bound_rpm = 1500.0
    driven(pump_plant, torque_nm=1.0, seconds=3.0)
    assert 1400.0 < pump_plant.motor_speed_rpm < 1510.0


def test_its_own_estimate_of_torque_is_off_by_a_few_percent(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=2500.0, torque_nm=2.0)
    true_nm = pump_plant.truth().airgap_torque_nm
    assert 0.003 < abs(pump_plant.motor_drive_torque_nm / true_nm - 1.0) < 0.05
    pump_plant.motor_drive.power_stage_on = False
    pump_plant.advance_to(pump_plant.time_s + 0.01)
    assert pump_plant.motor_drive_torque_nm == 0.0


@pytest.mark.parametrize("name", ["pump_48v", "reference_pmsm"])
@pytest.mark.parametrize("speed_rpm", [4500.0, 6000.0, -6000.0])
def test_the_voltage_never_exceeds_what_the_link_allows(name: str, speed_rpm: float) -> None:
    specimen = load_specimen(name)
    _, model = of(specimen)
    plant = on_its_link(specimen)
    driven(plant, torque_nm=math.copysign(3.0 * specimen.rating.torque_nm, speed_rpm), seconds=0.0)
    worst = 0.0

    def watch(plant: Plant) -> None:
        nonlocal worst
        truth = plant.truth()
        most_v = (truth.link_v - 2.0 * model.threshold_v) / math.sqrt(2.0)  # line to line, rms
        worst = max(worst, truth.line_voltage_v / most_v)

    plant.on_step.append(watch)
    turned(plant, speed_rpm=speed_rpm)
    assert 0.95 < worst < 1.003  # the link moves by a little within a step


def test_torque_fades_where_the_voltage_is_used_up_and_the_field_is_weakened(pump_plant: Plant) -> None:
    driven(pump_plant, torque_nm=4.5, seconds=0.0)
    torques_nm, d_currents_a = [], []
    for speed_rpm in (2000.0, 5000.0, 7000.0):
        truth = turned(pump_plant, speed_rpm=speed_rpm).truth()
        torques_nm.append(truth.airgap_torque_nm)
        d_currents_a.append(truth.d_current_a)
    assert torques_nm[0] == pytest.approx(4.5, rel=0.03)
    assert torques_nm[0] > torques_nm[1] > torques_nm[2] > 1.0
    assert d_currents_a[0] > d_currents_a[1] > d_currents_a[2]


def test_a_set_point_in_the_weakened_field_is_steady(pump_plant: Plant) -> None:
    turned(driven(pump_plant, torque_nm=2.4, seconds=0.0), speed_rpm=5500.0, seconds=2.0)
    torques_nm: list[float] = []
    pump_plant.on_step.append(lambda plant: torques_nm.append(plant.truth().airgap_torque_nm))
    pump_plant.advance_to(pump_plant.time_s + 0.2)
    assert max(torques_nm) - min(torques_nm) < 0.01


def test_below_its_least_link_voltage_the_power_stage_locks_out(pump_plant: Plant) -> None:
    driven(pump_plant, torque_nm=1.0, seconds=0.05)
    pump_plant.supply.output_on = False
    pump_plant.sink.mode, pump_plant.sink.level = "voltage", 10.0
    pump_plant.advance_to(pump_plant.time_s + 0.2)
    truth = pump_plant.truth()
    assert truth.link_v < 18.0
    assert truth.airgap_torque_nm == 0.0
    assert pump_plant.motor_drive_torque_nm == 0.0


def test_losses_have_the_closed_form_of_their_parts(pump: Specimen) -> None:
    converter, model = of(pump)
    amplitude_a, link_v = 28.0, 48.0
    mean_a, rms_a = 2.0 / math.pi * amplitude_a, amplitude_a / math.sqrt(2.0)
    conduction_w = 3.0 * (model.threshold_v * mean_a + model.on_ohm * rms_a**2)
    switching_w = 3.0 * link_v * mean_a * model.switching_s * model.carrier_hz
    assert converter.loss_w(amplitude_a, link_v=link_v) == pytest.approx(conduction_w + switching_w + model.idle_w)


def test_a_wrong_belief_asks_for_a_current_of_another_angle(pump: Specimen) -> None:
    converter, model = of(pump)
    command = MotorDriveCommand(power_stage_on=True, torque_nm=2.0)
    asked_a = converter.set_point_a(command, speed_rad_s=0.0, link_v=48.0)
    assert asked_a is not None
    saliency_h = model.believed_q_inductance_h - model.believed_d_inductance_h
    per_amp = 1.5 * 4 * (model.believed_flux_v_s - saliency_h * asked_a.real)
    assert per_amp * asked_a.imag == pytest.approx(2.0, rel=1e-9)
