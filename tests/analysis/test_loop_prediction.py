"""Predicted step responses against python-control, closed forms and published overshoots."""

import math

import control
import numpy as np
import pytest

from benchd.analysis.loop_prediction import step_response
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_gains import Bounds, Gains, Schedule
from benchd.rules.regulator_tuning import MAGNITUDE_OVERSHOOT, Plant, by_magnitude_optimum, delayed_overshoot


def regulator(gains: Gains) -> Regulator:
    return Regulator(
        schedule=Schedule(points=((0.0, gains),)), bounds=Bounds(low=-1.0, high=1.0), anti_windup_s=1.0, blind_s=1.0
    )


@pytest.mark.parametrize(
    "plant",
    [
        Plant(gain=2.0, lag_s=0.0, small_s=0.05),
        Plant(gain=0.5, lag_s=0.4, small_s=0.05),
        Plant(gain=1.0, lag_s=0.05, small_s=0.05),
    ],
)
def test_without_dead_time_it_is_python_controls_continuous_loop_for_short_ticks(plant: Plant) -> None:
    gains = by_magnitude_optimum(plant).gains
    tick_s = 2e-4
    predicted = step_response(regulator(gains), plant, tick_s=tick_s, within_s=1.0)
    system = control.tf([plant.gain], [plant.small_s, 1.0])
    if plant.lag_s:
        system *= control.tf([1.0], [plant.lag_s, 1.0])
    closed = control.feedback(control.tf([gains.proportional, gains.integral_per_s], [1.0, 0.0]) * system, 1)
    answer = control.step_response(closed, np.array(predicted.time_s)).outputs
    assert np.max(np.abs(answer - np.array(predicted.value))) < 0.004
    if plant.lag_s != plant.small_s:
        assert predicted.overshoot_ratio == pytest.approx(MAGNITUDE_OVERSHOOT, abs=0.002)


def test_a_mere_dead_time_overshoots_as_its_series_says() -> None:
    plant = Plant(gain=1.0, lag_s=0.0, dead_s=0.1)
    predicted = step_response(regulator(by_magnitude_optimum(plant).gains), plant, tick_s=2e-4, within_s=3.0)
    assert predicted.overshoot_ratio == pytest.approx(delayed_overshoot(0.5), abs=0.003)
    assert predicted.settling_s is not None


def test_a_dead_time_between_ticks_is_in_between() -> None:
    gains = Gains(proportional=0.0, integral_per_s=3.0)
    at = {
        dead_s: np.array(
            step_response(
                regulator(gains), Plant(gain=1.0, lag_s=0.0, small_s=0.02, dead_s=dead_s), tick_s=0.01, within_s=0.5
            ).value
        )
        for dead_s in (0.02, 0.025, 0.03)
    }
    assert np.all(at[0.02][5:20] > at[0.025][5:20])
    assert np.all(at[0.025][5:20] > at[0.03][5:20])


def test_a_loop_that_swings_up_never_settles() -> None:
    plant = Plant(gain=1.0, lag_s=0.0, dead_s=0.1)
    gains = Gains(proportional=0.0, integral_per_s=0.6 * math.pi / 0.1)
    assert step_response(regulator(gains), plant, tick_s=0.01, within_s=2.0).settling_s is None
