"""The power analyser: closed forms of what it integrates, its errors, its ranges and a lead that is off."""

import math

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.plugins.rig_physics.running import driven, held, on_its_link, turned


def exact(specimen: Specimen) -> Specimen:
    """The same with an analyser that errs by nothing."""
    assert specimen.bench.analyser is not None
    right = {"voltage_gain_error": 0.0, "current_gain_error": 0.0, "power_gain_error": 0.0, "power_offset_w": 0.0}
    analyser = specimen.bench.analyser.model_copy(update={**right, "noise": 0.0})
    return specimen.model_copy(update={"bench": specimen.bench.model_copy(update={"analyser": analyser})})


@pytest.fixture(scope="module")
def loaded() -> Plant:
    """The pump at 3000 r/min and 2 N·m, measured without error."""
    return held(on_its_link(exact(load_specimen("pump_48v"))), speed_rpm=3000.0, torque_nm=2.0, seconds=3.0)


def test_power_is_the_energy_into_the_motor_over_the_window(loaded: Plant) -> None:
    before_j = loaded.energy.copper_j + loaded.energy.iron_j + loaded.energy.motor_friction_j
    before_j += loaded.energy.load_machine_j + loaded.energy.load_friction_j
    start_s = loaded.time_s
    loaded.advance_to(start_s + 0.5)
    after_j = loaded.energy.copper_j + loaded.energy.iron_j + loaded.energy.motor_friction_j
    after_j += loaded.energy.load_machine_j + loaded.energy.load_friction_j
    assert loaded.analyse(0.5)[13] == pytest.approx((after_j - before_j) / 0.5, rel=1e-4)


def test_steady_values_are_those_of_the_truth(loaded: Plant) -> None:
    truth, results = loaded.truth(), loaded.analyse(0.1)
    assert results[11] == pytest.approx(truth.line_voltage_v, rel=1e-3)
    assert results[12] == pytest.approx(truth.phase_current_a, rel=1e-3)
    assert results[13] == pytest.approx(truth.converter_output_w, rel=1e-3)
    assert results[16] == pytest.approx(200.0, rel=1e-4)
    assert results[14] == pytest.approx(sum(results[one] * results[3 + one] for one in (1, 2, 3)))
    assert results[15] == pytest.approx(results[13] / results[14])
    assert results[13] == pytest.approx(results[7] + results[8] + results[9])


def test_the_true_rms_of_a_pulsed_line_voltage_stands_above_its_fundamental(loaded: Plant) -> None:
    # pulses of the link's height: mean square = link voltage times the mean of the magnitude (closed form)
    truth, results = loaded.truth(), loaded.analyse(0.1)
    mean_v = 2.0 / math.pi * math.sqrt(2.0) * truth.line_voltage_v
    assert results[10] == pytest.approx(math.sqrt(truth.link_v * mean_v), rel=1e-3)
    assert results[1] == pytest.approx(results[10] / math.sqrt(3.0))


def test_the_ripple_of_the_carrier_is_in_the_current() -> None:
    plant = turned(on_its_link(exact(load_specimen("pump_48v"))), speed_rpm=1000.0)
    driven(plant, torque_nm=0.0)
    # share * link voltage / (d inductance as believed * carrier)
    assert plant.analyse(0.1)[12] == pytest.approx(0.03 * plant.link_v / (0.125e-3 * 16000.0), rel=1e-3)


def test_without_modulation_the_voltage_is_the_induced_one_without_pulses(pump: Specimen) -> None:
    plant = turned(on_its_link(exact(pump)), speed_rpm=2000.0)
    results = plant.analyse(0.1)
    assert results[10] == pytest.approx(plant.truth().motor_emf_v, rel=1e-4)
    assert results[11] == pytest.approx(results[10])
    assert results[13] == pytest.approx(0.0, abs=1e-9)


def test_standstill_has_no_frequency_and_each_phase_its_own_direct_current(pump: Specimen) -> None:
    plant = on_its_link(exact(pump))
    assert math.isnan(plant.analyse(0.1)[16])
    plant.faults.rotor_jammed = True
    driven(plant, torque_nm=2.0)
    truth, results = plant.truth(), plant.analyse(0.1)
    assert math.isnan(results[16])
    # d axis on phase 1: i_1 = i_d, i_2 and i_3 = -i_d/2 ± √3/2·i_q
    ripple_square = truth.phase_current_a**2 - 0.5 * (truth.d_current_a**2 + truth.q_current_a**2)
    for number, phase in ((4, 0.0), (5, -2.0 * math.pi / 3.0), (6, 2.0 * math.pi / 3.0)):
        current_a = truth.d_current_a * math.cos(phase) - truth.q_current_a * math.sin(phase)
        assert results[number] == pytest.approx(abs(current_a), abs=3.0 * math.sqrt(ripple_square))
    assert results[13] == pytest.approx(truth.converter_output_w, rel=1e-3)


def test_the_window_is_the_last_one(pump: Specimen) -> None:
    plant = held(on_its_link(exact(pump)), speed_rpm=1000.0)
    held(plant, speed_rpm=2000.0, seconds=1.0)
    assert plant.analyse(0.1)[16] == pytest.approx(2000.0 * 4 / 60.0, rel=1e-3)
    assert 1000.0 * 4 / 60.0 < plant.analyse(1.5)[16] < 1990.0 * 4 / 60.0


def test_errors_are_there_and_within_the_certificate(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=3000.0, torque_nm=2.0, seconds=3.0)
    right = held(on_its_link(exact(pump_plant.specimen)), speed_rpm=3000.0, torque_nm=2.0, seconds=3.0).analyse(0.5)
    shown = pump_plant.analyse(0.5)
    assert pump_plant.analyse(0.5) == shown
    for number, within in ((10, 3e-4), (11, 3e-4), (12, 3e-4), (13, 5e-4)):
        assert 2e-5 < abs(shown[number] / right[number] - 1.0) < within


def test_an_overloaded_range_is_infinite_and_the_other_goes_on(pump: Specimen) -> None:
    assert pump.bench.analyser is not None
    small = pump.bench.analyser.model_copy(update={"current_range_a": 5.0})
    specimen = pump.model_copy(update={"bench": pump.bench.model_copy(update={"analyser": small})})
    plant = held(on_its_link(specimen), speed_rpm=1000.0, torque_nm=2.0)
    results = plant.analyse(0.1)
    assert all(math.isinf(results[number]) for number in (4, 5, 6, 7, 8, 9, 12, 13, 14))
    assert math.isnan(results[15])
    assert math.isfinite(results[11])


def test_a_lead_that_is_off_takes_a_third_of_the_power_away(loaded: Plant) -> None:
    sound = loaded.analyse(0.1)
    loaded.faults.analyser_lead_open = True
    broken = loaded.analyse(0.1)
    loaded.faults.analyser_lead_open = False
    assert broken[1] == broken[7] == 0.0
    assert broken[2] == sound[2]
    assert broken[13] == pytest.approx(sound[13] * 2.0 / 3.0, rel=1e-6)
    assert broken[10] < 0.8 * sound[10]


def test_a_bench_at_rest_reads_nothing(pump: Specimen) -> None:
    plant = Plant(exact(pump))
    plant.advance_to(100.0)
    results = plant.analyse(0.1)
    assert [results[number] for number in range(1, 15)] == [0.0] * 14
    assert math.isnan(results[15])
    assert math.isnan(results[16])
