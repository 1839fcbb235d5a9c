import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.profiles import Moving, advanced

VALUES = st.floats(-1e3, 1e3)
LIMITS = st.floats(1e-2, 1e3)
TIMES_S = st.floats(0.0, 2.0)


@given(VALUES, st.lists(st.tuples(VALUES, TIMES_S), min_size=1, max_size=20), LIMITS, LIMITS)
def test_a_set_point_never_moves_faster_or_more_suddenly_than_it_may_nor_leaves_what_its_targets_span(
    value: float, course: list[tuple[float, float]], rate: float, acceleration: float
) -> None:
    now = Moving(value)
    reached = [value, *(target for target, _ in course)]
    for target, dt_s in course:
        after = advanced(now, target, rate_per_s=rate, acceleration_per_s2=acceleration, dt_s=dt_s)
        assert abs(after.slope_per_s) <= rate * (1 + 1e-9)
        assert abs(after.slope_per_s - now.slope_per_s) <= acceleration * dt_s * (1 + 1e-6) + 1e-5
        assert min(reached) - 1e-6 <= after.value <= max(reached) + 1e-6
        now = after


@given(VALUES, VALUES, st.floats(-1.5, 1.5), LIMITS, LIMITS, st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8))
def test_one_long_step_and_many_short_ones_agree(
    value: float, target: float, of_rate: float, rate: float, acceleration: float, times_s: list[float]
) -> None:
    short = Moving(value, of_rate * rate)
    long = advanced(short, target, rate_per_s=rate, acceleration_per_s2=acceleration, dt_s=sum(times_s))
    for dt_s in times_s:
        short = advanced(short, target, rate_per_s=rate, acceleration_per_s2=acceleration, dt_s=dt_s)
    assert short.value == pytest.approx(long.value, rel=1e-9, abs=1e-7)
    assert short.slope_per_s == pytest.approx(long.slope_per_s, rel=1e-6, abs=1e-3)


def test_its_way_is_the_one_of_small_steps_with_full_acceleration_cruise_and_braking() -> None:
    """From 0 to 100 with 20 per s and 10 per s²: 2 s gaining, 3 s cruising, 2 s braking (by hand)."""
    limits = {"rate_per_s": 20.0, "acceleration_per_s2": 10.0}
    for time_s, value, slope in ((1.0, 5.0, 10.0), (2.0, 20.0, 20.0), (3.5, 50.0, 20.0), (6.0, 95.0, 10.0)):
        now = advanced(Moving(0.0), 100.0, dt_s=time_s, **limits)
        assert (now.value, now.slope_per_s) == pytest.approx((value, slope))
        back = advanced(Moving(0.0), -100.0, dt_s=time_s, **limits)
        assert (back.value, back.slope_per_s) == pytest.approx((-value, -slope))
    assert advanced(Moving(0.0), 100.0, dt_s=6.999, **limits) != Moving(100.0)
    assert advanced(Moving(0.0), 100.0, dt_s=7.001, **limits) == Moving(100.0)


def test_a_way_too_short_for_full_rate_turns_at_half() -> None:
    """10 with 10 per s²: 1 s up to 10 per s, 1 s down (by hand)."""
    half = advanced(Moving(0.0), 10.0, rate_per_s=20.0, acceleration_per_s2=10.0, dt_s=1.0)
    assert (half.value, half.slope_per_s) == pytest.approx((5.0, 10.0))
    assert advanced(half, 10.0, rate_per_s=20.0, acceleration_per_s2=10.0, dt_s=1.001) == Moving(10.0)


def test_a_target_that_jumps_behind_it_is_overrun_by_what_stopping_takes_and_reached() -> None:
    at_once = advanced(Moving(50.0, 20.0), 50.0, rate_per_s=20.0, acceleration_per_s2=10.0, dt_s=2.0)
    assert (at_once.value, at_once.slope_per_s) == pytest.approx((70.0, 0.0))  # 20²/(2·10)
    now, highest = Moving(50.0, 20.0), 50.0
    for _ in range(1000):
        now = advanced(now, 50.0, rate_per_s=20.0, acceleration_per_s2=10.0, dt_s=0.01)
        highest = max(highest, now.value)
    assert highest == pytest.approx(70.0, abs=1e-6)
    assert now == Moving(50.0)


def test_a_rate_that_was_narrowed_meanwhile_is_reached_by_braking() -> None:
    fast = Moving(0.0, 20.0)
    slopes = [
        advanced(fast, 1000.0, rate_per_s=5.0, acceleration_per_s2=10.0, dt_s=0.1 * tick).slope_per_s
        for tick in range(30)
    ]
    assert slopes[:16] == pytest.approx([20.0 - tick for tick in range(16)])
    assert slopes[16:] == pytest.approx([5.0] * 14)


def test_without_a_limit_of_acceleration_it_is_a_ramp_and_without_both_it_jumps() -> None:
    ramp = advanced(Moving(0.0), -100.0, rate_per_s=20.0, acceleration_per_s2=math.inf, dt_s=2.0)
    assert ramp.value == pytest.approx(-40.0)
    assert advanced(ramp, -100.0, rate_per_s=20.0, acceleration_per_s2=math.inf, dt_s=3.0) == Moving(-100.0)
    for dt_s in (0.0, 1.0):
        assert advanced(ramp, 7.0, rate_per_s=math.inf, acceleration_per_s2=math.inf, dt_s=dt_s) == Moving(7.0)


def test_no_rate_limit_leaves_acceleration_alone_to_bound_it() -> None:
    courses = [
        advanced(Moving(0.0), 1000.0, rate_per_s=math.inf, acceleration_per_s2=10.0, dt_s=0.5 * tick).value
        for tick in range(40)
    ]
    bends = [
        before - 2.0 * here + after for before, here, after in zip(courses, courses[1:], courses[2:], strict=False)
    ]
    assert all(abs(bend) <= 10.0 * 0.25 * (1 + 1e-9) for bend in bends)
    assert all(before < after for before, after in itertools.pairwise(courses))


@pytest.mark.parametrize(
    ("rate", "acceleration", "dt_s"),
    [(0.0, 1.0, 0.1), (1.0, 0.0, 0.1), (math.nan, 1.0, 0.1), (1.0, 1.0, -0.1), (1.0, 1.0, math.nan)],
)
def test_limits_and_times_that_make_no_sense_are_refused(rate: float, acceleration: float, dt_s: float) -> None:
    with pytest.raises(ValueError, match="must"):
        advanced(Moving(0.0), 1.0, rate_per_s=rate, acceleration_per_s2=acceleration, dt_s=dt_s)
