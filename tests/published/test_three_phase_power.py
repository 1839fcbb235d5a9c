"""Three-phase power and harmonic groups against closed forms and the numbers of a standard."""

import math

import numpy as np
import pytest

from benchd.analysis.cycles import find_cycles
from benchd.analysis.harmonics import grouped_harmonics
from benchd.analysis.power import three_phase_power, wattmeters

RATE_HZ = 20000.0
ROOT_2 = math.sqrt(2.0)
THIRD = 2.0 * math.pi / 3.0


def three(rms, *, frequency_hz, lag_rad=0.0, seconds=0.5):
    """Samples (3, n) of a symmetrical system in the order 1-2-3."""
    t = np.arange(round(RATE_HZ * seconds)) / RATE_HZ
    angles = 2.0 * math.pi * frequency_hz * t - lag_rad
    return np.stack([ROOT_2 * rms * np.sin(angles - k * THIRD) for k in range(3)])


def against_the_third(voltages):
    return np.stack([voltages[0] - voltages[2], voltages[1] - voltages[2]])


# Blondel's theorem in closed form: 400 V between lines, 10 A, symmetrical; each meter reads U·I·cos(30° ± φ).
@pytest.mark.parametrize(("lag_deg", "one_w", "two_w"), [(30.0, 2000.0, 4000.0), (60.0, 0.0, 3464.10)])
def test_two_wattmeters_read_what_three_read_together(lag_deg, one_w, two_w):
    u = three(400.0 / math.sqrt(3.0), frequency_hz=53.7)
    i = three(10.0, frequency_hz=53.7, lag_rad=math.radians(lag_deg))
    cycles = find_cycles(u[0], rate_hz=RATE_HZ)
    pair, total = wattmeters(against_the_third(u), i[:2], cycles)
    assert sorted(m.value for m in pair) == pytest.approx([one_w, two_w], abs=0.02)
    assert total.value == pytest.approx(one_w + two_w, abs=0.02)
    assert wattmeters(u, i, cycles)[1].value == pytest.approx(total.value, abs=1e-6)


def test_the_reactive_power_and_the_factors_of_a_lag_of_30_degrees():
    u = three(400.0 / math.sqrt(3.0), frequency_hz=53.7)
    found = three_phase_power(u, three(10.0, frequency_hz=53.7, lag_rad=math.pi / 6.0), rate_hz=RATE_HZ)
    assert found.power_w.value == pytest.approx(6000.0, abs=0.05)
    assert found.reactive_var == pytest.approx(3464.10, abs=0.05)
    assert found.apparent_va.value == pytest.approx(6928.20, abs=0.05)
    assert found.power_factor.value == pytest.approx(math.cos(math.pi / 6.0), abs=1e-6)
    assert found.displacement_factor == pytest.approx(math.cos(math.pi / 6.0), abs=1e-9)


# Blondel's theorem asks nothing of waveform or symmetry: distorted, unbalanced, without a zero-sequence current.
def test_two_wattmeters_suffice_for_any_three_wire_load():
    rng = np.random.default_rng(1)
    t = np.arange(10000) / RATE_HZ
    u, i = np.zeros((3, t.size)), np.zeros((3, t.size))
    for order in (1, 3, 5, 7):
        for k in range(3):
            a, b = rng.uniform(0.2, 1.0, 2) / order
            u[k] += 300.0 * a * np.sin(2.0 * math.pi * 80.0 * order * (t - k / 240.0) + rng.uniform(-0.2, 0.2))
            i[k] += 12.0 * b * np.sin(2.0 * math.pi * 80.0 * order * (t - k / 240.0) + rng.uniform(-0.9, 0.2))
    i[2] = -i[0] - i[1]
    cycles = find_cycles(u[0], rate_hz=RATE_HZ)
    _, two = wattmeters(against_the_third(u), i[:2], cycles)
    whole = slice(0, 5000)  # twenty periods of 250 samples: a plain mean is exact
    assert two.value == pytest.approx(float((u * i).sum(axis=0)[whole].mean()), rel=1e-5)


# IEC 61000-4-7, grouping of ten periods of 50 Hz in 5 Hz bins (definition from memory, the numbers follow from it).
def test_harmonics_and_interharmonics_are_grouped_as_the_standard_says():
    parts = {50: 230.0, 250: 10.0, 245: 3.0, 260: 2.0, 275: 1.5, 350: 4.0, 180: 1.0}
    t = np.arange(8000) / 10000.0
    signal = sum(ROOT_2 * rms * np.sin(2.0 * math.pi * f * t + 0.01 * f) for f, rms in parts.items())
    found = grouped_harmonics(signal, rate_hz=10000.0, fundamental_hz=50.0)
    assert found.windows == 4
    assert found.bins[5] == pytest.approx(10.0, abs=1e-9)
    assert found.subgroups[5] == pytest.approx(10.440307, abs=5e-7)
    assert found.groups[5] == pytest.approx(10.682930, abs=5e-7)
    assert 100.0 * found.thd == pytest.approx(4.682752, abs=5e-7)
    assert 100.0 * found.thd_subgroups == pytest.approx(4.861017, abs=5e-7)
    assert 100.0 * found.thd_groups == pytest.approx(5.000000, abs=5e-7)


def test_a_window_that_is_no_whole_number_of_samples_is_refused():
    with pytest.raises(ValueError, match="grouping needs a whole number"):
        grouped_harmonics(np.zeros(5000), rate_hz=1000.0, fundamental_hz=53.7)
