"""The worked examples of JCGM 101, propagation of distributions by a Monte Carlo method (values from memory)."""

import math

import numpy as np
import pytest
from scipy import stats

from benchd.analysis.monte_carlo import headline_intervals
from benchd.analysis.propagation import Correlated, Source, coverage_factor, propagate

DRAWS = 1_000_000


def source(index, u, **more):
    return Source(name=f"x{index}", input=index, standard_uncertainty=u, **more)


def total(x):
    return {"y": x.sum(axis=1)}


def squares(x):
    return {"y": x[:, 0] ** 2 + x[:, 1] ** 2}


def by_law(model, nominal, sources):
    out = propagate(model, nominal, sources)["y"]
    return out.standard_uncertainty, coverage_factor(out.degrees_of_freedom) * out.standard_uncertainty


# JCGM 101, 9.2.2: four normal inputs of standard deviation one.
def test_four_normal_inputs_give_what_the_law_of_propagation_gives():
    sources = [source(i, 1.0) for i in range(4)]
    y = headline_intervals(total, np.zeros(4), sources, ["y"], draws=DRAWS)["y"]
    assert by_law(total, np.zeros(4), sources) == pytest.approx((2.0, 3.92), abs=0.005)
    assert y.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert (y.low, y.high) == pytest.approx((-3.92, 3.92), abs=0.02)


# JCGM 101, 9.2.3: four rectangular inputs of standard deviation one: ±3.88 where the law of propagation says ±3.92.
@pytest.mark.parametrize("kind", ["symmetric", "shortest"])
def test_four_rectangular_inputs_of_one_size(kind):
    sources = [source(i, 1.0, distribution="rectangular") for i in range(4)]
    y = headline_intervals(total, np.zeros(4), sources, ["y"], draws=DRAWS, kind=kind)["y"]
    assert by_law(total, np.zeros(4), sources) == pytest.approx((2.0, 3.92), abs=0.005)
    assert y.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert 0.5 * (y.high - y.low) == pytest.approx(3.88, abs=0.02)
    if kind == "symmetric":
        assert (y.low, y.high) == pytest.approx((-3.88, 3.88), abs=0.02)


# JCGM 101, 9.2.4: one of the four has standard deviation ten: 10.1, ±17.0 where the law of propagation says ±19.9.
@pytest.mark.parametrize("kind", ["symmetric", "shortest"])
def test_four_rectangular_inputs_of_which_one_dominates(kind):
    sources = [source(i, u, distribution="rectangular") for i, u in enumerate((1.0, 1.0, 1.0, 10.0))]
    y = headline_intervals(total, np.zeros(4), sources, ["y"], draws=DRAWS, kind=kind)["y"]
    assert by_law(total, np.zeros(4), sources) == pytest.approx((10.1, 19.9), abs=0.05)
    assert y.standard_uncertainty == pytest.approx(10.1, abs=0.05)
    assert 0.5 * (y.high - y.low) == pytest.approx(17.0, abs=0.05)


# JCGM 101, 9.4: comparison loss in the calibration of a microwave power meter, δY = X1² + X2², x1 = 0.010, u = 0.005.
def test_comparison_loss_is_no_normal_quantity():
    sources = [source(0, 0.005), source(1, 0.005)]
    y = headline_intervals(squares, np.array([0.010, 0.0]), sources, ["y"], draws=DRAWS, kind="shortest")["y"]
    assert 1e6 * y.value == pytest.approx(150.0, abs=3.0)
    assert 1e6 * y.standard_uncertainty == pytest.approx(112.0, abs=3.0)
    assert (1e6 * y.low, 1e6 * y.high) == pytest.approx((0.0, 367.0), abs=3.0)


# The same with correlated inputs, r = 0.9: mean and variance of the two squares in closed form.
def test_comparison_loss_of_correlated_inputs():
    u, r = 0.005, 0.9
    together = Correlated(name="both", inputs=(0, 1), covariance=u**2 * np.array([[1.0, r], [r, 1.0]]))
    y = headline_intervals(squares, np.array([0.010, 0.0]), [], ["y"], correlated=[together], draws=DRAWS)["y"]
    assert y.value == pytest.approx(0.010**2 + 2.0 * u**2, rel=0.005)
    variance = 4.0 * (0.010 * u) ** 2 + 4.0 * u**4 + 4.0 * (r * u**2) ** 2
    assert y.standard_uncertainty == pytest.approx(math.sqrt(variance), rel=0.01)


# JCGM 101, 6.4.9.4: an input from n readings is a t with n - 1 degrees of freedom.
def test_a_type_a_input_is_drawn_from_a_scaled_and_shifted_t():
    sources = [source(0, 2.0, degrees_of_freedom=4.0)]
    y = headline_intervals(total, np.array([10.0]), sources, ["y"], draws=DRAWS)["y"]
    half = 2.0 * stats.t(4).ppf(0.975)
    assert (y.low, y.high) == pytest.approx((10.0 - half, 10.0 + half), abs=0.03)


# JCGM 101, 6.4.3.3: a rectangle whose limits are known to ±d has the variance (w² + d²/3)/3, w the half width.
def test_a_rectangle_with_inexact_limits_is_a_little_wider():
    sources = [source(0, 1.0, distribution="rectangular", degrees_of_freedom=6.0)]
    y = headline_intervals(total, np.zeros(1), sources, ["y"], draws=DRAWS)["y"]
    w = math.sqrt(3.0)
    d = w * 0.5  # √3 standard deviations of 1/√(2·6) of it (JCGM 100, G.4.2)
    assert y.standard_uncertainty == pytest.approx(math.sqrt((w**2 + d**2 / 3.0) / 3.0), rel=0.002)
    assert y.high < w + d


def test_the_law_of_propagation_agrees_with_a_reference_library():
    gtc = pytest.importorskip("GTC")
    sizes = (1.0, 1.0, 1.0, 10.0)
    reference = sum((gtc.ureal(0.0, u) for u in sizes), start=gtc.constant(0.0))
    u, expanded = by_law(total, np.zeros(4), [source(i, s, distribution="rectangular") for i, s in enumerate(sizes)])
    assert u == pytest.approx(gtc.uncertainty(reference), rel=1e-9)
    assert expanded == pytest.approx(gtc.reporting.k_factor(gtc.dof(reference)) * gtc.uncertainty(reference), rel=1e-4)
    x1, x2 = gtc.ureal(0.010, 0.005), gtc.ureal(0.0, 0.005)
    loss = by_law(squares, np.array([0.010, 0.0]), [source(0, 0.005), source(1, 0.005)])[0]
    assert loss == pytest.approx(gtc.uncertainty(x1**2 + x2**2), rel=1e-6)
