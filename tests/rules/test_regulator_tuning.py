"""Tunings against loops worked out beside them; the published numbers are in tests/published/test_regulator_tunings."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.regulator_gains import Gains
from benchd.rules.regulator_tuning import (
    Plant,
    Tuning,
    by_lambda,
    by_magnitude_optimum,
    by_simc,
    by_symmetrical_optimum,
    delayed_overshoot,
    phase_margin_deg,
)

PLANTS = st.builds(
    Plant,
    gain=st.floats(0.01, 100.0),
    lag_s=st.floats(0.01, 10.0),
    small_s=st.floats(1e-3, 1.0),
    dead_s=st.floats(0.0, 1.0),
)


def tunings(plant: Plant) -> list[Tuning]:
    return [
        by_lambda(plant, closed_s=0.5),
        by_simc(plant),
        by_magnitude_optimum(plant),
        by_symmetrical_optimum(plant),
    ]


@given(PLANTS, st.floats(1e-3, 1.0))
def test_more_dead_time_always_means_less_gain(plant: Plant, more_s: float) -> None:
    later = Plant(gain=plant.gain, lag_s=plant.lag_s, small_s=plant.small_s, dead_s=plant.dead_s + more_s)
    for before, after in zip(tunings(plant), tunings(later), strict=True):
        assert after.gains.proportional < before.gains.proportional
        assert after.gains.integral_per_s < before.gains.integral_per_s


@given(PLANTS)
def test_every_tuning_leaves_a_margin_whatever_the_dead_time(plant: Plant) -> None:
    for tuning, least_deg in zip(tunings(plant), (32.0, 32.0, 55.0, 28.0), strict=True):
        assert tuning.phase_margin_deg > least_deg


@given(PLANTS)
def test_the_margin_is_that_of_the_loops_nyquist_curve(plant: Plant) -> None:
    """On a fine grid of frequencies with complex numbers: the angle from −1 where the curve crosses the unit circle."""
    gains = by_simc(plant).gains
    s = 1j * np.logspace(-4, 5, 40_000)
    loop = (gains.proportional + gains.integral_per_s / s) * plant.gain * np.exp(-plant.dead_s * s)
    loop /= (1.0 + plant.lag_s * s) * (1.0 + plant.small_s * s)
    at = int(np.argmax(np.abs(loop) < 1.0))
    assert phase_margin_deg(plant, gains) == pytest.approx(math.degrees(np.angle(-loop[at])), abs=0.2)


@pytest.mark.parametrize("a", [1.5, 2.0, 3.0, 4.0])
def test_the_symmetrical_optimum_has_the_margin_of_its_closed_form(a: float) -> None:
    tuning = by_symmetrical_optimum(Plant(gain=1.0, lag_s=0.02, small_s=0.01, integrates=True), a=a)
    assert tuning.phase_margin_deg == pytest.approx(math.degrees(math.atan((a * a - 1.0) / (2.0 * a))), abs=1e-6)
    assert (tuning.overshoot_ratio is None) == (a != 2.0)


def test_the_gains_are_those_of_the_rules_formulas() -> None:
    """Magnitude optimum: Kc = lag/(2·K·late), Ti = lag; symmetrical: Kc = lag/(a·K·late), Ti = a²·late (by hand)."""
    plant = Plant(gain=4.0, lag_s=2.0, small_s=0.06, dead_s=0.04)
    gains = by_magnitude_optimum(plant).gains
    assert (gains.proportional, gains.integral_per_s) == pytest.approx((2.5, 1.25))
    gains = by_symmetrical_optimum(plant).gains
    assert (gains.proportional, gains.integral_per_s) == pytest.approx((2.5, 6.25))
    gains = by_magnitude_optimum(Plant(gain=4.0, lag_s=0.0, small_s=0.1)).gains
    assert (gains.proportional, gains.integral_per_s) == pytest.approx((0.0, 1.25))


def test_a_plant_that_falls_gets_negative_gains_and_the_same_margin() -> None:
    plant = Plant(gain=4.0, lag_s=2.0, small_s=0.06, dead_s=0.04)
    falling = Plant(gain=-4.0, lag_s=2.0, small_s=0.06, dead_s=0.04)
    for one, other in zip(tunings(plant), tunings(falling), strict=True):
        assert other.gains.proportional == -one.gains.proportional
        assert other.gains.integral_per_s == -one.gains.integral_per_s
        assert other.phase_margin_deg == one.phase_margin_deg


def test_lambda_without_delay_is_a_first_order_lag() -> None:
    tuning = by_lambda(Plant(gain=4.0, lag_s=2.0), closed_s=0.5)
    assert tuning.overshoot_ratio == 0.0
    assert tuning.settling_s == pytest.approx(0.5 * math.log(50.0))
    assert tuning.phase_margin_deg == pytest.approx(90.0)


@pytest.mark.parametrize("swing", [0.2, 0.36, 0.4, 0.5, 0.7, 1.0, 1.3, 1.5])
def test_the_overshoot_behind_a_delay_is_that_of_small_steps(swing: float) -> None:
    steps = 2000  # a delay
    error = [1.0] * (steps + 1)  # until the first delay has passed
    for _ in range(20 * steps):
        error.append(error[-1] - swing / steps * 0.5 * (error[-1 - steps] + error[-steps]))
    assert delayed_overshoot(swing) == pytest.approx(max(0.0, -min(error)), abs=2e-4)


@pytest.mark.parametrize("swing", [0.0, 1.0 / math.e, 0.368, 0.37])
def test_a_delay_that_hardly_counts_makes_no_overshoot_that_does(swing: float) -> None:
    assert 0.0 <= delayed_overshoot(swing) < 1e-4


def test_a_delay_too_long_for_its_gain_swings_up_for_ever() -> None:
    assert delayed_overshoot(0.5 * math.pi) == math.inf


def test_a_loop_whose_gain_never_reaches_1_has_no_end_of_margin() -> None:
    plant = Plant(gain=0.5, lag_s=1.0)
    assert phase_margin_deg(plant, Gains(proportional=1.0, integral_per_s=0.0)) == math.inf


def test_a_tick_counts_as_half_of_it_and_what_is_late_besides() -> None:
    plant = Plant(gain=1.0, lag_s=1.0, small_s=0.1, dead_s=0.02).on_ticks(0.01, late_ticks=2.0)
    assert plant.dead_s == pytest.approx(0.045)
    assert plant.late_s == pytest.approx(0.145)


def test_a_closed_form_is_given_only_where_there_is_one() -> None:
    with_dead_time = Plant(gain=1.0, lag_s=1.0, small_s=0.1, dead_s=0.02)
    assert all(tuning.overshoot_ratio is None for tuning in tunings(with_dead_time))
    assert all(tuning.settling_s is None for tuning in tunings(with_dead_time))
    assert by_symmetrical_optimum(Plant(gain=1.0, lag_s=1.0, small_s=0.1)).overshoot_ratio is None  # it only lags
    dead_alone = by_magnitude_optimum(Plant(gain=1.0, lag_s=1.0, dead_s=0.1))
    assert dead_alone.overshoot_ratio == delayed_overshoot(0.5)


def test_what_has_no_answer_is_refused_in_a_sentence() -> None:
    integrates = Plant(gain=1.0, lag_s=1.0, small_s=0.1, integrates=True)
    at_once = Plant(gain=1.0, lag_s=1.0)
    with pytest.raises(ValueError, match="integrates cannot be tuned by lambda"):
        by_lambda(integrates, closed_s=1.0)
    with pytest.raises(ValueError, match="integrates cannot be tuned by the magnitude optimum"):
        by_magnitude_optimum(integrates)
    for refused in (by_magnitude_optimum, by_simc, by_symmetrical_optimum):
        with pytest.raises(ValueError, match="nothing is late"):
            refused(at_once)
    with pytest.raises(ValueError, match="nothing is late"):
        by_lambda(at_once, closed_s=0.0)
    for a in (1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="a above 1"):
            by_symmetrical_optimum(integrates, a=a)
    with pytest.raises(ValueError, match="needs a lag"):
        by_symmetrical_optimum(Plant(gain=1.0, lag_s=0.0, small_s=0.1))
    for wrong in ({"gain": 0.0}, {"gain": math.nan}, {"lag_s": -1.0}, {"dead_s": math.inf}, {"small_s": math.nan}):
        with pytest.raises(ValueError, match="A plant's"):
            Plant(**{"gain": 1.0, "lag_s": 1.0, **wrong})
    with pytest.raises(ValueError, match="A plant's"):
        Plant(gain=1.0, lag_s=0.0, integrates=True)
