"""Loops closed by the regulators at 100 and 200 Hz beside python-control 0.10.2 and its numbers.

The plants are held from tick to tick by the matrix exponential, written here. The numbers are computed with
python-control 0.10.2; those of the DC motor are from the Control Tutorials for MATLAB and Simulink, University of
Michigan (example "DC motor speed"), as far as they state them. SIMC's margins are from memory: S. Skogestad, J. Process
Control 13 (2003).
"""

import importlib.util
import math
import warnings
from typing import Any

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.optimize import brentq

from benchd.rules.regulator import Regulator, started, step
from benchd.rules.regulator_gains import Bounds, Gains, Schedule
from benchd.rules.regulator_tuning import (
    Plant,
    Tuning,
    by_lambda,
    by_magnitude_optimum,
    by_simc,
    by_symmetrical_optimum,
)

SMALL_S = 0.5  # T, the sum of the small time constants
LAGGING = Plant(gain=2.0, lag_s=4.0, small_s=SMALL_S)
INTEGRATING = Plant(gain=2.0, lag_s=4.0, small_s=SMALL_S, integrates=True)
TICKS_S = (0.01, 0.005)

# overshoot, first reach in T, settling to 2 % in T, phase margin in degrees (python-control 0.10.2)
MAGNITUDE = (0.04321, 4.712, 8.432, 65.53)
SYMMETRICAL = (0.43410, 3.089, 16.551, 36.87)  # the margin: atan(3/4), closed form
SYMMETRICAL_PREFILTERED = (0.08147, 7.558, 13.275, 36.87)
# J 0.01 kg·m², b 0.1 N·m·s, K 0.01, R 1 Ω, L 0.5 H [Control Tutorials]; overshoot and end with a gain of 100 (computed)
DC_MOTOR = ([0.01], [0.005, 0.06, 0.1001])
DC_MOTOR_AT_100 = (0.24919, 0.909008)

RULES = [
    pytest.param(by_magnitude_optimum(LAGGING), LAGGING, MAGNITUDE, id="magnitude-optimum"),
    pytest.param(
        by_symmetrical_optimum(INTEGRATING, prefilter=False), INTEGRATING, SYMMETRICAL, id="symmetrical-optimum"
    ),
    pytest.param(by_symmetrical_optimum(INTEGRATING), INTEGRATING, SYMMETRICAL_PREFILTERED, id="with-prefilter"),
]


def fractions(plant: Plant) -> tuple[list[float], list[float]]:
    slow = [plant.lag_s, 0.0 if plant.integrates else 1.0]
    return [plant.gain], list(np.polymul(slow, [plant.small_s, 1.0]))


class Held:
    """A second-order plant whose input is held from tick to tick: x' = Ax + Bu by the matrix exponential of both."""

    def __init__(self, numerator: list[float], denominator: list[float], tick_s: float, *, late_ticks: int = 0) -> None:
        first, second, third = denominator
        whole = np.zeros((3, 3))
        whole[0, 1] = 1.0
        whole[1] = [-third / first, -second / first, 1.0]
        moved = expm(whole * tick_s)
        self.moves, self.takes = moved[:2, :2], moved[:2, 2]
        self.state = np.zeros(2)
        self.out = np.array([numerator[0] / first, 0.0])
        self.on_the_way = [0.0] * late_ticks

    def advance(self, value: float) -> float:
        self.on_the_way.append(value)
        self.state = self.moves @ self.state + self.takes * self.on_the_way.pop(0)
        return float(self.out @ self.state)

    def response(self, rad_s: float, tick_s: float) -> complex:
        turned = np.exp(1j * rad_s * tick_s)
        return complex(self.out @ np.linalg.solve(turned * np.eye(2) - self.moves, self.takes))


def regulator(gains: Gains, weight: float) -> Regulator:
    return Regulator(
        schedule=Schedule(((0.0, gains),)),
        bounds=Bounds(low=-1e6, high=1e6),
        weight=weight,
        anti_windup_s=1.0,
        blind_s=1.0,
    )


def step_response(gains: Gains, weight: float, plant: Held, tick_s: float, lasts_s: float) -> np.ndarray:
    """What is held at each tick after its set-point went from 0 to 1."""
    ours = regulator(gains, weight)
    state, seen, course = started(ours, output=0.0, measured=0.0), 0.0, []
    for _ in range(round(lasts_s / tick_s) + 1):
        course.append(seen)
        state = step(ours, state, dt_s=tick_s, set_point=1.0, measured=seen)
        seen = plant.advance(state.output)
    return np.array(course)


