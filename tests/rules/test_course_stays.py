"""How long courses stay within critical bands: by hand, and against a walk through them in small steps."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.course_conditions import Settled
from benchd.rules.course_pieces import Linear, Sine, SShaped
from benchd.rules.course_stays import stays
from benchd.rules.courses import Course
from benchd.rules.demand import Demanded
from benchd.rules.resonance import Band, dwells_in

BAND = Band(low_rpm=1000.0, high_rpm=1200.0, causes=("any",))
NEXT = Band(low_rpm=2000.0, high_rpm=2500.0, causes=("other",))
WAIT = Settled(channel="shaft_speed", around=1100.0, mean_band=5.0, trend_band_per_s=5.0, window_s=1.0, within_s=10.0)


def course(*parts, repeated: int = 1) -> Course:
    return Course(quantity=Demanded.SPEED, parts=parts, repeated=repeated)


def linear(start: float, end: float, time_s: float) -> Linear:
    return Linear(start=start, end=end, time_s=time_s)


def walked_s(one: Course, bands, step_s: float = 1e-3) -> float:
    """All seconds of one round within any band."""
    count = round(one.round_s / step_s)
    return step_s * sum(
        dwells_in(bands, speed_rpm=one.at((place + 0.5) * step_s).value) is not None for place in range(count)
    )


def test_a_ramp_stays_for_the_bands_width_over_its_slope() -> None:
    """By hand: 300 r/min a second reach 1000 after 3.333 s and leave 1200 after 4 s; 2000 to 2500 take 1.667 s."""
    first, second = stays(course(linear(0.0, 3000.0, 10.0)), (BAND, NEXT))
    assert (first.start_s, first.lasts_s) == pytest.approx((10.0 / 3.0, 2.0 / 3.0))
    assert (second.start_s, second.lasts_s) == pytest.approx((20.0 / 3.0, 5.0 / 3.0))
    assert (first.band, second.band) == (BAND, NEXT)


def test_negative_speeds_stay_alike_and_a_way_through_standstill_twice() -> None:
    found = stays(course(linear(-1500.0, 1500.0, 3.0)), (BAND,))
    assert [stay.start_s for stay in found] == pytest.approx([0.3, 2.5])
    assert [stay.lasts_s for stay in found] == pytest.approx([0.2, 0.2])


def test_what_runs_on_from_part_to_part_is_one_stay_and_begins_in_the_first_of_them() -> None:
    parts = (linear(0.0, 1100.0, 1.1), linear(1100.0, 1100.0, 5.0), linear(1100.0, 0.0, 1.1))
    [stay] = stays(course(*parts), (BAND,))
    assert (stay.start_s, stay.lasts_s, stay.part) == (pytest.approx(1.0), pytest.approx(5.2), 0)


def test_a_stay_across_the_seam_of_two_rounds_is_one() -> None:
    """By hand: it comes into the band 0.9 s before the end and leaves it 0.1 s after the next beginning."""
    parts = (
        linear(1100.0, 2000.0, 0.9),
        linear(2000.0, 0.0, 1.0),
        linear(0.0, 1000.0, 1.0),
        linear(1000.0, 1100.0, 0.9),
    )
    once, again = (stays(course(*parts, repeated=repeated), (BAND,)) for repeated in (1, 3))
    assert [stay.lasts_s for stay in once] == pytest.approx([0.1, 0.1, 0.9])
    assert [stay.lasts_s for stay in again] == pytest.approx([0.1, 0.1, 1.0])


def test_a_course_that_rests_within_for_ever_tells_one_stay() -> None:
    [stay] = stays(course(linear(1100.0, 1100.0, 4.0), repeated=5), (BAND,))
    assert stay.lasts_s == pytest.approx(8.0)  # one round and the next; longer than any bound that matters


def test_a_wait_within_a_band_lasts_who_knows_how_long() -> None:
    found = stays(course(linear(0.0, 1100.0, 1.1), WAIT, linear(1100.0, 0.0, 1.1)), (BAND,))
    assert math.inf in [stay.lasts_s for stay in found]
    waiting = next(stay for stay in found if math.isinf(stay.lasts_s))
    assert (waiting.start_s, waiting.part) == (pytest.approx(1.1), 1)
    assert stays(course(linear(0.0, 900.0, 1.0), WAIT, linear(900.0, 0.0, 1.0)), (BAND,)) == ()


def test_without_bands_nothing_stays() -> None:
    assert stays(course(linear(0.0, 3000.0, 1.0)), ()) == ()


SPEEDS = st.floats(-3000.0, 3000.0)


@given(
    st.lists(
        st.one_of(
            st.builds(linear, SPEEDS, SPEEDS, st.floats(0.2, 3.0)),
            st.builds(Sine, offset=SPEEDS, amplitude=SPEEDS, period_s=st.floats(0.5, 3.0), cycles=st.floats(0.3, 2.0)),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_all_stays_of_a_round_together_last_as_long_as_a_walk_says(parts) -> None:
    one = course(*parts)
    assert sum(stay.lasts_s for stay in stays(one, (BAND, NEXT))) == pytest.approx(
        walked_s(one, (BAND, NEXT)), abs=0.03
    )


def test_an_s_shaped_way_is_cut_at_the_edges_too() -> None:
    one = course(SShaped(start=0.0, end=1500.0, rate_per_s=700.0, acceleration_per_s2=1200.0, jerk_per_s3=4000.0))
    [stay] = stays(one, (BAND,))
    assert one.at(stay.start_s).value == pytest.approx(1000.0)
    assert one.at(stay.start_s + stay.lasts_s).value == pytest.approx(1200.0)
    assert stay.lasts_s == pytest.approx(walked_s(one, (BAND,)), abs=0.003)
