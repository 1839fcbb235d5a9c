"""Courses against closed forms by hand, an independent interpolation, and differences taken from their own values."""

import itertools
import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from benchd.rules.course_conditions import Condition, Temperature
from benchd.rules.course_pieces import Between, Linear, Piece, Sine, SShaped, Staircase, Table
from benchd.rules.course_segments import ACCELERATION, SLOPE, VALUE, greatest
from benchd.rules.courses import Course
from benchd.rules.demand import Demanded
from benchd.rules.moves import Ask

VALUES = st.integers(-7000, 7000).map(lambda number: number / 7.0)
LIMITS = st.floats(0.1, 1e3)
COOL = Temperature(channel="winding_temperature", below_degc=40.0, within_s=600.0)
READY = Ask(text="Is the hood closed?", answers=("yes", "no"), ending=("no",), within_s=60.0)


def course(*parts: Piece | Condition, repeated: int = 1) -> Course:
    return Course(quantity=Demanded.SPEED, parts=parts, repeated=repeated)


def s_shaped(end: float, *, rate: float = 20.0, acceleration: float = 10.0, jerk: float = 10.0) -> Course:
    return course(SShaped(start=0.0, end=end, rate_per_s=rate, acceleration_per_s2=acceleration, jerk_per_s3=jerk))


@st.composite
def tables(draw: st.DrawFn, between: Between) -> Table:
    steps_s = draw(st.lists(st.floats(0.05, 10.0), min_size=1, max_size=12))
    times_s = (0.0, *itertools.accumulate(steps_s))
    values = draw(
        st.lists(st.one_of(VALUES, st.sampled_from((0.0, 5.0))), min_size=len(times_s), max_size=len(times_s))
    )
    return Table(times_s=times_s, values=tuple(values), between=between)


def pieces() -> st.SearchStrategy[Piece]:
    return st.one_of(
        st.builds(Linear, start=VALUES, end=VALUES, time_s=st.floats(0.05, 20.0)),
        st.builds(Sine, offset=VALUES, amplitude=VALUES, period_s=st.floats(0.1, 20.0), cycles=st.floats(0.1, 5.0)),
        st.builds(
            Staircase,
            start=VALUES,
            end=VALUES,
            levels=st.integers(2, 9),
            hold_s=st.floats(0.1, 5.0),
            ramp_s=st.one_of(st.just(0.0), st.floats(0.1, 5.0)),
        ),
        st.tuples(VALUES, st.floats(0.1, 1e3), LIMITS, LIMITS, LIMITS).map(
            lambda drawn: SShaped(
                start=drawn[0],
                end=drawn[0] + drawn[1],
                rate_per_s=drawn[2],
                acceleration_per_s2=drawn[3],
                jerk_per_s3=drawn[4],
            )
        ),
        *(tables(between) for between in Between),
    )


@pytest.mark.parametrize(
    ("way", "lasts_s"),
    [
        # Rate 20, acceleration 10, jerk 10. The acceleration rises in 10/10 = 1 s; to full rate it takes 20/10 + 1 s,
        # and as its slope is point-symmetric that covers half of 20·3 = 30; braking as much. So 100 = 60 + 20·2 takes
        # 3 s + 2 s + 3 s.
        (100.0, 8.0),
        (60.0, 6.0),  # no cruise at all
        # Rate not reached: up and down at v takes 2·(v/10 + 1) and covers v·(v/10 + 1): with v = 14, 33.6 in 4.8 s.
        (33.6, 4.8),
        (20.0, 4.0),  # v = 10: the acceleration is just reached, and no more
        (14.58, 3.6),  # a little less than that: 20·0.9³, by jerk alone
        # Acceleration not reached: four times t with jerk alone, j·t³·2 = way: 2.5 = 20·t³, t = 0.5.
        (2.5, 2.0),
    ],
)
def test_an_s_shaped_way_takes_what_jerk_acceleration_and_rate_give_by_hand(way: float, lasts_s: float) -> None:
    for side in (1.0, -1.0):
        assert s_shaped(side * way).duration_s == pytest.approx(lasts_s, rel=1e-12)


