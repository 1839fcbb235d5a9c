"""Thermal image, overload, energy and run time against closed forms."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.channels import Quality
from benchd.rules.derivations import Energy, I2t, Overload, RunTime

from .derived_parts import Played

TAU_S = 30.0


def heated(played: Played, current_a: float, *, from_s: float, until_s: float, step_s: float = 0.1):
    at_s, sample = from_s, None
    while at_s < until_s - 1e-9:
        at_s += step_s
        sample = played.give("dc_current", current_a, at_s)
    return sample


def image(**more) -> Played:
    return Played(I2t(**{"of": "dc_current", "rated": 4.0, "time_constant_s": TAU_S, **more}))


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0, -2.0])
@pytest.mark.parametrize("step_s", [0.01, 0.1, 0.37])
def test_the_step_response_of_the_thermal_image_is_one_minus_e(ratio: float, step_s: float) -> None:
    """x(t) = (i/i_r)² (1 − exp(−t/τ)), the closed form of the first-order equation."""
    played = image()
    played.give("dc_current", ratio * 4.0, 0.0)
    sample = heated(played, ratio * 4.0, from_s=0.0, until_s=step_s * 500, step_s=step_s)
    assert sample.value == pytest.approx(ratio**2 * -math.expm1(-step_s * 500 / TAU_S), rel=1e-9)


def test_it_cools_exponentially_between_runs() -> None:
    played = image()
    played.give("dc_current", 8.0, 0.0)
    hot = heated(played, 8.0, from_s=0.0, until_s=20.0).value
    played.give("dc_current", 0.0, 20.0 + 1e-9)
    played.derived.begin(50.0)
    cold = heated(played, 0.0, from_s=20.0 + 1e-9, until_s=80.0)
    assert cold.value == pytest.approx(hot * math.exp(-60.0 / TAU_S), rel=1e-6)


@given(st.lists(st.tuples(st.floats(0.001, 0.4), st.floats(-12.0, 12.0)), min_size=1, max_size=40))
def test_the_image_is_exact_for_a_square_on_straight_lines(steps) -> None:
    """Against the same equation integrated in small steps (classical Runge-Kutta)."""
    played = image(time_constant_s=2.0)
    at_s, square, x = 0.0, 0.0, 0.0
    played.give("dc_current", 0.0, 0.0)
    for gap_s, current_a in steps:
        end = (current_a / 4.0) ** 2
        for part in range(32):
            h, s0 = gap_s / 32, square + (end - square) * part / 32
            ds = (end - square) / 32
            k1 = (s0 - x) / 2.0
            k2 = (s0 + ds / 2 - (x + h / 2 * k1)) / 2.0
            k3 = (s0 + ds / 2 - (x + h / 2 * k2)) / 2.0
            k4 = (s0 + ds - (x + h * k3)) / 2.0
            x += h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        at_s, square = at_s + gap_s, end
        sample = played.give("dc_current", current_a, at_s)
    assert sample.value == pytest.approx(x, rel=1e-7, abs=1e-10)


def test_a_gap_that_nobody_saw_does_not_cool_and_heats_for_as_long_as_a_value_may_be_old() -> None:
    played = image()
    played.give("dc_current", 8.0, 0.0)
    hot = heated(played, 8.0, from_s=0.0, until_s=20.0).value
    played.give("dc_current", math.nan, 21.0)
    after = played.give("dc_current", 0.0, 3600.0)
    assert after.value == pytest.approx(hot + (4.0 - hot) * -math.expm1(-0.5 / TAU_S), rel=1e-9)  # its age limit
    later = played.give("dc_current", 0.0, 7200.0)
    assert later.value == after.value


def test_an_image_without_its_motor_is_unknown() -> None:
    assert image(rated=None).give("dc_current", 1.0, 1.0).quality is Quality.MISSING
    assert image(time_constant_s=None).give("dc_current", 1.0, 1.0).quality is Quality.MISSING


@pytest.mark.parametrize("quality", [Quality.OVER_RANGE, Quality.NOT_A_NUMBER])
def test_a_memory_keeps_its_value_and_takes_the_quality_of_its_input(quality: Quality) -> None:
    played = image()
    played.give("dc_current", 8.0, 0.0)
    hot = heated(played, 8.0, from_s=0.0, until_s=20.0).value
    sample = played.give("dc_current", math.inf, 20.1, quality=quality)
    assert (sample.value, sample.quality) == (hot, quality)


def test_an_overload_counts_the_square_above_the_nominal_and_fades() -> None:
    """Twice the nominal for 2 s is 6 s, then 4 s at rest leave 2 s: hand-computed."""
    played = Played(Overload(of="dc_current", nominal=4.0))
    played.give("dc_current", -8.0, 0.0)
    assert heated(played, -8.0, from_s=0.0, until_s=2.0).value == pytest.approx(6.0)
    played.give("dc_current", 0.0, 2.0 + 1e-9)
    assert heated(played, 0.0, from_s=2.0 + 1e-9, until_s=6.0).value == pytest.approx(2.0, abs=1e-6)
    assert heated(played, 0.0, from_s=6.0, until_s=20.0).value == 0.0


def test_energy_is_the_area_below_zero_and_begins_with_the_run() -> None:
    """A triangle from +100 W to −100 W in 1 s lies below zero for half a second: 25 W·s."""
    played = Played(Energy(of="power"), age_limit_s=2.0)
    played.give("power", 100.0, 0.0)
    assert played.give("power", -100.0, 1.0).value == pytest.approx(25.0)
    assert played.give("power", -100.0, 2.0).value == pytest.approx(125.0)
    assert played.give("power", 100.0, 3.0).value == pytest.approx(150.0)
    played.derived.begin(3.5)
    assert played.give("power", -100.0, 4.0).value == pytest.approx(12.5)  # from +100 at the run's start to −100


@given(st.lists(st.tuples(st.floats(0.001, 0.4), st.floats(-1e3, 1e3)), min_size=1, max_size=40))
def test_energy_that_came_back_and_went_out_differ_by_the_whole_integral(steps) -> None:
    back, out = Played(Energy(of="power")), Played(Energy(of="power", direction="delivered"))
    at_s, before, whole = 0.0, 0.0, 0.0
    for one in (back, out):
        one.give("power", 0.0, 0.0)
    for gap_s, power_w in steps:
        at_s += gap_s
        whole += 0.5 * (before + power_w) * gap_s
        before = power_w
        returned, delivered = back.give("power", power_w, at_s), out.give("power", power_w, at_s)
    assert delivered.value - returned.value == pytest.approx(whole, abs=1e-6)
    assert min(returned.value, delivered.value) >= 0.0


def test_run_time_is_unknown_before_a_run_and_counts_from_its_start() -> None:
    played = Played(RunTime())
    assert played.derived.update({}, 5.0).quality is Quality.MISSING
    played.derived.begin(10.0)
    sample = played.derived.update({}, 12.5)
    assert (sample.value, sample.quality, sample.taken_mono_s) == (2.5, Quality.GOOD, 12.5)
