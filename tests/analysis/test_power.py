"""Cycles, powers and phase order from samples whose truth is written down here."""

import math

import numpy as np
import pytest

from benchd.analysis.cycles import cycle_means, find_cycles
from benchd.analysis.harmonics import harmonic_phasors, total_distortion
from benchd.analysis.phase_order import reversed_current, sequence, wiring_complaints
from benchd.analysis.power import instantaneous_power, symmetrical_components, three_phase_power, unbalance, wattmeters

RATE_HZ = 20000.0
ROOT_2 = math.sqrt(2.0)
A = np.exp(2j * math.pi / 3.0)
FORWARD = np.array([1.0, A**2, A])  # 1-2-3: each a third of a turn later


def samples(phasors, *, frequency_hz, seconds=0.5, noise=0.0, rng=None):
    """(k, n): the fundamental of each rms phasor."""
    t = np.arange(round(RATE_HZ * seconds)) / RATE_HZ
    clean = ROOT_2 * np.imag(np.asarray(phasors)[:, None] * np.exp(2j * math.pi * frequency_hz * t)[None, :])
    return clean if rng is None else clean + noise * rng.standard_normal(clean.shape)


@pytest.mark.parametrize("frequency_hz", [13.37, 50.0, 201.37, 799.0])
def test_the_frequency_comes_out_between_the_samples_and_despite_harmonics(frequency_hz):
    t = np.arange(10000) / RATE_HZ
    w = 2.0 * math.pi * frequency_hz
    signal = 10.0 * np.sin(w * t + 0.7) + 3.0 * np.sin(3.0 * w * t) + 2.0 * np.sin(5.0 * w * t + 2.0) + 0.4
    cycles = find_cycles(signal, rate_hz=RATE_HZ)
    assert cycles.frequency_hz == pytest.approx(frequency_hz, rel=2e-8)
    fundamental = 10.0 * np.sin(w * cycles.bounds / RATE_HZ + 0.7)
    assert fundamental == pytest.approx(0.0, abs=1e-4)
    assert cycles.count >= math.floor(0.5 * frequency_hz) - 1
    mean_square = cycle_means(signal[None, :] ** 2, cycles).mean()
    assert mean_square == pytest.approx((100.0 + 9.0 + 4.0) / 2.0 + 0.16, rel=1e-4)


def test_the_frequency_is_as_uncertain_as_it_says():
    ratios = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        frequency_hz = rng.uniform(60.0, 90.0)
        signal = samples([10.0], frequency_hz=frequency_hz, seconds=0.3, noise=0.5, rng=rng)[0]
        cycles = find_cycles(signal, rate_hz=RATE_HZ)
        ratios.append((cycles.frequency_hz - frequency_hz) / cycles.frequency_uncertainty_hz)
    assert 0.85 < np.std(ratios) < 1.2


def test_too_short_a_window_and_a_dead_input_are_refused_in_words():
    with pytest.raises(ValueError, match=r"4 are needed: capture longer"):
        find_cycles(samples([1.0], frequency_hz=10.0, seconds=0.25)[0], rate_hz=RATE_HZ)
    with pytest.raises(ValueError, match="no fundamental"):
        find_cycles(np.full(1000, 2.5), rate_hz=RATE_HZ)


def test_harmonics_are_fitted_exactly_at_a_frequency_that_fits_no_sample():
    t = np.arange(7777) / RATE_HZ
    w = 2.0 * math.pi * 201.37
    signal = 5.0 + ROOT_2 * (10.0 * np.sin(w * t + 0.3) + 2.0 * np.sin(5.0 * w * t - 1.0) + 1.0 * np.sin(40.0 * w * t))
    found = harmonic_phasors(signal[None, :], rate_hz=RATE_HZ, frequency_hz=201.37, origin=0.0)
    assert found[0, 0] == pytest.approx(5.0)
    assert found[0, 1] == pytest.approx(10.0 * np.exp(0.3j))
    assert found[0, 5] == pytest.approx(2.0 * np.exp(-1.0j))
    assert total_distortion(found)[0] == pytest.approx(math.sqrt(5.0) / 10.0)


def test_a_current_with_harmonics_lowers_the_power_factor_and_leaves_the_displacement_factor():
    u = samples(230.0 * FORWARD, frequency_hz=50.0)
    i = samples(10.0 * FORWARD * np.exp(-0.5j), frequency_hz=50.0)
    i = i + samples(3.0 * FORWARD.conj(), frequency_hz=250.0)
    found = three_phase_power(u, i, rate_hz=RATE_HZ)
    assert found.displacement_factor == pytest.approx(math.cos(0.5), abs=1e-6)
    assert found.power_factor.value == pytest.approx(10.0 / math.sqrt(109.0) * math.cos(0.5), abs=1e-5)
    assert found.phases[1].current_distortion == pytest.approx(0.3, abs=1e-6)
    assert found.phases[1].voltage_distortion == pytest.approx(0.0, abs=1e-6)
    assert [p.power_w.value for p in found.phases] == pytest.approx([2300.0 * math.cos(0.5)] * 3, rel=1e-5)