def measured_response(gains: Gains, rad_s: float, tick_s: float) -> complex:
    """What the regulator makes of a sine in its error, by least squares over whole and broken periods."""
    ours = regulator(gains, 1.0)
    state, times, outputs = started(ours, output=0.0, measured=0.0), [], []
    for tick in range(1, round(4.0 * math.pi / rad_s / tick_s)):
        state = step(ours, state, dt_s=tick_s, set_point=math.sin(rad_s * tick * tick_s), measured=0.0)
        times.append(tick * tick_s)
        outputs.append(state.output)
    angle = rad_s * np.array(times)
    sines = np.column_stack([np.sin(angle), np.cos(angle), np.ones_like(angle)])
    in_phase, ahead, _ = np.linalg.lstsq(sines, np.array(outputs))[0]
    return complex(in_phase, ahead)


def measured_margin_deg(gains: Gains, plant: Held, tick_s: float, near_rad_s: float) -> float:
    def loop(rad_s: float) -> complex:
        return measured_response(gains, rad_s, tick_s) * plant.response(rad_s, tick_s)

    at = brentq(lambda rad_s: abs(loop(rad_s)) - 1.0, 0.8 * near_rad_s, 1.25 * near_rad_s, rtol=1e-4)
    return 180.0 + math.degrees(np.angle(loop(float(at))))


def settled_s(course: np.ndarray, tick_s: float) -> float:
    return float(np.flatnonzero(np.abs(course - 1.0) > 0.02)[-1] + 1) * tick_s


