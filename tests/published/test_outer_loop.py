"""An outer loop with its reference led through the identified plant, beside python-control 0.10.2.

A set-point r goes to the plant P at once, and a trim C·(M·r − y) with it, where M is the plant as it was identified:
y/r = P·(1 + C·M)/(1 + C·P), closed form. What differs between P and M is what the loop has to mend. Tunings by
magnitude optimum, whose numbers are in `test_regulator_tunings`.
"""

import numpy as np
import pytest
from scipy.linalg import expm

from benchd.rules.expected import Expected
from benchd.rules.regulator import started, step
from benchd.rules.regulator_tuning import Plant, by_magnitude_optimum

from .test_regulator_tunings import reference, regulator

TICK_S = 0.001
SMALL_S = 0.04
IDENTIFIED = Plant(gain=1.0, lag_s=0.0, small_s=SMALL_S)


class Lag:
    """gain/(1 + s·lag), its input held from tick to tick."""

    def __init__(self, gain: float, lag_s: float) -> None:
        self._gain, self._stays = gain, float(expm(np.array([[-TICK_S / lag_s]]))[0, 0])
        self.shows = 0.0

    def advance(self, value: float) -> float:
        self.shows = self._stays * self.shows + (1.0 - self._stays) * self._gain * value
        return self.shows


def course(gain: float, lag_s: float, *, lasts_s: float) -> np.ndarray:
    tuning = by_magnitude_optimum(IDENTIFIED)
    ours, plant = regulator(tuning.gains, tuning.weight), Lag(gain, lag_s)
    expected = Expected(IDENTIFIED, 0.0, time_s=0.0)
    state, seen, found = started(ours, output=0.0, measured=0.0), 0.0, []
    for tick in range(round(lasts_s / TICK_S) + 1):
        found.append(seen)
        time_s = tick * TICK_S
        expected.ask(1.0, time_s=time_s)
        state = step(ours, state, dt_s=TICK_S, set_point=expected.at(time_s), measured=seen)
        seen = plant.advance(1.0 + state.output)
    return np.array(found)


@pytest.mark.parametrize(("gain", "lag_s"), [(0.9, SMALL_S), (1.08, SMALL_S), (1.0, 0.06), (0.95, 0.025)])
def test_the_loop_goes_as_python_control_has_it(gain: float, lag_s: float) -> None:
    control = reference()
    tuning = by_magnitude_optimum(IDENTIFIED)
    plant, identified = control.tf([gain], [lag_s, 1.0]), control.tf([1.0], [SMALL_S, 1.0])
    integral = control.tf([tuning.gains.integral_per_s], [1.0, 0.0])
    closed = control.minreal(plant * (1 + integral * identified) / (1 + integral * plant), verbose=False)
    times = np.arange(0.0, 1.0, TICK_S)
    reference_course = control.forced_response(closed, times, np.ones_like(times)).outputs
    assert course(gain, lag_s, lasts_s=1.0)[: times.size] == pytest.approx(reference_course, abs=0.01)


def test_a_plant_that_is_known_is_as_quick_as_it_is_alone() -> None:
    times = np.arange(0.0, 0.5, TICK_S)
    alone = 1.0 - np.exp(-times / SMALL_S)
    assert course(1.0, SMALL_S, lasts_s=0.5)[: times.size] == pytest.approx(alone, abs=0.01)


def test_a_plant_that_is_not_what_it_was_ends_at_the_set_point_all_the_same() -> None:
    assert course(0.8, 0.07, lasts_s=2.0)[-1] == pytest.approx(1.0, abs=1e-3)