def test_a_rate_below_what_the_acceleration_needs_is_reached_by_jerk_alone() -> None:
    """Rate 2.5, jerk 10: 0.5 s up, 0.5 s back, as 10·0.5² = 2.5; that covers 2.5·1/2 twice, and 4 s of cruise 10."""
    found = s_shaped(12.5, rate=2.5)
    assert found.duration_s == pytest.approx(1.0 + 4.0 + 1.0)
    assert found.greatest(ACCELERATION).amount == pytest.approx(5.0)
    assert found.greatest(SLOPE) == (pytest.approx(2.5), pytest.approx(1.0))


def test_the_seven_phases_are_where_they_are_by_hand() -> None:
    """After 1 s: 10/6 and 5; 2 s: 5/3 + 5 + 5 = 11.67 and 15; 3 s: 30 and 20; half-way 4 s: 50."""
    found = s_shaped(100.0)
    for time_s, value, slope in ((1.0, 10 / 6, 5.0), (2.0, 35 / 3, 15.0), (3.0, 30.0, 20.0), (4.0, 50.0, 20.0)):
        assert found.at(time_s)[:2] == pytest.approx((value, slope))
        mirrored = found.at(8.0 - time_s)
        assert (mirrored.value, mirrored.slope_per_s) == pytest.approx((100.0 - value, slope))
    assert found.greatest(SLOPE) == (pytest.approx(20.0), pytest.approx(3.0))
    assert found.greatest(ACCELERATION) == (pytest.approx(10.0), pytest.approx(1.0))


@given(VALUES, VALUES, LIMITS, LIMITS, LIMITS)
def test_an_s_shaped_way_ends_exactly_and_never_exceeds_a_limit(
    start: float, end: float, rate: float, acceleration: float, jerk: float
) -> None:
    if abs(end - start) < 1e-3:
        end = start + 1.0
    found = course(
        SShaped(start=start, end=end, rate_per_s=rate, acceleration_per_s2=acceleration, jerk_per_s3=jerk),
    )
    assert found.at(found.moving_s).value == end
    assert found.at(0.0).value == start
    looks = [found.at(found.moving_s * place / 500) for place in range(500)]
    assert all(min(start, end) <= look.value <= max(start, end) for look in looks)
    assert all(abs(look.slope_per_s) <= rate * (1 + 1e-9) for look in looks)
    assert all(abs(look.acceleration_per_s2) <= acceleration * (1 + 1e-9) for look in looks)
    step_s = found.moving_s / 500
    for one, other in itertools.pairwise(looks):
        assert abs(other.acceleration_per_s2 - one.acceleration_per_s2) <= jerk * step_s * (1 + 1e-6) + 1e-9
        assert abs(other.value - one.value) <= rate * step_s * (1 + 1e-6) + 1e-9
    assert found.greatest(SLOPE).amount <= rate * (1 + 1e-9)
    assert found.greatest(ACCELERATION).amount <= acceleration * (1 + 1e-9)  # also no corner at either end


@given(tables(Between.CUBIC), st.lists(st.floats(0.0, 1.0), min_size=1, max_size=50))
def test_a_cubic_table_never_goes_beyond_two_neighbouring_values(table: Table, places: list[float]) -> None:
    found = course(table)
    rows = list(zip(table.times_s, table.values, strict=True))
    for (left_s, left), (right_s, right) in itertools.pairwise(rows):
        assert found.at(left_s).value == left
        slack = 1e-9 * max(abs(left - right), 1.0) / (right_s - left_s)
        for place in places:
            look = found.at(left_s + place * (right_s - left_s) * (1 - 1e-9))
            assert min(left, right) <= look.value <= max(left, right)
            assert look.slope_per_s * math.copysign(1.0, right - left) >= -slack  # nor turns back on its way


