"""The brushless specimen on its bench: what goes wrong with wiring, commutation and contacts, and what it generates."""

import math

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import load_specimen
from tests.plugins.rig_physics.running import driven, held, on_its_link, turned

RAD_S = math.pi / 30.0


def mean_torque_nm(plant: Plant, seconds: float) -> tuple[float, float]:
    """Mean and greatest magnitude of the air-gap torque over a while."""
    torques_nm: list[float] = []
    plant.on_step.append(lambda now: torques_nm.append(now.truth().airgap_torque_nm))
    plant.advance_to(plant.time_s + seconds)
    plant.on_step.pop()
    return sum(torques_nm) / len(torques_nm), max(abs(one) for one in torques_nm)


def test_swapped_phases_shake_a_turning_rotor_and_drive_it_nowhere(pump_plant: Plant) -> None:
    pump_plant.faults.phases_swapped = True
    driven(turned(pump_plant, speed_rpm=500.0), torque_nm=2.0)
    mean_nm, most_nm = mean_torque_nm(pump_plant, 1.2)  # ten revolutions
    assert abs(mean_nm) < 0.02
    assert most_nm > 1.8
    assert pump_plant.motor_drive_torque_nm == pytest.approx(2.0, abs=0.2)  # it believes that all is well


def test_swapped_phases_do_not_start_a_rotor_at_rest(pump_plant: Plant) -> None:
    pump_plant.faults.phases_swapped = True
    held(pump_plant, speed_rpm=500.0)
    assert abs(pump_plant.motor_speed_rpm) < 20.0


@pytest.mark.parametrize("offset_deg", [-20.0, 30.0, 60.0, 180.0])
def test_a_commutation_offset_turns_the_true_current_by_as_much(offset_deg: float) -> None:
    plant = turned(on_its_link(load_specimen("reference_pmsm")), speed_rpm=800.0)
    truth = driven(plant, torque_nm=8.0).truth()
    plant.faults.commutation_offset_deg = offset_deg
    plant.advance_to(plant.time_s + 1.0)
    wrong = plant.truth()
    sound_deg = math.degrees(math.atan2(truth.q_current_a, truth.d_current_a))
    wrong_deg = math.degrees(math.atan2(wrong.q_current_a, wrong.d_current_a))
    assert (wrong_deg - sound_deg - offset_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.01)
    assert wrong.phase_current_a == pytest.approx(truth.phase_current_a, rel=1e-4)
    assert wrong.airgap_torque_nm < truth.airgap_torque_nm
    assert plant.motor_drive_torque_nm == pytest.approx(8.0, rel=1e-3)


def test_with_its_leads_open_the_specimen_takes_no_current_and_coasts(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=2000.0, torque_nm=1.0)
    pump_plant.meter.contactor_closed = False
    pump_plant.advance_to(pump_plant.time_s + 0.05)
    truth = pump_plant.truth()
    assert truth.phase_current_a == 0.0
    assert truth.airgap_torque_nm == 0.0
    assert truth.line_voltage_v == pytest.approx(truth.motor_emf_v, rel=0.02)
    assert truth.motor_speed_rpm < 1800.0
    assert pump_plant.motor_drive_torque_nm == 0.0


def test_a_welded_contactor_opens_nothing(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=2000.0, torque_nm=1.0)
    pump_plant.faults.contactor_welded = True
    pump_plant.meter.contactor_closed = False
    pump_plant.advance_to(pump_plant.time_s + 0.5)
    assert not pump_plant.leads_open
    assert pump_plant.motor_speed_rpm == pytest.approx(2000.0, abs=1.0)


def test_a_brushed_specimen_with_open_leads_coasts_and_shows_its_induced_voltage(fed_plant: Plant) -> None:
    fed_plant.advance_to(1.0)
    fed_plant.meter.contactor_closed = False
    fed_plant.advance_to(1.1)
    truth = fed_plant.truth()
    assert truth.motor_current_a == 0.0
    assert truth.link_v == pytest.approx(24.0, abs=0.01)
    assert truth.terminal_voltage_v == pytest.approx(truth.motor_emf_v)
    assert truth.terminal_voltage_v < 23.0
    fed_plant.meter.contactor_closed = True
    fed_plant.advance_to(2.0)
    assert fed_plant.motor_current_a > 0.2