def test_the_instantaneous_sum_of_a_symmetrical_system_does_not_pulsate_and_that_of_an_unbalanced_one_does():
    u = samples(230.0 * FORWARD, frequency_hz=50.0)
    even = samples(10.0 * FORWARD, frequency_hz=50.0)
    lame = samples(10.0 * FORWARD + 2.0 * FORWARD.conj(), frequency_hz=50.0)
    assert instantaneous_power(u, even) == pytest.approx(6900.0)
    assert three_phase_power(u, even, rate_hz=RATE_HZ).pulsation == pytest.approx(0.0, abs=1e-6)
    found = three_phase_power(u, lame, rate_hz=RATE_HZ)
    assert found.current_unbalance == pytest.approx(0.2, abs=1e-6)
    assert found.voltage_unbalance == pytest.approx(0.0, abs=1e-6)
    assert found.pulsation == pytest.approx(0.2 / ROOT_2, abs=1e-4)  # a cosine of 3·U·I2 about 3·U·I1


def test_the_scatter_of_the_cycles_covers_the_true_power_as_often_as_it_says():
    within = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        u = samples(30.0 * FORWARD, frequency_hz=123.4, seconds=0.25, noise=1.0, rng=rng)
        i = samples(10.0 * FORWARD * np.exp(-0.4j), frequency_hz=123.4, seconds=0.25, noise=0.4, rng=rng)
        power = wattmeters(u, i, find_cycles(u[0], rate_hz=RATE_HZ))[1]
        within += abs(power.value - 900.0 * math.cos(0.4)) <= 2.04 * power.standard_uncertainty
    assert 178 <= within <= 199  # of 200 at 95 %: 190, four standard deviations are 12


def test_a_power_that_swings_with_the_shaft_is_more_uncertain_than_its_cycles_alone_would_say():
    t = np.arange(10000) / RATE_HZ
    swing = 1.0 + 0.1 * np.sin(2.0 * math.pi * 7.3 * t)
    u, i = samples(30.0 * FORWARD, frequency_hz=200.0), samples(10.0 * FORWARD, frequency_hz=200.0) * swing
    cycles = find_cycles(u[0], rate_hz=RATE_HZ)
    power = wattmeters(u, i, cycles)[1]
    alone = float(cycle_means(u * i, cycles).sum(axis=0).std(ddof=1)) / math.sqrt(cycles.count)
    assert power.standard_uncertainty > 1.5 * alone
    assert power.degrees_of_freedom < 50.0


def test_sequence_and_unbalance_are_those_of_the_symmetrical_components():
    mixed = 10.0 * FORWARD + 1.0 * FORWARD.conj() + 0.5
    assert [abs(c) for c in symmetrical_components(mixed)] == pytest.approx([0.5, 10.0, 1.0])
    assert unbalance(mixed) == pytest.approx(0.1)
    assert unbalance(mixed.conj()) == pytest.approx(0.1)
    assert (sequence(mixed), sequence(mixed.conj()), sequence(np.array([1.0, 1.0, 1.0]))) == (1, -1, 0)


RIGHT = (230.0 * FORWARD, 10.0 * FORWARD * np.exp(-0.3j))


def swapped(phasors, one, other):
    back = np.array(phasors)
    back[[one, other]] = back[[other, one]]
    return back


def test_right_wiring_gives_no_complaint_in_either_direction():
    voltages, currents = RIGHT
    assert wiring_complaints(voltages, currents, turning=1) == ()
    assert wiring_complaints(voltages.conj(), currents.conj(), turning=-1) == ()


def test_exchanged_leads_are_told_from_exchanged_sensors():
    voltages, currents = RIGHT
    (leads,) = wiring_complaints(swapped(voltages, 1, 2), swapped(currents, 1, 2), turning=1)
    assert "1-3-2" in leads
    assert "leads are exchanged" in leads
    (sensors,) = wiring_complaints(voltages, swapped(currents, 0, 2), turning=1)
    assert "currents of phases 1 and 3 are exchanged" in sensors


def test_a_current_sensor_turned_round_is_named_and_not_called_an_exchange():
    voltages, currents = RIGHT
    turned = currents * np.array([1.0, -1.0, 1.0])
    assert reversed_current(turned) == 1
    assert reversed_current(currents) is None
    (complaint,) = wiring_complaints(voltages, turned, turning=1)
    assert "current of phase 2 counts the wrong way" in complaint


def test_a_phase_without_voltage_is_named():
    voltages, currents = RIGHT
    (complaint,) = wiring_complaints(voltages * np.array([1.0, 1.0, 0.0]), currents, turning=1)
    assert "no voltage on phase 3" in complaint