@given(tables(Between.CUBIC))
def test_a_cubic_table_is_that_of_an_independent_library(table: Table) -> None:
    found = course(table)
    oracle = PchipInterpolator(table.times_s, table.values)
    for place in range(200):
        time_s = table.times_s[-1] * place / 200
        assert found.at(time_s).value == pytest.approx(float(oracle(time_s)), rel=1e-9, abs=1e-6)


@settings(deadline=None)
@given(st.lists(pieces(), min_size=1, max_size=4), st.integers(2, 5), st.floats(0.001, 0.999))
def test_a_repeated_course_is_periodic_and_lasts_so_many_rounds(
    parts: list[Piece], repeated: int, place: float
) -> None:
    once, often = course(*parts), course(*parts, repeated=repeated)
    assert often.duration_s == pytest.approx(repeated * once.moving_s)
    time_s = place * once.moving_s
    within_s = 1e-9 * often.moving_s
    for turn in range(repeated):
        value = often.at(time_s + turn * once.moving_s).value
        near = [once.at(min(max(0.0, time_s + shift_s), once.moving_s)).value for shift_s in (-within_s, 0.0, within_s)]
        assert min(near) - 1e-4 <= value <= max(near) + 1e-4  # either side of a jump
    assert often.at(often.moving_s).value == once.at(once.moving_s).value


@settings(deadline=None)
@given(st.lists(pieces(), min_size=1, max_size=3))
def test_the_greatest_is_never_exceeded_and_is_there_at_its_second(parts: list[Piece]) -> None:
    found = course(*parts)
    looks = [found.at(found.moving_s * place / 997) for place in range(998)]
    for what in (VALUE, SLOPE, ACCELERATION):
        peak = found.greatest(what)
        assert all(abs(look[what]) <= peak.amount * (1 + 1e-9) + 1e-9 for look in looks)
        if math.isfinite(peak.amount):
            beside = [found.at(max(0.0, peak.at_s + shift_s))[what] for shift_s in (-1e-9, 0.0, 1e-9)]
            if what == VALUE:  # a value that takes no time is there all the same
                beside += [joint.after.start for joint in found.joints() if joint.at_s == peak.at_s]
            slack = 1e-4 * (1.0 + peak.amount)
            assert any(abs(each) == pytest.approx(peak.amount, abs=slack) for each in beside)


