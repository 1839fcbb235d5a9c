"""What the measuring unit's inputs show: scales, certificates, noise, ranges, leads that are off."""

import math

import numpy as np
import pytest

from benchd_rig.commands import PlantFaults, SupplyCommand
from benchd_rig.plant import Plant
from benchd_rig.sensors import Averages, InputNoise, read_inputs
from benchd_rig.specimen import Specimen

RATED = Averages(terminal_voltage_v=23.8, link_voltage_v=24.0, current_a=4.3, torque_nm=0.25, speed_rpm=2990.0)


def inputs(specimen: Specimen, averages: Averages = RATED, *, tick: int = 0, seed: int = 0, **faults: float) -> dict:
    return dict(read_inputs(specimen.bench.sensors, PlantFaults(**faults), averages, noise=InputNoise(seed).at(tick)))


def test_every_input_has_its_scale_and_stays_within_its_certificate(vent_flap: Specimen) -> None:
    table = np.array([list(inputs(vent_flap, tick=tick).values()) for tick in range(400)])
    voltage_v, current_v, wide_v, narrow_v, speed_rpm, link_v = table.mean(axis=0)
    assert voltage_v == pytest.approx(2.38, abs=2e-4 * 2.38 + 1e-4)
    assert current_v == pytest.approx(0.43, abs=3e-4 * 0.43 + 1e-4)
    assert wide_v == pytest.approx(1.25, abs=5e-4 * 1.25 + 2e-4 * 10.0)
    assert narrow_v == pytest.approx(6.25, abs=5e-4 * 6.25 + 2e-4 * 10.0)
    assert speed_rpm == pytest.approx(2990.0, abs=0.02)
    assert link_v == pytest.approx(2.4, abs=2e-4 * 2.4 + 1e-4)


def test_the_noise_has_the_stated_size(vent_flap: Specimen) -> None:
    table = np.array([list(inputs(vent_flap, tick=tick).values()) for tick in range(1000)])
    sensors = vent_flap.bench.sensors
    stated = [
        sensors.terminal_voltage.noise * 0.1,
        sensors.current.noise * 0.1,
        sensors.transducer.wide.noise * 5.0,
        sensors.transducer.narrow.noise * 25.0,
        sensors.encoder_noise_rpm,
        sensors.link_voltage.noise * 0.1,
    ]
    assert table.std(axis=0) == pytest.approx(stated, rel=0.1)


def test_the_same_instant_and_seed_give_the_same_numbers_and_others_do_not(vent_flap: Specimen) -> None:
    assert inputs(vent_flap, tick=7, seed=3) == inputs(vent_flap, tick=7, seed=3)
    assert inputs(vent_flap, tick=7, seed=3) != inputs(vent_flap, tick=8, seed=3)
    assert inputs(vent_flap, tick=7, seed=3) != inputs(vent_flap, tick=7, seed=4)


def test_an_overloaded_range_reads_infinite_with_its_sign_and_the_other_goes_on(vent_flap: Specimen) -> None:
    strong = Averages(terminal_voltage_v=0.0, link_voltage_v=0.0, current_a=0.0, torque_nm=-0.5, speed_rpm=0.0)
    values = inputs(vent_flap, strong)
    assert values[4] == -math.inf
    assert values[3] == pytest.approx(-2.5, rel=1e-2)


@pytest.mark.parametrize(
    ("fault", "lost"),
    [
        ("sense_lead_open", {1}),
        ("current_lead_open", {2}),
        ("transducer_lead_open", {3, 4}),
        ("encoder_lost", {5}),
    ],
)
def test_a_lead_that_is_off_reads_not_a_number_and_harms_no_other_input(
    vent_flap: Specimen, fault: str, lost: set[int]
) -> None:
    assert {number for number, value in inputs(vent_flap, **{fault: True}).items() if math.isnan(value)} == lost


def test_a_silent_encoder_reads_zero_speed(vent_flap: Specimen) -> None:
    assert inputs(vent_flap, encoder_silent=True)[5] == 0.0


def test_transducer_faults_act_on_both_ranges(vent_flap: Specimen) -> None:
    sound = inputs(vent_flap)
    assert inputs(vent_flap, transducer_sign_flipped=True)[3] == pytest.approx(-sound[3], abs=5e-3)
    offset = inputs(vent_flap, transducer_offset_nm=0.02)
    assert offset[3] - sound[3] == pytest.approx(0.02 * 5.0, rel=1e-3)
    assert offset[4] - sound[4] == pytest.approx(0.02 * 25.0, rel=1e-3)
    assert inputs(vent_flap, transducer_gain_error=0.1)[3] == pytest.approx(1.1 * sound[3], rel=1e-3)


def test_values_are_averages_over_the_last_ten_milliseconds(fed_plant: Plant) -> None:
    truths, times_s = [], np.arange(0.011, 0.0211, 0.0005)
    for time_s in times_s:
        fed_plant.advance_to(float(time_s))
        truths.append(fed_plant.truth())
    speed_rpm = np.trapezoid([truth.motor_speed_rpm for truth in truths], times_s) / 0.010
    current_a = np.trapezoid([truth.motor_current_a for truth in truths], times_s) / 0.010
    torque_nm = np.trapezoid([truth.shaft_torque_nm for truth in truths], times_s) / 0.010
    values = fed_plant.measure()
    assert values[5] == pytest.approx(speed_rpm, rel=2e-3)
    assert values[2] * 10.0 == pytest.approx(current_a, rel=2e-3)
    assert values[3] / 5.0 == pytest.approx(torque_nm, abs=0.01)
    assert abs(values[5] - truths[-1].motor_speed_rpm) > 50.0


def test_a_resting_bench_reads_zeroes_within_its_offsets(plant: Plant) -> None:
    plant.advance_to(100.0)
    values = plant.measure()
    assert values[5] == pytest.approx(0.0, abs=0.3)
    assert [values[number] for number in (1, 2, 3, 4, 6)] == pytest.approx([0.0] * 5, abs=5e-3)


def test_a_frozen_input_tells_what_it_told_last_and_the_others_go_on(vent_flap: Specimen) -> None:
    plant = Plant(vent_flap, seed=1)
    plant.supply = SupplyCommand(output_on=True, voltage_v=12.0, current_limit_a=20.0)
    plant.advance_to(0.2)
    before = plant.measure()
    plant.faults.frozen_input = 5.0
    plant.advance_to(0.3)
    after = plant.measure()
    assert after[5] == before[5]
    assert all(after[number] != before[number] for number in (1, 2, 3, 4, 6))
    plant.faults.frozen_input = 0.0
    assert plant.measure()[5] != before[5]


@pytest.mark.parametrize("together", [False, True])
def test_noise_is_white_and_the_same_whoever_asks_and_in_whichever_order(together: bool) -> None:
    ticks = [*range(2000)]
    rows = np.array([InputNoise(7, together=together).at(tick) for tick in ticks[::100]])
    asked = InputNoise(7, together=together)
    backwards = np.array([asked.at(tick) for tick in reversed(ticks)])[::-1]
    assert np.array_equal(backwards[::100], rows)
    assert backwards.mean(axis=0) == pytest.approx(np.zeros(6), abs=0.1)
    assert np.corrcoef(np.vstack([backwards[:-1].T, backwards[1:].T])) == pytest.approx(np.eye(12), abs=0.1)
