"""What a plant shows of a moving set-point, against scipy's linear systems."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from benchd.rules.expected import Expected
from benchd.rules.regulator_tuning import Plant

TICK_S = 0.01


def shown(plant: Plant, asked: list[float], *, begins: float = 0.0) -> list[float]:
    expected = Expected(plant, begins, time_s=0.0)
    found = []
    for number, value in enumerate(asked, start=1):
        expected.ask(value, time_s=number * TICK_S)
        found.append(expected.at(number * TICK_S))
    return found


@pytest.mark.parametrize(
    "plant",
    [
        Plant(gain=1.0, lag_s=0.0, small_s=0.02),
        Plant(gain=3.0, lag_s=0.15, small_s=0.02),
        Plant(gain=-2.0, lag_s=0.3),
        Plant(gain=1.0, lag_s=0.0, small_s=0.005, dead_s=0.05),
        Plant(gain=1.0, lag_s=0.1, small_s=0.03, dead_s=0.03),
    ],
)
def test_it_is_what_scipy_simulates_of_the_lags(plant: Plant) -> None:
    rng = np.random.default_rng(7)
    asked = np.concatenate([[0.0], np.repeat(rng.normal(size=12), 15)])
    times = TICK_S * np.arange(asked.size)
    shifted = np.interp(times - plant.dead_s, times, asked)
    poles = np.polymul([plant.lag_s, 1.0], [plant.small_s, 1.0])
    _, exact, _ = signal.lsim(signal.lti([1.0], np.trim_zeros(poles, "f")), shifted, times, interp=True)
    assert shown(plant, asked[1:].tolist()) == pytest.approx(exact[1:].tolist(), abs=1e-9)


def test_without_lag_it_is_the_set_point_itself() -> None:
    assert shown(Plant(gain=1.0, lag_s=0.0), [1.0, 2.0, -3.0]) == [1.0, 2.0, -3.0]


def test_a_plant_that_integrates_is_not_led_through_its_lag() -> None:
    plant = Plant(gain=1.0, lag_s=4.0, integrates=True)
    assert shown(plant, [1.0, 2.0]) == [1.0, 2.0]


def test_one_long_look_is_many_short_ones() -> None:
    plant = Plant(gain=1.0, lag_s=0.2, small_s=0.05)
    short, long = Expected(plant, 0.0, time_s=0.0), Expected(plant, 0.0, time_s=0.0)
    for number in range(1, 101):
        short.ask(number * TICK_S, time_s=number * TICK_S)
        last = short.at(number * TICK_S)
    long.ask(1.0, time_s=1.0)
    assert long.at(1.0) == pytest.approx(last, rel=1e-9)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50), st.floats(0.0, 0.2), st.floats(0.0, 1.0))
def test_it_never_leaves_what_was_asked_for(asked: list[float], dead_s: float, lag_s: float) -> None:
    plant = Plant(gain=1.0, lag_s=lag_s, small_s=0.5 * lag_s, dead_s=dead_s)
    most = max(map(abs, asked))
    assert all(abs(value) <= most * (1.0 + 1e-9) + 1e-300 for value in shown(plant, asked))


def test_a_look_back_changes_nothing() -> None:
    expected = Expected(Plant(gain=1.0, lag_s=0.1), 0.0, time_s=0.0)
    expected.ask(1.0, time_s=0.1)
    now = expected.at(0.1)
    assert expected.at(0.05) == now
