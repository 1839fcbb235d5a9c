"""Which curves are drawn: what changed, of what the kind of test is about."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from benchd.report.curves import MOST_PANELS, curves, flat
from benchd.report.findings import TestFound
from benchd.report.findings import tests_of as found_tests  # pytest would take tests_of for a test
from benchd.report.scales import scale

from .made_up import KINDS, description, results


def made_up(kind: str, **changed: Any) -> TestFound:
    whole = results()
    whole["tests"][kind] |= changed
    return found_tests(whole, description(), [])[KINDS.index(kind)]


def titles(test: TestFound) -> Sequence[str]:
    drawn = curves(test)
    return [] if drawn is None else [panel["title"] for panel in drawn[0]["panels"]]


@pytest.mark.parametrize("kind", ["winding_resistance", "torque_zero", "rated_point"])
def test_points_that_lie_on_no_curve_have_no_picture(kind: str) -> None:
    test = made_up(kind)
    assert curves(made_up("load")) is not None
    many = [*test.points, *test.points, *test.points]
    assert curves(TestFound(**{name: getattr(test, name) for name in test.__slots__} | {"points": many})) is None


def test_a_load_test_at_one_speed_shows_efficiency_first_and_no_speed() -> None:
    assert titles(made_up("load")) == ["Efficiency", "Power in W", "Losses in W", "Current in A", "Power factor"]


def test_a_load_test_whose_speed_falls_shows_it_first() -> None:
    points = results()["tests"]["load"]["points"]
    for number, point in enumerate(points):
        point["values"]["speed"]["value"] = 3000.0 - 40.0 * number
    found = titles(made_up("load", points=points))
    assert found[:2] == ["Speed in r/min", "Efficiency"]
    assert len(found) == MOST_PANELS


def test_a_back_emf_test_shows_the_fundamental_alone() -> None:
    assert titles(made_up("back_emf")) == ["Voltage between lines, fundamental in V"]


def test_what_differs_by_chance_alone_is_flat() -> None:
    """Two readings of one value differ by 2·√2·u with a probability of about 5 % only."""
    u = np.full(4, 0.3)
    assert flat(np.array([3000.0, 3000.2, 2999.8, np.nan]), u)
    assert not flat(np.array([3000.0, 3001.0, 2999.8, np.nan]), u)
    assert flat(np.full(4, 48.0), np.zeros(4))


def test_every_panel_has_two_numbers_at_its_axis_at_least() -> None:
    for low, high in ((0.0, 1.0), (1.02, 1.97), (999.0, 1011.0), (-3.0, 3.3), (0.104, 0.1234)):
        for most in (1, 2, 3, 4):
            ticks = scale(low, high, most=most).ticks
            assert len(ticks) >= 2, (low, high, most)
