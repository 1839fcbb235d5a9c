"""What a course waits for: means and trends by hand, and what carries neither."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchd.rules.course_conditions import Settled, Standing, Temperature, mean_and_trend, standing

SETTLED = Settled(
    channel="shaft_torque", around=2.0, mean_band=0.05, trend_band_per_s=0.01, window_s=10.0, within_s=60.0
)
COOL = Temperature(channel="winding_temperature", below_degc=40.0, within_s=60.0)


def line(first: float, per_s: float, *, until_s: float = 30.0) -> list[tuple[float, float]]:
    return [(place / 2.0, first + per_s * place / 2.0) for place in range(int(2 * until_s) + 1)]


def test_the_mean_and_trend_of_a_line_are_its_middle_and_slope_by_hand() -> None:
    """From 1 with 0.1 per s: over 20 s to 30 s the middle is 1 + 2.5."""
    assert mean_and_trend(line(1.0, 0.1), window_s=10.0, now_s=30.0) == pytest.approx((3.5, 0.1))
    assert mean_and_trend(line(1.0, 0.1), window_s=10.0, now_s=15.0) == pytest.approx((2.0, 0.1))  # 5 s to 15 s


def test_what_is_not_finite_has_neither_mean_nor_trend() -> None:
    for value in (math.nan, math.inf):
        assert mean_and_trend([*line(1.0, 0.0), (30.1, value)], window_s=10.0, now_s=30.1) is None


def test_the_trend_is_that_of_least_squares_by_hand() -> None:
    """0, 0, 1, 0, 0 and so on would be flat; 0, 0, 0, 1, 1 at 1 s steps: Σ(t−2)(v−0.4)/Σ(t−2)² = 3/10."""
    samples = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 1.0), (4.0, 1.0)]
    assert mean_and_trend(samples, window_s=4.0, now_s=4.0) == pytest.approx((0.4, 0.3))


@pytest.mark.parametrize(
    ("samples", "stands"),
    [
        (line(2.0, 0.0), Standing.MET),
        (line(2.04, 0.0), Standing.MET),
        (line(2.06, 0.0), Standing.OPEN),  # off the mean
        (line(1.94, 0.0), Standing.OPEN),
        (line(2.0 - 0.009 * 25, 0.009), Standing.MET),  # its middle, at 25 s, is 2
        (line(2.0 - 0.011 * 25, 0.011), Standing.OPEN),  # too much of a trend
        (line(2.0 + 0.011 * 25, -0.011), Standing.OPEN),
        ([], Standing.OPEN),
        ([each for each in line(2.0, 0.0) if not 22.0 < each[0] < 25.0], Standing.OPEN),  # a hole of 3 s in 10 s
        (line(2.0, 0.0, until_s=27.0), Standing.OPEN),  # silent for 3 s
        ([*line(2.0, 0.0, until_s=29.5), (30.0, math.nan)], Standing.OPEN),
        ([(time_s, 2.0) for time_s in (20.0, 22.5, 25.0, 27.5)], Standing.OPEN),  # too few
    ],
)
def test_settled_takes_mean_and_trend_within_their_bands_over_a_whole_window(
    samples: list[tuple[float, float]], stands: Standing
) -> None:
    assert standing(SETTLED, samples, now_s=30.0) is stands


def test_it_cannot_be_settled_before_a_whole_window_has_passed_nor_after_its_time() -> None:
    flat = line(2.0, 0.0, until_s=61.0)
    assert standing(SETTLED, flat[:20], now_s=9.5) is Standing.OPEN
    assert standing(SETTLED, flat[:21], now_s=10.0) is Standing.MET
    assert standing(SETTLED, flat, now_s=60.0) is Standing.MET
    assert standing(SETTLED, flat, now_s=60.5) is Standing.TOO_LATE
    assert standing(SETTLED, line(9.0, 0.0, until_s=60.0), now_s=60.0) is Standing.TOO_LATE


@example(40.0, 10.0)
@example(39.0, 60.0)
@given(st.floats(-50.0, 200.0), st.floats(0.0, 120.0))
def test_a_temperature_is_met_on_its_side_within_its_time(value: float, now_s: float) -> None:
    warm = Temperature(channel="winding_temperature", above_degc=40.0, within_s=60.0)
    samples = [(0.0, 40.0), (now_s, value)]
    for condition, met in ((COOL, value < 40.0), (warm, value > 40.0)):
        found = standing(condition, samples, now_s=now_s)
        assert (found is Standing.MET) is (met and now_s <= 60.0)
        assert (found is Standing.TOO_LATE) is (now_s > 60.0 or (now_s == 60.0 and not met))


def test_no_sample_and_no_number_meet_no_temperature() -> None:
    for samples in ([], [(0.0, 20.0), (1.0, math.nan)]):
        assert standing(COOL, samples, now_s=1.0) is Standing.OPEN


def test_conditions_that_make_no_sense_are_refused() -> None:
    numbers = {"around": 2.0, "mean_band": 0.1, "trend_band_per_s": 0.1, "window_s": 10.0, "within_s": 60.0}
    for name, value, says in (
        ("around", math.nan, "positive bands"),
        ("mean_band", 0.0, "positive bands"),
        ("trend_band_per_s", math.inf, "positive bands"),
        ("window_s", -1.0, "positive bands"),
        ("within_s", 5.0, "cannot settle over 10 s within 5 s"),
    ):
        with pytest.raises(ValueError, match=says):
            Settled(channel="shaft_torque", **{**numbers, name: value})
    for given_degc, says in (
        ({}, "either"),
        ({"below_degc": 1.0, "above_degc": 2.0}, "either"),
        ({"below_degc": math.nan}, "finite"),
    ):
        with pytest.raises(ValueError, match=says):
            Temperature(channel="winding_temperature", within_s=1.0, **given_degc)
    with pytest.raises(ValueError, match="time limit"):
        Temperature(channel="winding_temperature", below_degc=1.0, within_s=0.0)
