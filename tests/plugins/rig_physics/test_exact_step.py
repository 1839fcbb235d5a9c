"""The exact step against scipy's matrix exponential and a plain integration."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from benchd_rig.exact_step import exponential, held_input_step


@pytest.mark.parametrize("scale", [1e-9, 1e-3, 1.0, 30.0])
def test_the_exponential_agrees_with_scipy(scale: float) -> None:
    matrix = scale * np.random.default_rng(1).standard_normal((7, 7))
    expected = expm(matrix)
    assert exponential(matrix) == pytest.approx(expected, rel=1e-9, abs=1e-11 * np.abs(expected).max())


def test_the_exponential_of_nothing_is_the_identity() -> None:
    assert exponential(np.zeros((3, 3))) == pytest.approx(np.eye(3), abs=0.0)


def test_a_held_input_moves_states_and_integrals_as_a_plain_integration_does() -> None:
    state = np.array([[-2.0, -30.0], [40.0, -0.5]])
    push = np.array([[1.0, 0.0], [0.0, 3.0]])
    start, held = np.array([0.3, -0.7]), np.array([5.0, -2.0])
    step = held_input_step(state, push, integrals_of=(1,), step_s=0.05)
    got = step @ np.concatenate([start, held])

    def slope(_: float, x: np.ndarray) -> np.ndarray:
        return np.append(state @ x[:2] + push @ held, x[1])

    expected = solve_ivp(slope, (0.0, 0.05), np.append(start, 0.0), rtol=1e-11, atol=1e-12).y[:, -1]
    assert got == pytest.approx(expected, abs=1e-9)