def reference() -> Any:
    if importlib.util.find_spec("control") is None:
        pytest.skip("python-control (the extra 'reference') is not installed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # raised by its imports
        import control  # noqa: PLC0415  (optional)
    return control


@pytest.mark.parametrize("tick_s", TICKS_S)
@pytest.mark.parametrize(("tuning", "plant", "expected"), RULES)
def test_a_loop_at_ticks_overshoots_and_settles_as_published(
    tuning: Tuning, plant: Plant, expected: tuple[float, ...], tick_s: float
) -> None:
    overshoot, reach, settling, _ = expected
    course = step_response(tuning.gains, tuning.weight, Held(*fractions(plant), tick_s), tick_s, 12.0)
    assert course.max() - 1.0 == pytest.approx(overshoot, abs=0.01)
    assert np.argmax(course >= 1.0) * tick_s / SMALL_S == pytest.approx(reach, rel=0.01, abs=2 * tick_s / SMALL_S)
    assert settled_s(course, tick_s) / SMALL_S == pytest.approx(settling, rel=0.01, abs=2 * tick_s / SMALL_S)


@pytest.mark.parametrize(("tuning", "plant", "expected"), RULES)
def test_with_shorter_ticks_it_comes_to_the_published_overshoot(
    tuning: Tuning, plant: Plant, expected: tuple[float, ...]
) -> None:
    course = step_response(tuning.gains, tuning.weight, Held(*fractions(plant), 5e-4), 5e-4, 8.0)
    assert course.max() - 1.0 == pytest.approx(expected[0], rel=0.01)
    coarse = step_response(tuning.gains, tuning.weight, Held(*fractions(plant), 1e-3), 1e-3, 8.0)
    assert 2.0 * course.max() - coarse.max() - 1.0 == pytest.approx(expected[0], abs=3e-5)


@pytest.mark.parametrize(("tuning", "plant", "expected"), RULES)
def test_what_is_predicted_is_what_is_published(tuning: Tuning, plant: Plant, expected: tuple[float, ...]) -> None:
    overshoot, _, settling, margin_deg = expected
    assert tuning.overshoot_ratio == pytest.approx(overshoot, abs=5e-6)
    assert tuning.settling_s == pytest.approx(settling * SMALL_S)
    assert tuning.phase_margin_deg == pytest.approx(margin_deg, abs=5e-3)


@pytest.mark.parametrize("tick_s", TICKS_S)
@pytest.mark.parametrize(("tuning", "plant", "expected"), RULES)
def test_a_loop_at_ticks_follows_python_control(
    tuning: Tuning, plant: Plant, expected: tuple[float, ...], tick_s: float
) -> None:
    control = reference()
    course = step_response(tuning.gains, tuning.weight, Held(*fractions(plant), tick_s), tick_s, 12.0)
    gains, times_s = tuning.gains, np.arange(len(course)) * tick_s
    motor = control.tf(*fractions(plant))
    ours = control.tf([gains.proportional, gains.integral_per_s], [1.0, 0.0])
    prefilter = control.tf([1.0], [(1.0 - tuning.weight) * gains.proportional / gains.integral_per_s, 1.0])
    steady = control.step_response(prefilter * control.feedback(ours * motor), times_s).outputs
    assert course == pytest.approx(steady, abs=0.01)

    held = control.sample_system(motor, tick_s, method="zoh")
    summed = control.tf([0.5 * tick_s, 0.5 * tick_s], [1.0, -1.0], tick_s)
    if tuning.weight == 1.0:  # the same thing in z, whose trapezoids the regulator has to be
        sampled = control.feedback((gains.proportional + gains.integral_per_s * summed) * held)
        assert course == pytest.approx(control.step_response(sampled, times_s).outputs, abs=1e-6)


@pytest.mark.parametrize("tick_s", TICKS_S)
@pytest.mark.parametrize(("tuning", "plant", "expected"), RULES)
def test_the_margin_of_a_loop_at_ticks_is_python_controls(
    tuning: Tuning, plant: Plant, expected: tuple[float, ...], tick_s: float
) -> None:
    control = reference()
    ours = control.tf([tuning.gains.proportional, tuning.gains.integral_per_s], [1.0, 0.0])
    _, there_deg, _, crossing = control.margin(ours * control.tf(*fractions(plant)))
    assert there_deg == pytest.approx(expected[3], abs=5e-3)
    here_deg = measured_margin_deg(tuning.gains, Held(*fractions(plant), tick_s), tick_s, crossing)
    assert here_deg == pytest.approx(there_deg, abs=1.0)
    # and what the tick costs is what the tuning says it does
    assert plant.on_ticks(tick_s).dead_s == 0.5 * tick_s
    assert here_deg == pytest.approx(there_deg - math.degrees(crossing * 0.5 * tick_s), abs=0.02)


def test_a_dc_motor_under_a_gain_of_100_overshoots_and_ends_as_published() -> None:
    courses = [
        step_response(Gains(proportional=100.0, integral_per_s=0.0), 1.0, Held(*DC_MOTOR, tick_s), tick_s, 3.0)
        for tick_s in (2e-4, 4e-4)
    ]
    fine, coarse = (course.max() / course[-1] - 1.0 for course in courses)
    assert courses[0][-1] == pytest.approx(DC_MOTOR_AT_100[1], abs=1e-6)
    assert fine == pytest.approx(DC_MOTOR_AT_100[0], rel=0.01)
    assert 2.0 * fine - coarse == pytest.approx(DC_MOTOR_AT_100[0], abs=1e-4)


@pytest.mark.parametrize("tick_s", TICKS_S)
def test_the_dc_motor_at_ticks_follows_python_control(tick_s: float) -> None:
    control = reference()
    course = step_response(Gains(proportional=100.0, integral_per_s=0.0), 1.0, Held(*DC_MOTOR, tick_s), tick_s, 3.0)
    sampled = control.feedback(100.0 * control.sample_system(control.tf(*DC_MOTOR), tick_s, method="zoh"))
    there = control.step_response(sampled, np.arange(len(course)) * tick_s).outputs
    assert course == pytest.approx(there, abs=1e-6)
    assert course[-1] == pytest.approx(DC_MOTOR_AT_100[1], abs=1e-5)


def test_lambda_and_simc_are_their_published_formulas() -> None:
    plant = Plant(gain=2.0, lag_s=4.0, dead_s=0.3)
    gains = by_lambda(plant, closed_s=0.9).gains
    assert (gains.proportional, gains.proportional / gains.integral_per_s) == pytest.approx((4.0 / (2.0 * 1.2), 4.0))
    gains = by_simc(plant).gains  # 4·(τc + θ) = 2.4 s is the shorter
    assert (gains.proportional, gains.proportional / gains.integral_per_s) == pytest.approx((4.0 / (2.0 * 0.6), 2.4))
    gains = by_simc(plant, closed_s=1.0).gains  # now the lag is
    assert (gains.proportional, gains.proportional / gains.integral_per_s) == pytest.approx((4.0 / (2.0 * 1.3), 4.0))


def test_simc_on_lag_and_dead_time_has_its_published_margin() -> None:
    """61.4° for a first-order lag with dead time, 46.9° for an integrator with dead time (from memory)."""
    assert by_simc(Plant(gain=0.5, lag_s=2.0, dead_s=0.5)).phase_margin_deg == pytest.approx(61.4, abs=0.06)
    whole = by_simc(Plant(gain=0.5, lag_s=2.0, dead_s=0.5, integrates=True)).phase_margin_deg
    assert whole == pytest.approx(46.9, abs=0.06)


@pytest.mark.parametrize("tick_s", TICKS_S)
def test_simc_with_dead_time_at_ticks_overshoots_as_predicted(tick_s: float) -> None:
    tuning = by_simc(Plant(gain=0.5, lag_s=2.0, dead_s=0.5).on_ticks(tick_s))
    quick = Plant(gain=0.5, lag_s=2.0, small_s=1e-4)
    late = Held(*fractions(quick), tick_s, late_ticks=round(0.5 / tick_s))
    course = step_response(tuning.gains, tuning.weight, late, tick_s, 8.0)
    assert tuning.overshoot_ratio == pytest.approx(0.0405, abs=5e-4)
    assert course.max() - 1.0 == pytest.approx(tuning.overshoot_ratio, abs=1e-3)
