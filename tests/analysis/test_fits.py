"""Least squares and local lines."""

import numpy as np
import pytest

from benchd.analysis.fits import least_squares, levels_near, local_line, straight_line


def test_many_fits_at_once_are_each_the_fit_alone():
    rng = np.random.default_rng(1)
    columns = rng.uniform(1.0, 500.0, (7, 12, 3)) * np.array([1.0, 0.01, 1e-3])
    y = rng.standard_normal((7, 12))
    together = least_squares(columns, y)
    for one in range(7):
        alone = np.linalg.lstsq(columns[one], y[one], rcond=None)[0]
        assert together[one] == pytest.approx(alone, rel=1e-8)


def test_up_and_down_visits_of_a_level_are_one_level():
    torque = np.array([0.1, 0.2, 0.3, 0.301, 0.199, 0.101])
    assert levels_near(torque, 0.25).tolist() == [1, 2, 3, 4]
    assert levels_near(torque, 0.305).tolist() == [1, 2, 3, 4]


def test_a_target_beyond_the_points_has_no_local_line():
    torque = np.array([0.1, 0.2, 0.3])
    assert levels_near(torque, 0.33) is None
    assert levels_near(torque, 0.05) is None
    assert levels_near(np.array([0.2, 0.2001]), 0.2) is not None
    assert levels_near(np.array([0.2]), 0.2) is None
    assert levels_near(np.zeros(0), 0.2) is None


def test_a_local_line_passes_between_the_branches():
    x = np.array([[1.0, 2.0, 2.0, 1.0]])
    y = np.array([[10.0, 20.0, 22.0, 12.0]])
    assert local_line(x, y, 1.5)[0] == pytest.approx(16.0)


def test_a_line_through_two_points_has_no_uncertainty_and_is_refused():
    with pytest.raises(ValueError, match="at least 3 points"):
        straight_line(np.array([0.0, 1.0]), np.array([0.0, 1.0]))
