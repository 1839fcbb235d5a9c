"""The sampled inputs: the grid, what they show, their errors, and that asking again gives the same."""

import math

import numpy as np
import pytest

from benchd_rig.phase_waveforms import KEPT_STEPS, SAMPLES_PER_S, StepMemory
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.plugins.rig_physics.running import held, on_its_link, turned


def noiseless(specimen: Specimen) -> Specimen:
    """The same with sensors that err by nothing, and nothing that ripples."""
    right = {"gain_error": 0.0, "offset": 0.0, "noise": 0.0}
    sensors = specimen.bench.sensors
    transducer = sensors.transducer.model_copy(
        update={name: getattr(sensors.transducer, name).model_copy(update=right) for name in ("wide", "narrow")}
    )
    names = ("terminal_voltage", "link_voltage", "current")
    update = {name: getattr(sensors, name).model_copy(update=right) for name in names} | {"transducer": transducer}
    bench = specimen.bench.model_copy(update={"sensors": sensors.model_copy(update=update)})
    return specimen.model_copy(update={"bench": bench})


@pytest.fixture(scope="module")
def steady() -> Plant:
    """The reference motor without sensor errors at 3000 r/min and 11 N·m."""
    plant = on_its_link(noiseless(load_specimen("reference_pmsm")))
    return held(plant, speed_rpm=3000.0, torque_nm=10.0, seconds=6.0)


def last(plant: Plant, count: int) -> np.ndarray:
    return plant.sample(plant.sampled - count, count).astype(float)


def test_the_grid_has_20_samples_a_millisecond_from_time_zero(pump_plant: Plant) -> None:
    assert pump_plant.sampled == round(pump_plant.time_s * SAMPLES_PER_S)
    pump_plant.advance_to(0.3)
    assert pump_plant.sampled == 6000
    block = pump_plant.sample(5990, 10)
    assert block.shape == (10, 8)
    assert block.dtype == np.float32
    assert pump_plant.sample(5990, 0).shape == (0, 8)


def test_the_same_samples_give_the_same_numbers_however_they_are_cut(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=1000.0, seconds=0.5)
    first = pump_plant.sampled - 3000
    whole = pump_plant.sample(first, 2000)
    pump_plant.advance_to(pump_plant.time_s + 0.2)
    parts = [pump_plant.sample(first + at, 125) for at in range(0, 2000, 125)]
    assert np.array_equal(np.concatenate(parts), whole)
    again = held(on_its_link(pump_plant.specimen), speed_rpm=1000.0, seconds=0.5)
    assert np.array_equal(again.sample(first, 2000), whole)
    other = held(on_its_link(pump_plant.specimen, seed=1), speed_rpm=1000.0, seconds=0.5)
    assert not np.array_equal(other.sample(first, 2000), whole)


def test_the_last_two_seconds_are_there_and_nothing_else(pump_plant: Plant) -> None:
    pump_plant.advance_to(3.0)
    assert pump_plant.sample(20_000, 40_000).shape == (40_000, 8)
    with pytest.raises(ValueError, match="2 s"):
        pump_plant.sample(19_999, 10)
    with pytest.raises(ValueError, match="2 s"):
        pump_plant.sample(59_999, 2)
    with pytest.raises(ValueError, match="2 s"):
        pump_plant.sample(-5, 10)


def test_samples_go_on_through_a_rest(plant: Plant) -> None:
    plant.advance_to(1000.0)
    assert plant.sampled == 20_000_000
    assert np.abs(plant.sample(plant.sampled - 40_000, 40_000)[:, 1:]).max() < 0.05


@pytest.mark.parametrize("steps", [1, 2000, KEPT_STEPS, 3 * KEPT_STEPS + 7])
def test_filling_equals_putting_as_often(steps: int) -> None:
    filled, put = StepMemory(), StepMemory()
    for memory in (filled, put):
        for number in range(3000):
            memory.put((float(number),))
    filled.fill((-1.0,), steps=steps)
    for _ in range(steps):
        put.put((-1.0,))
    first = max(0, put.steps - KEPT_STEPS)
    assert np.array_equal(filled.rows(first, put.steps), put.rows(first, put.steps))


def test_phases_are_sinusoids_a_third_of_a_period_apart_in_the_order_of_the_rotation(steady: Plant) -> None:
    truth = steady.truth()
    samples = last(steady, 2000)  # 20 periods of 200 Hz
    turn = np.exp(-2j * np.pi * 200.0 * np.arange(2000) / SAMPLES_PER_S)
    phasors = 2.0 / 2000.0 * (turn @ samples[:, :6])
    voltages, currents = phasors[:3] / 0.025, phasors[3:] / 0.1
    peak_v = truth.line_voltage_v * math.sqrt(2.0 / 3.0)
    assert np.abs(voltages) == pytest.approx([peak_v] * 3, rel=1e-4)
    assert np.abs(currents) == pytest.approx([math.sqrt(2.0) * truth.phase_current_a] * 3, rel=1e-4)
    for three in (voltages, currents):
        assert np.degrees(np.angle(three[0] / three[1])) == pytest.approx(120.0, abs=0.02)
        assert np.degrees(np.angle(three[1] / three[2])) == pytest.approx(120.0, abs=0.02)
    rest = samples[:, :6] - np.real(np.outer(turn.conj(), phasors))
    assert np.abs(rest).max() < 2e-3


