"""The worked examples of the Guide to the Expression of Uncertainty in Measurement (JCGM 100)."""

import math
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis.fits import straight_line
from benchd.analysis.monte_carlo import draw_outputs
from benchd.analysis.propagation import (
    Source,
    coverage_factor,
    effective_degrees_of_freedom,
    means_taken_together,
    output_covariance,
    propagate,
    sensitivities,
)

# JCGM 100:2008, H.2, table H.2 (read in the source): five simultaneous readings.
VOLTAGE_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT_A = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000.0
PHASE_RAD = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])

# JCGM 100:2008, H.3, table H.6 (read in the source): a thermometer's corrections.
READING_DEGC = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_K = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])


NAMES = ("resistance", "reactance", "impedance")


def impedance(x):
    size = x[:, 0] / x[:, 1]
    return {"resistance": size * np.cos(x[:, 2]), "reactance": size * np.sin(x[:, 2]), "impedance": size}


@pytest.fixture
def readings():
    return np.stack([VOLTAGE_V, CURRENT_A, PHASE_RAD])


def test_h2_resistance_and_reactance_from_correlated_readings(readings):
    means, together = means_taken_together("readings", readings)
    out = propagate(impedance, means, [], correlated=[together])
    assert [out[n].value for n in NAMES] == pytest.approx([127.732, 219.847, 254.260], abs=0.0006)
    u = [out[n].standard_uncertainty for n in NAMES]
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=0.001)
    _, slopes = sensitivities(impedance, means, np.sqrt(np.diag(together.covariance)))
    covariance = output_covariance([slopes[n] for n in NAMES], together.covariance)
    r = covariance / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.001)


def test_h2_the_draws_hang_together_as_the_readings_do(readings):
    means, together = means_taken_together("readings", readings)
    wide = replace(together, degrees_of_freedom=math.inf)  # the example asks for no degrees of freedom
    drawn = draw_outputs(impedance, means, [], NAMES, correlated=[wide], draws=100_000, seed=1)
    found = np.stack([drawn[n] for n in NAMES])
    assert found.std(axis=1) == pytest.approx([0.071, 0.2956, 0.236], rel=0.01)
    r = np.corrcoef(found)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.01)


def test_h2_approach_two_the_mean_of_single_results_has_four_degrees_of_freedom(readings):
    # H.2.4: each set of readings gives a resistance of its own; the mean of five has four degrees of freedom
    single = np.stack([impedance(readings.T)[n] for n in NAMES])
    means, together = means_taken_together("readings", readings)
    out = propagate(impedance, means, [], correlated=[together])
    for name, values in zip(NAMES, single, strict=True):
        assert out[name].standard_uncertainty == pytest.approx(values.std(ddof=1) / math.sqrt(5.0), rel=5e-3)
        assert out[name].degrees_of_freedom == pytest.approx(4.0)


def test_h2_without_the_correlations_other_uncertainties_come_out(readings):
    u = np.std(readings, axis=1, ddof=1) / math.sqrt(readings.shape[1])
    sources = [Source(name=f"x{i}", input=i, standard_uncertainty=float(size)) for i, size in enumerate(u)]
    out = propagate(impedance, readings.mean(axis=1), sources)
    apart = [out[n].standard_uncertainty for n in NAMES]
    assert apart == pytest.approx([0.195, 0.201, 0.204], abs=0.001)


def test_h2_agrees_with_a_reference_library(readings):
    gtc = pytest.importorskip("GTC")
    v, i, phi = gtc.multiple_ureal(
        readings.mean(axis=1).tolist(),
        (np.std(readings, axis=1, ddof=1) / math.sqrt(readings.shape[1])).tolist(),
        readings.shape[1] - 1,
    )
    corr = np.corrcoef(readings)
    gtc.set_correlation(float(corr[0, 1]), v, i)
    gtc.set_correlation(float(corr[0, 2]), v, phi)
    gtc.set_correlation(float(corr[1, 2]), i, phi)
    reference = {"resistance": v / i * gtc.cos(phi), "reactance": v / i * gtc.sin(phi), "impedance": v / i}
    means, together = means_taken_together("readings", readings)
    out = propagate(impedance, means, [], correlated=[together])
    for name, number in reference.items():
        assert out[name].value == pytest.approx(gtc.value(number), rel=1e-12)
        assert out[name].standard_uncertainty == pytest.approx(gtc.uncertainty(number), rel=1e-4)
        assert out[name].degrees_of_freedom == pytest.approx(gtc.dof(number), rel=1e-6)


