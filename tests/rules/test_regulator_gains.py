import math

import pytest

from benchd.rules.regulator_gains import Bounds, Gains, Schedule


def test_gains_go_by_the_magnitude_of_speed_in_straight_lines_and_no_further() -> None:
    low, high = Gains(proportional=1.0, integral_per_s=2.0), Gains(proportional=3.0, integral_per_s=8.0)
    schedule = Schedule(((100.0, low), (200.0, high)))
    for speed_rad_s, proportional, integral in (
        (0.0, 1.0, 2.0),
        (100.0, 1.0, 2.0),
        (150.0, 2.0, 5.0),
        (-175.0, 2.5, 6.5),
        (200.0, 3.0, 8.0),
        (-9e3, 3.0, 8.0),
    ):
        found = schedule.at(speed_rad_s)
        assert (found.proportional, found.integral_per_s) == pytest.approx((proportional, integral))


def test_what_cannot_regulate_is_refused_in_a_sentence() -> None:
    gains = Gains(proportional=1.0, integral_per_s=1.0)
    for wrong in ((1.0, -1.0, 0.0), (math.nan, 1.0, 0.0), (1.0, 1.0, -0.1)):
        with pytest.raises(ValueError, match="gains"):
            Gains(proportional=wrong[0], integral_per_s=wrong[1], derivative_s=wrong[2])
    falling = Gains(proportional=-1.0, integral_per_s=-1.0)
    for points in (
        (),
        ((-1.0, gains),),
        ((1.0, gains), (1.0, gains)),
        ((math.inf, gains),),
        ((0.0, gains), (1.0, falling)),
    ):
        with pytest.raises(ValueError, match="gain schedule"):
            Schedule(points)
    for low, high in ((1.0, 0.0), (-math.inf, 0.0), (0.0, math.nan)):
        with pytest.raises(ValueError, match="Bounds"):
            Bounds(low=low, high=high)
