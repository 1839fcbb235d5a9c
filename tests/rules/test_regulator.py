"""The regulator alone: what holds for any course of readings, and each of its parts against numbers made by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from benchd.rules.profiles import Moving
from benchd.rules.regulator import Regulator, Sight, State, integrated, started, step
from benchd.rules.regulator_gains import Bounds, Gains, Schedule

VALUES = st.floats(-1e4, 1e4)
ANY = st.floats(allow_nan=True, allow_infinity=True)
GAINS = st.builds(
    Gains,
    proportional=st.floats(0.0, 1e3),
    integral_per_s=st.floats(0.0, 1e3),
    derivative_s=st.floats(0.0, 10.0),
)
BOUNDS = st.tuples(VALUES, VALUES).map(lambda two: Bounds(low=min(two), high=max(two)))
SCHEDULES = st.tuples(GAINS, GAINS).map(lambda two: Schedule(((10.0, two[0]), (300.0, two[1]))))
LIMITS = st.floats(1e-2, 1e4) | st.just(math.inf)
REGULATORS = st.builds(
    Regulator,
    schedule=SCHEDULES,
    bounds=BOUNDS,
    anti_windup_s=st.floats(1e-3, 10.0),
    blind_s=st.floats(1e-2, 1.0),
    weight=st.floats(0.0, 1.0),
    derivative_filter_s=st.floats(1e-3, 1.0),
    rate_per_s=LIMITS,
    acceleration_per_s2=LIMITS,
)
MOMENTS = st.fixed_dictionaries(
    {
        "dt_s": st.floats(0.0, 2.0),
        "set_point": VALUES,
        "measured": VALUES | st.none(),
        "feed_forward": VALUES,
        "speed_rad_s": st.floats(-2e3, 2e3),
        "within": BOUNDS | st.none(),
    }
)
WILD = st.fixed_dictionaries(
    {
        "dt_s": ANY,
        "set_point": ANY,
        "measured": ANY | st.none(),
        "feed_forward": ANY,
        "speed_rad_s": ANY,
        "within": BOUNDS | st.none(),
    }
)
WIDE = Bounds(low=-1e9, high=1e9)


def pi(
    proportional: float = 2.0, integral_per_s: float = 4.0, derivative_s: float = 0.0, **settings: object
) -> Regulator:
    gains = Gains(proportional=proportional, integral_per_s=integral_per_s, derivative_s=derivative_s)
    plain: dict[str, object] = {"bounds": WIDE, "anti_windup_s": 0.5, "blind_s": 0.2}
    return Regulator(schedule=Schedule(((0.0, gains),)), **{**plain, **settings})  # type: ignore[arg-type]


def numbers(state: State) -> list[float]:
    return [
        state.output,
        state.integral,
        state.set_point.value,
        state.set_point.slope_per_s,
        state.measured,
        state.ahead,
        state.unseen_s,
    ]


@given(REGULATORS, VALUES, VALUES, st.lists(MOMENTS | WILD, max_size=12))
def test_whatever_comes_the_output_is_a_number_within_its_bounds(
    regulator: Regulator, output: float, measured: float, course: list[dict[str, object]]
) -> None:
    state = started(regulator, output=output, measured=measured)
    for moment in course:
        state = step(regulator, state, **moment)  # type: ignore[arg-type]
        assert regulator.bounds.low <= state.output <= regulator.bounds.high
        within = moment["within"]
        if isinstance(within, Bounds) and within.high >= regulator.bounds.low and within.low <= regulator.bounds.high:
            assert within.low <= state.output <= within.high
        assert not any(map(math.isnan, numbers(state)))
        assert all(map(math.isfinite, numbers(state)[:-1]))


@given(REGULATORS, VALUES, st.lists(MOMENTS, min_size=1, max_size=20))
def test_the_integral_never_gets_further_than_its_push_leads_it_beyond_its_room(
    regulator: Regulator, measured: float, course: list[dict[str, float]]
) -> None:
    state = started(regulator, output=0.0, measured=measured)
    spans = 1e3 * (2e4 + 1e4) + 1e4 + 10.0 * 2e4 / regulator.derivative_filter_s  # what is free of it, at most
    pushed = 1e3 * 4e4 * regulator.anti_windup_s
    for moment in course:
        state = step(regulator, state, **moment)  # type: ignore[arg-type]
        assert abs(state.integral) <= 1e4 + 2.0 * spans + pushed


@given(VALUES, VALUES, BOUNDS, st.floats(1e-2, 10.0), st.lists(st.floats(0.0, 2.0), min_size=1, max_size=6))
def test_an_integral_led_back_is_the_same_in_one_step_and_in_many(
    integral: float, push: float, bounds: Bounds, led_back_s: float, times_s: list[float]
) -> None:
    room = (bounds.low, bounds.high)
    whole = integrated(integral, push, room, led_back_s=led_back_s, dt_s=sum(times_s))
    parts = integral
    for dt_s in times_s:
        parts = integrated(parts, push, room, led_back_s=led_back_s, dt_s=dt_s)
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-6)
    furthest = abs(push) * led_back_s
    assert min(integral, bounds.low - furthest) - 1e-6 <= whole <= max(integral, bounds.high + furthest) + 1e-6


@pytest.mark.parametrize(
    ("integral", "push", "room"),
    [
        (0.0, 3.0, (-1.0, 1.0)),
        (5.0, -8.0, (-1.0, 1.0)),
        (-5.0, 8.0, (-1.0, 1.0)),
        (5.0, 1.0, (-1.0, 1.0)),
        (0.5, 0.0, (0.6, 0.7)),
    ],
)
def test_an_integral_led_back_solves_its_equation(integral: float, push: float, room: tuple[float, float]) -> None:
    """dI/dt = push + (nearest of the room − I)/T, by small steps of a general solver."""
    low, high = room

    def slope(_: float, value: np.ndarray) -> np.ndarray:
        return push + (np.clip(value, low, high) - value) / 0.4

    there = solve_ivp(slope, (0.0, 2.0), [integral], t_eval=[0.1, 0.5, 1.0, 2.0], rtol=1e-9, atol=1e-11, max_step=1e-3)
    here = [integrated(integral, push, room, led_back_s=0.4, dt_s=float(time_s)) for time_s in there.t]
    assert here == pytest.approx(list(there.y[0]), abs=1e-6)


def test_a_strong_push_costs_an_integral_beyond_its_room_no_digits() -> None:
    assert integrated(1.1, 1e12, (-1.0, 1.0), led_back_s=9.0, dt_s=0.0) == pytest.approx(1.1, rel=1e-15)


@given(REGULATORS, VALUES, VALUES, VALUES, VALUES, st.floats(-2e3, 2e3))
def test_it_takes_over_without_a_step(
    regulator: Regulator, output: float, measured: float, set_point: float, feed_forward: float, speed_rad_s: float
) -> None:
    by_hand = regulator.bounds.clamped(output)
    same = {"feed_forward": feed_forward, "speed_rad_s": speed_rad_s}
    for began in (None, set_point):
        state = started(regulator, output=by_hand, measured=measured, set_point=began, **same)
        asked = measured if began is None else began
        after = step(regulator, state, dt_s=0.0, set_point=asked, measured=measured, **same)
        digit = 8.0 * math.ulp(state.integral)  # which outputs of very large gains do not see
        assert after.output == pytest.approx(by_hand, abs=1e-9 + digit, rel=0.0)
        for dt_s in (0.004, 0.011):  # at rest: no error, so nothing moves it either
            at_rest = started(regulator, output=by_hand, measured=measured, **same)
            at_rest = step(regulator, at_rest, dt_s=dt_s, set_point=measured, measured=measured, **same)
            assert at_rest.output == pytest.approx(by_hand, abs=1e-9 + digit, rel=0.0)


@pytest.mark.parametrize("weight", [0.0, 0.4, 1.0])
def test_taking_over_at_a_far_set_point_moves_the_output_only_as_the_set_point_moves(weight: float) -> None:
    held = pi(rate_per_s=50.0, acceleration_per_s2=100.0, weight=weight)
    state = started(held, output=7.0, measured=20.0)
    outputs = [state.output]
    for _ in range(50):
        state = step(held, state, dt_s=0.01, set_point=300.0, measured=20.0)
        outputs.append(state.output)
    assert abs(outputs[1] - 7.0) <= 2.0 * 0.5 * 100.0 * 0.01**2 + 4.0 * 0.01 * 0.01
    assert max(np.abs(np.diff(outputs))) <= 2.0 * 50.0 * 0.01 + 4.0 * 25.0 * 0.01
    assert outputs[-1] > outputs[0]


@given(REGULATORS, VALUES, VALUES, VALUES, st.floats(1e-3, 0.5))
def test_one_step_of_twice_the_time_is_two_steps_where_nothing_changes(
    regulator: Regulator, set_point: float, measured: float, feed_forward: float, dt_s: float
) -> None:
    steady = replace(regulator, blind_s=1.0, rate_per_s=math.inf, acceleration_per_s2=math.inf)
    same = {"set_point": set_point, "measured": measured, "feed_forward": feed_forward}
    begun = step(steady, started(steady, output=0.0, measured=measured), dt_s=0.0, **same)
    once = step(steady, begun, dt_s=2.0 * dt_s, **same)
    twice = step(steady, step(steady, begun, dt_s=dt_s, **same), dt_s=dt_s, **same)
    assert numbers(twice) == pytest.approx(numbers(once), rel=1e-9, abs=1e-6)


def test_a_missed_tick_while_its_set_point_ramps_makes_no_difference() -> None:
    ramped = pi(rate_per_s=50.0, acceleration_per_s2=100.0)
    every = other = started(ramped, output=0.0, measured=0.0)
    for tick in range(1, 101):
        every = step(ramped, every, dt_s=0.01, set_point=100.0, measured=0.0)
        if tick % 2 == 0:
            other = step(ramped, other, dt_s=0.02, set_point=100.0, measured=0.0)
    assert other.set_point.value == pytest.approx(every.set_point.value, abs=1e-9)
    assert other.output == pytest.approx(every.output, rel=1e-3)


def test_proportional_integral_and_feed_forward_are_what_a_pocket_calculator_gives() -> None:
    held = pi(weight=0.25)
    state = started(held, output=10.0, measured=100.0)
    state = step(held, state, dt_s=0.1, set_point=108.0, measured=104.0, feed_forward=3.0)
    # begins with an integral of 10 − 2·(25 − 100) = 160; the error went from 0 to 4
    assert state.integral == pytest.approx(160.0 + 4.0 * 2.0 * 0.1)
    assert state.output == pytest.approx(160.8 + 2.0 * (27.0 - 104.0) + 3.0)


def test_the_derivative_is_of_the_reading_alone_behind_its_lag() -> None:
    derived = pi(0.0, 0.0, 3.0, derivative_filter_s=0.1)
    state = started(derived, output=0.0, measured=0.0)
    assert step(derived, state, dt_s=0.01, set_point=1e3, measured=0.0).output == 0.0
    for tick in range(1, 201):
        state = step(derived, state, dt_s=0.01 if tick % 3 else 0.02, set_point=0.0, measured=state.measured + 5.0)
    # the slope is 500 in two steps of three and 250 in the third: between both
    assert -1500.0 < state.output < -750.0
    state = started(derived, output=0.0, measured=0.0)
    for tick in range(1, 31):
        state = step(derived, state, dt_s=0.01, set_point=0.0, measured=2.0 * tick * 0.01)
        expected = -3.0 * 2.0 * (1.0 - math.exp(-tick * 0.01 / 0.1))  # closed form of a ramp behind a lag
        assert state.output == pytest.approx(expected, rel=1e-9)


def test_an_output_at_its_bound_leaves_it_as_soon_as_the_error_turns() -> None:
    """Ten seconds at the bound with 8 per s pushed in: wound up it would take as long to come back."""
    bounded = pi(bounds=Bounds(low=-10.0, high=10.0), anti_windup_s=0.1)
    state = started(bounded, output=0.0, measured=0.0)
    for _ in range(1000):
        state = step(bounded, state, dt_s=0.01, set_point=2.0, measured=0.0)
    assert state.output == 10.0
    assert state.integral == pytest.approx(10.0 - 4.0 + 0.1 * 8.0)  # at rest at push·T beyond its room
    steps = 0
    while state.output == 10.0:
        state = step(bounded, state, dt_s=0.01, set_point=2.0, measured=2.4)
        steps += 1
    assert steps <= 2


def test_without_an_integral_gain_a_bound_that_was_met_leaves_nothing_behind() -> None:
    bounded = pi(2.0, 0.0, bounds=Bounds(low=-10.0, high=10.0))
    state = started(bounded, output=0.0, measured=0.0)
    for _ in range(100):
        state = step(bounded, state, dt_s=0.01, set_point=100.0, measured=0.0)
    assert state.output == 10.0
    assert step(bounded, state, dt_s=0.01, set_point=100.0, measured=98.0).output == pytest.approx(4.0)


def test_gains_that_change_with_speed_do_not_move_an_output_without_error() -> None:
    low, high = Gains(proportional=1.0, integral_per_s=2.0), Gains(proportional=3.0, integral_per_s=8.0)
    scheduled = replace(pi(), schedule=Schedule(((100.0, low), (200.0, high))))
    state = started(scheduled, output=5.0, measured=50.0, speed_rad_s=0.0)
    for speed_rad_s in (0.0, 120.0, 199.0, -400.0):
        state = step(scheduled, state, dt_s=0.01, set_point=50.0, measured=50.0, speed_rad_s=speed_rad_s)
        assert state.output == pytest.approx(5.0, abs=1e-9)
    moved = step(scheduled, state, dt_s=0.0, set_point=51.0, measured=50.0, speed_rad_s=-400.0)
    assert moved.output == pytest.approx(5.0 + 3.0)


@pytest.mark.parametrize("missing", [None, math.nan, math.inf])
def test_without_a_reading_the_output_stays_and_the_loss_is_told_after_its_time(missing: float | None) -> None:
    held = pi(rate_per_s=50.0, acceleration_per_s2=100.0)
    state = started(held, output=5.0, measured=0.0)
    for _ in range(20):
        state = step(held, state, dt_s=0.01, set_point=100.0, measured=0.0)
    seen = state
    told = []
    for _ in range(25):
        state = step(held, state, dt_s=0.01, set_point=100.0, measured=missing)
        told.append(state.sight)
        assert numbers(state)[:-1] == numbers(seen)[:-1]
    assert told[:19] == [Sight.HOLDS] * 19
    assert told[20:] == [Sight.LOST] * 5
    again = step(held, state, dt_s=0.01, set_point=100.0, measured=0.0)
    assert again.sight is Sight.SEES
    assert again.unseen_s == 0.0
    assert again.set_point.value - seen.set_point.value < 0.01 * 50.0  # it waited meanwhile
    assert abs(again.output - seen.output) <= 2.0 * 0.01 * 50.0 + 4.0 * again.error * 0.01


def test_a_reading_that_comes_back_elsewhere_gives_no_derivative_and_no_integral_of_the_gap() -> None:
    derived = pi(0.0, 4.0, 3.0)
    state = started(derived, output=0.0, measured=8.0)
    state = step(derived, state, dt_s=0.01, set_point=10.0, measured=10.0)  # which leaves a derivative behind
    assert state.output < -10.0
    before = state.integral
    state = step(derived, state, dt_s=0.1, set_point=10.0, measured=None)
    state = step(derived, state, dt_s=0.01, set_point=10.0, measured=30.0)
    assert state.output == pytest.approx(before - 4.0 * 20.0 * 0.01)
    assert state.ahead == 0.0


@pytest.mark.parametrize(
    ("set_point", "measured"),
    [(1e308, -1e308), (-1e308, 1e308), (1.5e308, 1e308), (1e308, 0.0), (0.0, 1e308), (1.7e308, 1.7e308)],
)
@pytest.mark.parametrize("dt_s", [0.0, 0.01])
def test_numbers_too_large_to_compute_with_leave_the_output_where_it_is(
    set_point: float, measured: float, dt_s: float
) -> None:
    derived = pi(2e3, 4e3, 3e3)
    state = started(derived, output=5.0, measured=0.0)
    after = step(derived, state, dt_s=dt_s, set_point=set_point, measured=measured)
    assert (after.output, after.integral, after.set_point) == (5.0, 5.0, Moving(0.0))
    assert after.sight is Sight.HOLDS


@pytest.mark.parametrize("said", [{"set_point": math.nan}, {"feed_forward": math.inf}, {"speed_rad_s": math.nan}])
def test_what_else_is_not_a_number_counts_as_no_reading(said: dict[str, float]) -> None:
    held = pi()
    state = started(held, output=5.0, measured=0.0)
    after = step(held, state, dt_s=0.01, **{"set_point": 1.0, "measured": 0.0, **said})
    assert (after.output, after.sight) == (5.0, Sight.HOLDS)


def test_an_output_that_stays_still_keeps_to_bounds_that_close_in() -> None:
    held = pi()
    state = started(held, output=5.0, measured=0.0)
    closed = step(held, state, dt_s=0.01, set_point=0.0, measured=None, within=Bounds(low=-1.0, high=2.0))
    assert closed.output == 2.0


def test_bounds_for_a_step_never_widen_the_regulators_own() -> None:
    bounded = pi(bounds=Bounds(low=0.0, high=10.0))
    state = started(bounded, output=0.0, measured=0.0)
    for within in (Bounds(low=-50.0, high=50.0), Bounds(low=20.0, high=50.0)):
        assert step(bounded, state, dt_s=0.0, set_point=1e3, measured=0.0, within=within).output == 10.0
    assert step(bounded, state, dt_s=0.0, set_point=1e3, measured=0.0, within=Bounds(low=-9.0, high=-5.0)).output == 0.0


def test_a_step_after_a_stall_counts_no_longer_than_it_takes_to_be_blind() -> None:
    ramped = pi(rate_per_s=50.0)
    state = started(ramped, output=0.0, measured=0.0)
    after = step(ramped, state, dt_s=30.0, set_point=1e4, measured=0.0)
    assert after.set_point == Moving(pytest.approx(50.0 * 0.2))
    assert after.integral == pytest.approx(4.0 * 0.5 * 10.0 * 0.2)


@pytest.mark.parametrize("dt_s", [0.0, -1.0, math.nan])
def test_a_time_that_does_not_pass_lets_nothing_pass(dt_s: float) -> None:
    ramped = pi(rate_per_s=50.0)
    state = started(ramped, output=3.0, measured=0.0)
    assert step(ramped, state, dt_s=dt_s, set_point=1e4, measured=0.0) == state


def test_a_plant_that_falls_as_its_input_rises_is_held_by_negative_gains() -> None:
    """A brake's torque slows the shaft: 0.01 kg·m² driven with 1 N·m (by small steps)."""
    held = pi(-0.2, -0.4, bounds=Bounds(low=-5.0, high=5.0))
    state, speed_rad_s = started(held, output=0.0, measured=0.0), 0.0
    for _ in range(4000):
        state = step(held, state, dt_s=0.005, set_point=100.0, measured=speed_rad_s)
        speed_rad_s += 0.005 * (1.0 - state.output) / 0.01
    assert speed_rad_s == pytest.approx(100.0, abs=1e-3)
    assert state.output == pytest.approx(1.0, abs=1e-4)


def test_settings_that_make_no_sense_are_refused_in_a_sentence() -> None:
    for setting in (
        {"blind_s": 0.0},
        {"anti_windup_s": math.inf},
        {"derivative_filter_s": math.nan},
        {"weight": 1.1},
        {"rate_per_s": 0.0},
        {"acceleration_per_s2": math.nan},
    ):
        with pytest.raises(ValueError, match="regulator's"):
            pi(**setting)  # type: ignore[arg-type]
    for values in ((math.nan, 0.0), (0.0, math.inf)):
        with pytest.raises(ValueError, match="finite"):
            started(pi(), output=values[0], measured=values[1])
