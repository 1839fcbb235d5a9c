"""Settled means: real samples once, correlated ones by their effective number, complaints in words."""

import math

import numpy as np
import pytest

from benchd.analysis.averages import effective_number, first_rows, settled_mean
from benchd.rules.channels import Quality


def good(n):
    return np.zeros(n, dtype=np.uint8)


def test_a_held_sample_counts_once():
    time = 50.0 + 0.01 * np.arange(10)
    ages = np.array([0.001, 0.011, 0.002, 0.012, 0.001, 0.011, 0.021, 0.003, 0.013, 0.001])
    assert first_rows(time, ages).tolist() == [True, False, True, False, True, False, False, True, False, True]


def test_a_journalled_age_that_was_rounded_makes_no_second_sample():
    rng = np.random.default_rng(5)
    time = 50.0 + 0.01 * np.arange(200)
    ages = 0.003 + 0.01 * (np.arange(200) % 4)
    rounded = ages + rng.uniform(-0.0002, 0.0002, 200)
    assert first_rows(time, rounded).sum() == 50


def test_a_channel_that_never_arrived_has_no_real_samples_to_merge():
    assert first_rows(np.arange(3.0), np.full(3, np.inf)).all()


def test_white_noise_counts_in_full_and_correlated_noise_by_its_correlation_time():
    rng = np.random.default_rng(3)
    white = rng.standard_normal(4000)
    assert effective_number(white) > 0.8 * 4000
    phi = 0.9  # first-order autoregression: variance of the mean is (1 + phi) / (1 - phi) = 19 times larger
    series = np.empty(20000)
    series[0] = 0.0
    for i in range(1, series.size):
        series[i] = phi * series[i - 1] + rng.standard_normal()
    assert effective_number(series) == pytest.approx(20000 / 19.0, rel=0.25)


def test_the_stated_uncertainty_of_a_mean_is_the_scatter_of_such_means():
    rng = np.random.default_rng(11)
    for phi in (0.0, 0.8):
        means, stated = [], []
        for _ in range(400):
            noise = rng.standard_normal(250)
            series = np.empty(250)
            series[0] = noise[0] / math.sqrt(1.0 - phi**2)
            for i in range(1, 250):
                series[i] = phi * series[i - 1] + noise[i]
            mean = settled_mean(series, np.arange(250.0), good(250), least_samples=5)
            means.append(mean.value)
            stated.append(mean.scatter**2)
        assert math.sqrt(np.mean(stated)) == pytest.approx(np.std(means), rel=0.15)


def test_counting_held_rows_would_have_stated_too_small_an_uncertainty():
    rng = np.random.default_rng(2)
    samples = rng.standard_normal(100)
    once = settled_mean(samples, np.arange(100.0), good(100), least_samples=5)
    assert once.scatter == pytest.approx(0.1, rel=0.3)
    assert once.samples == 100


def test_a_trend_beyond_noise_is_called_drift_and_widens_the_uncertainty():
    rng = np.random.default_rng(4)
    t = np.linspace(0.0, 2.0, 200)
    still = settled_mean(5.0 + 0.01 * rng.standard_normal(200), t, good(200), least_samples=5)
    moving = settled_mean(5.0 + 0.1 * t + 0.01 * rng.standard_normal(200), t, good(200), least_samples=5)
    assert still.drift == 0.0
    assert moving.change == pytest.approx(0.2, rel=0.05)
    assert moving.drift == pytest.approx(0.2 / math.sqrt(12.0), rel=0.05)


def test_noise_alone_is_hardly_ever_called_drift():
    rng = np.random.default_rng(8)
    windows = [settled_mean(rng.standard_normal(60), np.arange(60.0), good(60), least_samples=5) for _ in range(500)]
    assert sum(w.drift > 0.0 for w in windows) <= 2
    short = [settled_mean(rng.standard_normal(5), np.arange(5.0), good(5), least_samples=1) for _ in range(500)]
    assert sum(w.drift > 0.0 for w in short) <= 2


@pytest.mark.parametrize(
    ("quality", "words"),
    [
        ({3: Quality.OVER_RANGE}, "over range"),
        ({1: Quality.NOT_A_NUMBER, 2: Quality.MISSING, 3: Quality.STALE}, "not a number, stale or missing"),
    ],
)
def test_a_spoilt_window_says_why(quality, words):
    marks = good(20)
    for i, q in quality.items():
        marks[i] = q
    mean = settled_mean(np.ones(20), np.arange(20.0), marks, least_samples=5)
    assert math.isnan(mean.value)
    assert words in mean.complaint


def test_a_number_that_is_not_one_counts_as_bad_even_where_its_quality_says_good():
    values = np.ones(20)
    values[:5] = np.nan
    assert "not a number" in settled_mean(values, np.arange(20.0), good(20), least_samples=5).complaint


def test_windows_without_any_sample_say_so_alike_however_many_they_are():
    spoilt = [settled_mean(np.full(n, np.nan), np.arange(n), good(n), least_samples=5) for n in (19, 21)]
    assert [mean.complaint for mean in spoilt] == ["all samples are not a number, stale or missing"] * 2


def test_too_few_samples_are_refused_in_words():
    assert "only 3 good samples" in settled_mean(np.ones(3), np.arange(3.0), good(3), least_samples=5).complaint
    assert "no sample" in settled_mean(np.ones(0), np.ones(0), good(0), least_samples=5).complaint


def test_a_sensor_without_scatter_gives_its_value():
    mean = settled_mean(np.full(10, 21.5), np.arange(10.0), good(10), least_samples=5)
    assert (mean.value, mean.scatter, mean.drift) == (21.5, 0.0, 0.0)