def test_the_power_of_the_samples_is_the_converters_output(steady: Plant) -> None:
    samples = last(steady, 2000)
    power_w = float(np.mean(np.sum(samples[:, 0:3] / 0.025 * samples[:, 3:6] / 0.1, axis=1)))
    assert power_w == pytest.approx(steady.truth().converter_output_w, rel=2e-4)
    assert steady.analyse(0.1)[13] == pytest.approx(power_w, rel=5e-4)


def test_torque_and_direct_current_are_there(steady: Plant) -> None:
    samples, truth = last(steady, 2000), steady.truth()
    assert samples[:, 6].mean() * 1.5 == pytest.approx(truth.shaft_torque_nm, rel=1e-4)
    assert samples[:, 7].mean() / 0.1 == pytest.approx(truth.motor_current_a, rel=1e-3)


def test_a_backward_rotation_has_the_backward_order() -> None:
    plant = turned(on_its_link(noiseless(load_specimen("reference_pmsm"))), speed_rpm=-1500.0)
    one, two, _ = last(plant, 2000)[:, :3].T
    turn = np.exp(-2j * np.pi * 100.0 * np.arange(2000) / SAMPLES_PER_S)
    assert np.degrees(np.angle((turn @ one) / (turn @ two))) == pytest.approx(-120.0, abs=0.2)


def test_swapped_leads_show_the_backward_order_where_they_are_measured() -> None:
    plant = turned(on_its_link(noiseless(load_specimen("reference_pmsm"))), speed_rpm=1500.0)
    plant.faults.phases_swapped = True
    one, two, _ = last(plant, 2000)[:, :3].T
    turn = np.exp(-2j * np.pi * 100.0 * np.arange(2000) / SAMPLES_PER_S)
    assert np.degrees(np.angle((turn @ one) / (turn @ two))) == pytest.approx(-120.0, abs=0.2)


def test_the_sampled_inputs_err_as_the_averaged_ones_do(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=1000.0, torque_nm=1.0)
    seconds = 1.5
    start = pump_plant.sampled
    averaged_a, averaged_nm = [], []
    for _ in range(150):
        pump_plant.advance_to(pump_plant.time_s + seconds / 150)
        values = pump_plant.measure()
        averaged_a.append(values[2])
        averaged_nm.append(values[3])
    samples = pump_plant.sample(start, pump_plant.sampled - start)
    assert samples[:, 7].mean() == pytest.approx(np.mean(averaged_a), abs=2e-5 + 2e-4 * abs(np.mean(averaged_a)))
    assert samples[:, 6].mean() == pytest.approx(np.mean(averaged_nm), abs=2e-4)


def test_the_noise_is_white_and_as_strong_as_stated(pump: Specimen) -> None:
    samples = Plant(pump)
    samples.advance_to(2.0)
    noise_v = samples.sample(0, 40_000)[:, 3].astype(float)
    assert noise_v.reshape(200, 200).mean(axis=1).std() == pytest.approx(1.0e-3 * 0.1, rel=0.2)


def test_transducer_faults_and_open_leads_show_in_the_samples(pump_plant: Plant) -> None:
    held(pump_plant, speed_rpm=1000.0, torque_nm=1.0)
    sound = last(pump_plant, 1000)
    pump_plant.faults.transducer_sign_flipped = True
    assert last(pump_plant, 1000)[:, 6].mean() == pytest.approx(-sound[:, 6].mean(), rel=5e-3)
    pump_plant.faults.transducer_lead_open = pump_plant.faults.current_lead_open = True
    lost = last(pump_plant, 1000)
    assert np.isnan(lost[:, [6, 7]]).all()
    assert not np.isnan(lost[:, :6]).any()


def test_a_brushed_bench_samples_its_terminals_and_nothing_at_the_rest(fed_plant: Plant) -> None:
    fed_plant.load.power_stage_on, fed_plant.load.torque_nm = True, 0.2
    fed_plant.advance_to(2.0)
    truth, samples = fed_plant.truth(), last(fed_plant, 2000)
    assert samples[:, 0].mean() / 0.1 == pytest.approx(truth.terminal_voltage_v, rel=1e-3)
    for column in (3, 7):
        assert samples[:, column].mean() / 0.1 == pytest.approx(truth.motor_current_a, rel=1e-3)
    assert samples[:, 6].mean() * 0.2 == pytest.approx(truth.shaft_torque_nm, rel=3e-3)
    assert not samples[:, [1, 2, 4, 5]].any()