def test_below_the_links_voltage_a_driven_specimen_with_a_blocked_converter_gives_nothing(pump_plant: Plant) -> None:
    truth = turned(pump_plant, speed_rpm=3500.0).truth()  # 31 V peak, line to line
    assert truth.motor_emf_v * math.sqrt(2.0) < truth.link_v
    assert truth.phase_current_a == 0.0
    assert truth.link_v == pytest.approx(48.0, abs=0.01)


def test_a_driven_specimen_charges_its_link_through_the_diodes_although_all_is_off(pump_plant: Plant) -> None:
    pump_plant.supply.output_on = pump_plant.sink.input_on = False
    truth = turned(pump_plant, speed_rpm=7000.0).truth()
    peak_v = truth.motor_emf_v * math.sqrt(2.0)
    assert truth.link_v == pytest.approx(peak_v - 2.0 * 0.8, rel=0.02)  # two diodes conduct
    assert truth.supply_current_a == 0.0
    assert truth.airgap_torque_nm < 0.0
    assert truth.converter_input_w < 0.0


def test_an_armed_sink_holds_the_rectified_voltage(pump_plant: Plant) -> None:
    pump_plant.supply.output_on = False
    truth = turned(pump_plant, speed_rpm=5500.0).truth()
    assert truth.link_v == pytest.approx(52.8 + 0.02 * truth.sink_current_a, abs=0.01)
    assert 5.0 < truth.sink_current_a < 60.0
    assert truth.airgap_torque_nm < -0.5


def test_a_current_that_is_cut_off_flows_into_the_link(pump_plant: Plant) -> None:
    driven(pump_plant, torque_nm=4.0, seconds=0.05)
    before = pump_plant.link_v
    pump_plant.motor_drive.power_stage_on = False
    pump_plant.advance_to(pump_plant.time_s + 0.002)
    assert pump_plant.truth().phase_current_a == 0.0
    assert pump_plant.link_v > before


def test_braking_gives_back_into_the_link_and_the_sink_takes_it(pump_plant: Plant) -> None:
    turned(pump_plant, speed_rpm=3000.0)
    truth = driven(pump_plant, torque_nm=-2.0).truth()
    assert truth.converter_input_w < -500.0
    assert truth.supply_current_a == 0.0
    assert truth.sink_current_a * truth.link_v == pytest.approx(-truth.converter_input_w, rel=0.02)


def test_a_jammed_rotor_stands_against_all_torque(pump_plant: Plant) -> None:
    pump_plant.faults.rotor_jammed = True
    driven(pump_plant, torque_nm=10.0)
    turned(pump_plant, speed_rpm=1000.0)
    assert pump_plant.motor_speed_rpm == 0.0


def test_magnets_winding_and_housing_warm_and_change_the_motor() -> None:
    specimen = load_specimen("pump_48v")
    motor = specimen.motor.model_copy(
        update={"winding_j_k": 2.0, "housing_j_k": 6.0, "magnet_j_k": 1.0, "iron_to_magnet": 0.3}
    )
    plant = on_its_link(specimen.model_copy(update={"motor": motor}))
    cold = held(plant, speed_rpm=3000.0, torque_nm=2.3, seconds=2.0).truth()
    plant.advance_to(9.0)
    warm = plant.truth()
    assert warm.winding_degc > warm.housing_degc + 10.0 > cold.housing_degc + 10.0
    assert warm.magnet_degc > warm.housing_degc
    assert plant.magnet_degc == warm.magnet_degc
    flux = 1.0 - 0.0011 * (warm.magnet_degc - 20.0)
    speed_rad_s = warm.motor_speed_rpm * RAD_S
    assert warm.motor_emf_v == pytest.approx(math.sqrt(1.5) * 4 * speed_rad_s * 0.0150 * flux, rel=1e-5)
    assert warm.winding_ohm == pytest.approx(0.035 * (1.0 + 0.00393 * (warm.winding_degc - 20.0)), rel=1e-5)
    assert warm.phase_current_a > cold.phase_current_a


def test_a_brushed_bench_has_no_converter_and_says_so(plant: Plant, pump_plant: Plant) -> None:
    assert pump_plant.has_converter
    assert not plant.has_converter
    assert plant.motor_drive_torque_nm == 0.0
    assert all(math.isnan(value) for value in plant.analyse(0.1).values())
    assert math.isnan(plant.truth().converter_output_w)