def test_h3_the_calibration_line_of_a_thermometer():
    line = straight_line(READING_DEGC, CORRECTION_K, reference=20.0)
    assert line.intercept == pytest.approx(-0.1712, abs=0.00005)
    assert line.slope == pytest.approx(0.00218, abs=0.000005)
    assert line.intercept_uncertainty == pytest.approx(0.0029, abs=0.00005)
    assert line.slope_uncertainty == pytest.approx(0.00067, abs=0.000005)
    assert line.correlation == pytest.approx(-0.930, abs=0.0005)
    assert line.degrees_of_freedom == 9.0
    value, u = line.at(30.0)
    assert value == pytest.approx(-0.1494, abs=0.00005)
    assert u == pytest.approx(0.0041, abs=0.00005)


def test_h3_agrees_with_a_reference_library():
    gtc = pytest.importorskip("GTC")
    fit = gtc.type_a.line_fit((READING_DEGC - 20.0).tolist(), CORRECTION_K.tolist())
    line = straight_line(READING_DEGC, CORRECTION_K, reference=20.0)
    intercept, slope = fit.a_b
    assert line.intercept == pytest.approx(gtc.value(intercept), rel=1e-9)
    assert line.slope == pytest.approx(gtc.value(slope), rel=1e-9)
    assert line.at(30.0)[1] == pytest.approx(gtc.uncertainty(intercept + slope * 10.0), rel=1e-9)
    assert line.correlation == pytest.approx(gtc.get_correlation(intercept, slope), rel=1e-9)


# JCGM 100:2008, G.4.1, example (value from memory): relative standard uncertainties in per cent.
def test_g4_the_effective_degrees_of_freedom_of_three_contributions():
    shares = np.array([0.25, 0.57, 0.82])
    degrees = np.array([9.0, 4.0, 14.0])
    u = math.hypot(*shares)
    nu = effective_degrees_of_freedom(shares, degrees)
    assert u == pytest.approx(1.03, abs=0.005)
    assert nu == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(nu) == pytest.approx(2.093, abs=0.001)
    assert coverage_factor(nu) * u == pytest.approx(2.15, abs=0.01)


def test_g4_comes_out_of_a_product_of_three_factors_too():
    def product(x):
        return {"product": x[:, 0] * x[:, 1] * x[:, 2]}

    nominal = np.array([2.0, 5.0, 0.3])
    sources = [
        Source(name=name, input=i, standard_uncertainty=float(nominal[i]) * share / 100.0, degrees_of_freedom=degrees)
        for i, (name, share, degrees) in enumerate([("a", 0.25, 9.0), ("b", 0.57, 4.0), ("c", 0.82, 14.0)])
    ]
    out = propagate(product, nominal, sources)["product"]
    assert 100.0 * out.standard_uncertainty / out.value == pytest.approx(1.03, abs=0.005)
    assert out.degrees_of_freedom == pytest.approx(19.0, abs=0.05)


def test_g4_agrees_with_a_reference_library():
    gtc = pytest.importorskip("GTC")
    factors = [gtc.ureal(1.0, share / 100.0, df) for share, df in ((0.25, 9), (0.57, 4), (0.82, 14))]
    number = factors[0] * factors[1] * factors[2]
    nu = effective_degrees_of_freedom(np.array([0.25, 0.57, 0.82]), np.array([9.0, 4.0, 14.0]))
    assert nu == pytest.approx(gtc.dof(number), rel=1e-9)