@settings(deadline=None)
@given(pieces(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_the_greatest_of_a_stretch_is_never_exceeded_within_it(piece: Piece, one: float, other: float) -> None:
    for segment in piece.segments():
        first_s, last_s = sorted((one * segment.lasts_s, other * segment.lasts_s))
        for what in (VALUE, SLOPE, ACCELERATION):
            most = greatest(segment, what, first_s, last_s).amount
            seen = [abs(segment.at(first_s + (last_s - first_s) * place / 200)[what]) for place in range(201)]
            assert max(seen) <= most * (1 + 1e-9) + 1e-9


@settings(deadline=None)
@given(pieces(), st.floats(0.01, 0.99))
def test_slope_and_acceleration_are_those_of_the_values(piece: Piece, place: float) -> None:
    found = course(piece)
    at_s, step_s = place * found.moving_s, 1e-5 * found.moving_s
    joints = [joint.at_s for joint in found.joints()]
    if any(abs(at_s - joint_s) < 2 * step_s for joint_s in joints):
        return
    before, here, after = (found.at(at_s + shift * step_s) for shift in (-1, 0, 1))
    scale = max(abs(found.at(found.moving_s * k / 50).slope_per_s) for k in range(50)) + 1.0
    assert here.slope_per_s == pytest.approx((after.value - before.value) / 2 / step_s, rel=1e-4, abs=1e-4 * scale)
    scale = max(abs(found.at(found.moving_s * k / 50).acceleration_per_s2) for k in range(50)) + 1.0
    bend = (after.slope_per_s - before.slope_per_s) / 2 / step_s
    assert here.acceleration_per_s2 == pytest.approx(bend, rel=1e-4, abs=1e-3 * scale)


def test_a_sine_is_greatest_where_it_is_by_hand() -> None:
    """3 − 2·sin(2π t/4): at 3 s it is 5; its slope 2·2π/4 = π at once; its acceleration 2·(2π/4)² = π²/2 at 1 s."""
    found = course(Sine(offset=3.0, amplitude=-2.0, period_s=4.0, cycles=2.5))
    assert found.greatest(VALUE) == (pytest.approx(5.0), pytest.approx(3.0))
    assert (abs(found.at(0.0).slope_per_s), found.at(2.0).slope_per_s) == pytest.approx((math.pi, math.pi))
    assert abs(found.at(1.0).acceleration_per_s2) == pytest.approx(math.pi**2 / 2)
    assert found.greatest(ACCELERATION) == (math.inf, 0.0)  # from rest into full slope is a corner
    assert found.duration_s == 10.0
    assert found.at(10.0).value == pytest.approx(3.0)


def test_a_stretch_of_a_sine_is_steepest_where_it_passes_its_middle_by_hand() -> None:
    """sin(2π t/4) from 0.5 s to 2.5 s: its slope is π/2 at 2 s, half-way of the period, and less at both ends."""
    (wave,) = Sine(offset=0.0, amplitude=1.0, period_s=4.0, cycles=3.0).segments()
    assert greatest(wave, SLOPE, 0.5, 2.5) == (pytest.approx(math.pi / 2), 2.0)
    assert greatest(wave, VALUE, 0.5, 2.5) == (pytest.approx(1.0), 1.0)
    assert greatest(wave, SLOPE, 4.5, 9.0) == (pytest.approx(math.pi / 2), 6.0)


def test_a_staircase_holds_each_level_and_jumps_or_ramps() -> None:
    jumping = course(Staircase(start=0.0, end=300.0, levels=4, hold_s=2.0))
    assert [jumping.at(time_s).value for time_s in (0.0, 1.999, 2.0, 4.0, 6.0, 8.0)] == [0, 0, 100, 200, 300, 300]
    assert jumping.duration_s == 8.0
    assert jumping.greatest(SLOPE) == (math.inf, 2.0)
    ramping = course(Staircase(start=0.0, end=300.0, levels=4, hold_s=2.0, ramp_s=0.5))
    assert ramping.duration_s == 9.5
    assert ramping.at(2.25).value == pytest.approx(50.0)
    assert ramping.greatest(SLOPE) == (pytest.approx(200.0), 2.0)
    assert ramping.greatest(ACCELERATION) == (math.inf, 2.0)
    assert ramping.greatest(VALUE) == (300.0, 7.5)


def test_a_table_goes_straight_or_by_steps_whose_last_row_is_the_end() -> None:
    straight = course(Table(times_s=(0.0, 1.0, 3.0), values=(0.0, 10.0, -10.0)))
    assert [straight.at(time_s).value for time_s in (0.5, 1.0, 2.0, 3.0)] == pytest.approx([5.0, 10.0, 0.0, -10.0])
    stepwise = course(Table(times_s=(0.0, 1.0, 3.0), values=(0.0, 10.0, -30.0), between=Between.STEPWISE), repeated=2)
    assert [stepwise.at(time_s).value for time_s in (0.5, 1.0, 2.9, 3.0, 4.0, 6.0)] == [0, 10, 10, 0, 10, -30]
    assert stepwise.greatest(VALUE) == (30.0, 3.0)
    assert stepwise.greatest(SLOPE) == (math.inf, 1.0)


def test_the_seam_of_a_repeated_course_counts_like_any_other() -> None:
    ramp = Linear(start=0.0, end=10.0, time_s=2.0)
    assert course(ramp).greatest(SLOPE) == (5.0, 0.0)
    assert course(ramp, repeated=2).greatest(SLOPE) == (math.inf, 2.0)


def test_conditions_take_no_course_time_hold_the_value_and_leave_the_duration_open() -> None:
    up, down = Linear(start=0.0, end=10.0, time_s=2.0), Linear(start=10.0, end=0.0, time_s=1.0)
    found = course(READY, up, COOL, down, repeated=2)
    assert found.duration_s is None
    assert found.moving_s == 6.0
    waits = [found.wait(number) for number in range(5)]
    assert waits[:4] == [(0.0, 0.0, READY), (2.0, 10.0, COOL), (3.0, 0.0, READY), (5.0, 10.0, COOL)]
    assert waits[4] is None
    assert found.at(2.0).value == 10.0
    assert course(up, down).wait(0) is None
    assert course(COOL, up, repeated=2).wait(1) == (2.0, 10.0, COOL)  # it holds what the round before came to
    assert course(up, down).duration_s == 3.0


def test_a_course_rests_where_it_waits_so_that_a_slope_there_is_a_corner() -> None:
    rise = Table(times_s=(0.0, 1.0, 2.0), values=(0.0, 1.0, 2.0), between=Between.CUBIC)
    more = Table(times_s=(0.0, 1.0, 2.0), values=(2.0, 3.0, 4.0), between=Between.CUBIC)
    smooth = [joint.at_s for joint in course(rise, more).joints() if joint.sharpness(ACCELERATION)]
    assert smooth == [0.0, 4.0]  # straight on, between rest and rest
    waiting = [joint.at_s for joint in course(rise, COOL, more).joints() if joint.sharpness(ACCELERATION)]
    assert waiting == [0.0, 2.0, 2.0, 4.0]
    swing = Sine(offset=0.0, amplitude=1.0, period_s=2.0)
    for parts, corners in (((swing,), [0.0, 4.0]), ((swing, COOL), [0.0, 2.0, 2.0, 4.0])):
        for ordered in (parts, parts[::-1]):
            found = course(*ordered, repeated=2)
            assert [joint.at_s for joint in found.joints() if joint.sharpness(ACCELERATION)] == corners


@pytest.mark.parametrize("time_s", [-1e-9, math.nan])
def test_there_is_no_value_before_it_begins(time_s: float) -> None:
    with pytest.raises(ValueError, match="no value"):
        course(Linear(start=0.0, end=1.0, time_s=1.0)).at(time_s)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Linear(start=0.0, end=1.0, time_s=0.0), "positive time_s"),
        (lambda: Linear(start=math.nan, end=1.0, time_s=1.0), "finite"),
        (lambda: SShaped(start=0.0, end=1.0, rate_per_s=1.0, acceleration_per_s2=1.0, jerk_per_s3=math.inf), "jerk"),
        (lambda: SShaped(start=1.0, end=1.0, rate_per_s=1.0, acceleration_per_s2=1.0, jerk_per_s3=1.0), "somewhere"),
        (lambda: Staircase(start=0.0, end=1.0, levels=1, hold_s=1.0), "2 to 10000 levels"),
        (lambda: Staircase(start=0.0, end=1.0, levels=2, hold_s=0.0), "positive hold_s"),
        (lambda: Staircase(start=0.0, end=1.0, levels=2, hold_s=1.0, ramp_s=-1.0), "ramp_s"),
        (lambda: Sine(offset=0.0, amplitude=1.0, period_s=0.0), "positive period_s"),
        (lambda: Sine(offset=0.0, amplitude=1.0, period_s=1.0, cycles=1e6), "up to 100000 cycles"),
        (lambda: Table(times_s=(0.0,), values=(1.0,)), "two rows"),
        (lambda: Table(times_s=(0.0, 1.0), values=(1.0,)), "as many values"),
        (lambda: Table(times_s=(0.0, 1.0, 1.0), values=(1.0, 2.0, 3.0)), "rise"),
        (lambda: Table(times_s=(1.0, 2.0), values=(1.0, 2.0)), "begin with 0"),
        (lambda: Table(times_s=(0.0, 1.0), values=(1.0, math.inf)), "finite"),
        (lambda: course(COOL), "needs a piece"),
        (lambda: course(Linear(start=0.0, end=1.0, time_s=1.0), repeated=0), "repeated 1 to"),
    ],
)
def test_what_makes_no_sense_is_refused(make: Callable[[], object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        make()
