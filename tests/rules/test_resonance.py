"""Natural frequencies against closed forms and eigenvalues, and bands of speed against a walk through them."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.resonance import (
    Band,
    Order,
    bands,
    beside,
    critical_rpm,
    crosses,
    crossing,
    dwells_in,
    excitation_orders,
    in_series,
    joined,
    natural_hz,
    outside,
)

INERTIAS = st.floats(1e-6, 1.0)
STIFFNESSES = st.floats(10.0, 1e6)
SPEEDS = st.floats(-9e3, 9e3)


def by_eigenvalues(inertias: list[float], stiffnesses: list[float]) -> np.ndarray:
    """From J·x'' = −K·x, by the symmetric matrix J^−½·K·J^−½; the first one, 0, is all turning together."""
    springs = np.zeros((len(inertias), len(inertias)))
    for place, stiffness in enumerate(stiffnesses):
        springs[place : place + 2, place : place + 2] += stiffness * np.array([[1.0, -1.0], [-1.0, 1.0]])
    roots = 1.0 / np.sqrt(np.array(inertias))
    squares = np.linalg.eigvalsh(springs * np.outer(roots, roots))
    return np.sqrt(np.abs(squares[1:])) / (2.0 * np.pi)


def test_two_inertias_turn_against_each_other_as_the_closed_form_says() -> None:
    """ω = √(k·(1/J1 + 1/J2)): 1000 N·m/rad between 0.002 and 0.0005 kg·m² is 1581.1388 rad/s (by hand)."""
    assert natural_hz([0.002, 0.0005], [1000.0]) == pytest.approx((1581.1388 / (2.0 * math.pi),), rel=1e-7)


@given(st.lists(INERTIAS, min_size=2, max_size=2), STIFFNESSES)
def test_two_inertias_agree_with_the_eigenvalues(inertias: list[float], stiffness: float) -> None:
    assert natural_hz(inertias, [stiffness]) == pytest.approx(tuple(by_eigenvalues(inertias, [stiffness])), rel=1e-6)


@given(st.lists(st.floats(1e-4, 1e-1), min_size=3, max_size=3), st.lists(st.floats(1e2, 1e5), min_size=2, max_size=2))
def test_three_inertias_agree_with_the_eigenvalues(inertias: list[float], stiffnesses: list[float]) -> None:
    expected = by_eigenvalues(inertias, stiffnesses)
    assert natural_hz(inertias, stiffnesses) == pytest.approx(tuple(expected), rel=1e-6)


def test_three_like_inertias_have_the_roots_of_one_and_three() -> None:
    """J J J with k k: ω² = k/J and 3·k/J (closed form)."""
    one = math.sqrt(1000.0 / 0.001) / (2.0 * math.pi)
    assert natural_hz([0.001] * 3, [1000.0] * 2) == pytest.approx((one, one * math.sqrt(3.0)))


def test_three_discs_of_a_handbook_have_the_frequencies_that_it_prints() -> None:
    """W. T. Thomson, Theory of Vibration with Applications, the three discs worked out by Holzer's method.

    5, 11 and 22 kg·m² on 0.10 and 0.20 MN·m/rad: 123.66 and 202.66 rad/s (example and values from memory).
    """
    found = natural_hz([5.0, 11.0, 22.0], [0.10e6, 0.20e6])
    assert [2.0 * math.pi * hz for hz in found] == pytest.approx([123.66, 202.66], abs=0.01)


def test_a_transducer_that_weighs_nothing_leaves_two_inertias_on_both_springs_in_series() -> None:
    low, high = natural_hz([0.002, 1e-12, 0.0005], [3000.0, 1500.0])
    assert in_series(3000.0, 1500.0) == pytest.approx(1000.0)
    assert low == pytest.approx(natural_hz([0.002, 0.0005], [1000.0])[0], rel=1e-6)
    assert high > 1e6


def test_orders_are_those_of_unbalance_misalignment_winding_and_slots() -> None:
    assert [order.per_revolution for order in excitation_orders()] == [1.0, 2.0]
    assert [order.per_revolution for order in excitation_orders(pole_pairs=4)] == [1.0, 2.0, 24.0]
    # slots, poles, cogging periods a revolution (closed form: least common multiple)
    for slots, poles, periods in ((9, 8, 72), (12, 10, 60), (12, 14, 84), (27, 6, 54), (9, 6, 18)):
        cogging = excitation_orders(pole_pairs=poles // 2, slots=slots)[-1]
        assert (cogging.name, cogging.per_revolution) == ("cogging", float(periods))


def test_a_critical_speed_is_where_order_and_frequency_meet() -> None:
    assert critical_rpm(240.0, Order("cogging", 72.0)) == pytest.approx(200.0)
    assert critical_rpm(50.0, Order("unbalance", 1.0)) == pytest.approx(3000.0)


def test_bands_reach_to_both_sides_of_the_critical_speeds_below_the_top() -> None:
    orders = [Order("unbalance", 1.0), Order("cogging", 72.0)]
    slow, fast = bands([40.0], orders, half_width_ratio=0.1, top_rpm=3000.0)
    assert (slow.low_rpm, slow.high_rpm) == pytest.approx((30.0, 110.0 / 3.0))
    assert (fast.low_rpm, fast.high_rpm) == pytest.approx((2160.0, 2640.0))
    assert fast.causes == ("unbalance (1 a revolution) at 40.0 Hz",)
    assert bands([40.0], orders, half_width_ratio=0.1, top_rpm=2160.0) == (slow, fast)  # one that begins at the top
    assert bands([40.0], orders, half_width_ratio=0.1, top_rpm=2159.0) == (slow,)


def test_bands_that_touch_are_one_with_both_causes() -> None:
    [band] = bands([40.0, 47.0], [Order("unbalance", 1.0)], half_width_ratio=0.1, top_rpm=1e4)
    assert (band.low_rpm, band.high_rpm) == pytest.approx((2160.0, 3102.0))
    assert len(band.causes) == 2
    within = bands(
        [40.0, 41.0], [Order("unbalance", 1.0), Order("misalignment", 2.0)], half_width_ratio=0.4, top_rpm=1e4
    )
    assert [len(band.causes) for band in within] == [4]


@pytest.mark.parametrize(
    ("speed_rpm", "dwells"),
    [(899.0, False), (900.0, True), (1000.0, True), (-1000.0, True), (1100.0, True), (1101.0, False), (0.0, False)],
)
def test_a_held_speed_dwells_in_a_band_up_to_both_its_ends(speed_rpm: float, *, dwells: bool) -> None:
    band = Band(low_rpm=900.0, high_rpm=1100.0, causes=("unbalance",))
    assert dwells_in([band], speed_rpm=speed_rpm) == (band if dwells else None)


def test_a_way_meets_its_bands_in_order_and_twice_through_standstill() -> None:
    slow = Band(low_rpm=900.0, high_rpm=1100.0, causes=("slow",))
    fast = Band(low_rpm=1900.0, high_rpm=2100.0, causes=("fast",))
    both = (slow, fast)
    assert crosses(both, from_rpm=0.0, to_rpm=3000.0) == (slow, fast)
    assert crosses(both, from_rpm=3000.0, to_rpm=0.0) == (fast, slow)
    assert crosses(both, from_rpm=-3000.0, to_rpm=1500.0) == (fast, slow, slow)
    assert crosses(both, from_rpm=1000.0, to_rpm=-1000.0) == (slow, slow)
    assert crosses(both, from_rpm=1101.0, to_rpm=1899.0) == ()
    assert crosses(both, from_rpm=-899.0, to_rpm=899.0) == ()
    assert crosses(both, from_rpm=1100.0, to_rpm=1500.0) == (slow,)
    assert crosses(both, from_rpm=-1200.0, to_rpm=-900.0) == (slow,)


@given(st.lists(st.floats(5.0, 500.0), min_size=1, max_size=2), SPEEDS, SPEEDS, st.floats(0.02, 0.3))
def test_a_way_crosses_what_a_walk_along_it_dwells_in(
    frequencies: list[float], from_rpm: float, to_rpm: float, ratio: float
) -> None:
    found = bands(frequencies, excitation_orders(pole_pairs=2, slots=9), half_width_ratio=ratio, top_rpm=9e3)
    assert all(before.high_rpm < after.low_rpm for before, after in itertools.pairwise(found))
    walked: list[Band | None] = []
    places = [band_end for band in found for band_end in (band.low_rpm, band.high_rpm)]
    corners = sorted({from_rpm, to_rpm, 0.0, *places, *(-place for place in places)})
    on_the_way = [corner for corner in corners if min(from_rpm, to_rpm) <= corner <= max(from_rpm, to_rpm)]
    for speed_rpm in on_the_way if from_rpm <= to_rpm else reversed(on_the_way):
        band = dwells_in(found, speed_rpm=speed_rpm)
        if band is None or not walked or walked[-1] is not band:
            walked.append(band)
    met = [band for band in walked if band is not None]
    assert list(crosses(found, from_rpm=from_rpm, to_rpm=to_rpm)) == met


def test_what_no_shaft_has_is_refused_in_a_sentence() -> None:
    for inertias, stiffnesses in (([1.0], []), ([1.0] * 4, [1.0] * 3), ([1.0, 1.0], [1.0, 1.0])):
        with pytest.raises(ValueError, match="2 or 3 inertias"):
            natural_hz(inertias, stiffnesses)
    with pytest.raises(ValueError, match="inertias"):
        natural_hz([0.0, 1.0], [1.0])
    with pytest.raises(ValueError, match="stiffnesses"):
        natural_hz([1.0, 1.0], [math.inf])
    with pytest.raises(ValueError, match="stiffnesses"):
        in_series()
    with pytest.raises(ValueError, match="pole pairs"):
        excitation_orders(pole_pairs=0)
    with pytest.raises(ValueError, match="slots"):
        excitation_orders(pole_pairs=2, slots=0)
    for ratio in (0.0, 1.0, math.nan):
        with pytest.raises(ValueError, match="ratio"):
            bands([40.0], [Order("unbalance", 1.0)], half_width_ratio=ratio, top_rpm=1e3)
    with pytest.raises(ValueError, match="frequencies"):
        bands([-40.0], [Order("unbalance", 1.0)], half_width_ratio=0.1, top_rpm=1e3)
    with pytest.raises(ValueError, match="orders"):
        bands([40.0], [Order("nothing", 0.0)], half_width_ratio=0.1, top_rpm=1e3)


SLOW = Band(low_rpm=900.0, high_rpm=1100.0, causes=("slow",))
FAST = Band(low_rpm=1900.5, high_rpm=2100.5, causes=("fast",))
SOME_BANDS = st.lists(st.tuples(st.floats(1.0, 5e3), st.floats(0.1, 900.0)), max_size=6).map(
    lambda pairs: tuple(Band(low_rpm=low, high_rpm=low + wide, causes=("any",)) for low, wide in pairs)
)


def test_stated_bands_that_lie_within_others_widen_nothing() -> None:
    wide = Band(low_rpm=800.0, high_rpm=1500.0, causes=("wide",))
    assert joined([FAST, SLOW, wide]) == (Band(low_rpm=800.0, high_rpm=1500.0, causes=("wide", "slow")), FAST)


def test_the_nearest_whole_speeds_lie_just_outside_on_both_sides() -> None:
    assert beside([SLOW, FAST], speed_rpm=1000.0) == (899.0, 1101.0)
    assert beside([SLOW, FAST], speed_rpm=-2000.0) == (1900.0, 2101.0)
    assert beside([SLOW, FAST], speed_rpm=1500.0) == (1500.0, 1500.0)
    touching = Band(low_rpm=1101.0, high_rpm=1200.0, causes=("next",))
    assert beside([SLOW, touching], speed_rpm=1000.0) == (899.0, 1201.0)


@pytest.mark.parametrize(
    ("speed_rpm", "top_rpm", "found_rpm"),
    [
        (950.0, math.inf, 899.0),
        (1090.0, math.inf, 1101.0),
        (-1090.0, math.inf, -1101.0),
        (1090.0, 1100.0, 899.0),
        (1000.0, math.inf, 899.0),
        (0.0, math.inf, 0.0),
        (1500.0, 1000.0, 1500.0),
    ],
)
def test_outside_is_the_nearer_edge_in_the_same_direction(speed_rpm: float, top_rpm: float, found_rpm: float) -> None:
    assert outside([SLOW, FAST], speed_rpm=speed_rpm, top_rpm=top_rpm) == found_rpm


@given(SOME_BANDS, SPEEDS)
def test_what_is_outside_dwells_in_nothing_and_no_whole_speed_is_nearer(found, speed_rpm: float) -> None:
    moved_rpm = outside(found, speed_rpm=speed_rpm)
    assert dwells_in(found, speed_rpm=moved_rpm) is None
    assert moved_rpm * speed_rpm >= 0.0
    away = abs(moved_rpm - speed_rpm)
    if away > 0.0:
        near = range(math.floor(abs(speed_rpm) - away) + 1, math.ceil(abs(speed_rpm) + away))
        assert all(dwells_in(found, speed_rpm=float(rpm)) is not None for rpm in near if rpm > 0)


def walked(found, *, from_rpm: float, to_rpm: float, dt_s: float) -> list[float]:
    speeds = [from_rpm]
    while speeds[-1] != to_rpm and len(speeds) < 10_000:
        speeds.append(
            crossing(
                found,
                from_rpm=speeds[-1],
                to_rpm=to_rpm,
                slope_rpm_per_s=500.0,
                crossing_rpm_per_s=2000.0,
                dt_s=dt_s,
            )
        )
    return speeds


@pytest.mark.parametrize(("from_rpm", "to_rpm"), [(0.0, 3000.0), (3000.0, 0.0), (-1500.0, 0.0), (0.0, -1500.0)])
def test_a_way_takes_each_part_by_its_own_slope(from_rpm: float, to_rpm: float) -> None:
    """By hand: 3000 r/min, 400 of them at 2000 and 2600 at 500 a second, are 5.4 s; of 1500 down it is 200 and 1300."""
    steps = walked((SLOW, FAST), from_rpm=from_rpm, to_rpm=to_rpm, dt_s=0.01)
    by_hand_s = 0.2 + 5.2 if abs(from_rpm - to_rpm) == 3000.0 else 0.1 + 2.6
    assert len(steps) - 1 == pytest.approx(by_hand_s / 0.01, abs=1.01)
    in_band = [abs(b - a) for a, b in itertools.pairwise(steps) if 920.0 < abs(a) < 1080.0]
    beside_it = [abs(b - a) for a, b in itertools.pairwise(steps) if 100.0 < abs(a) < 890.0]
    assert max(in_band) == pytest.approx(20.0)
    assert min(in_band) == pytest.approx(20.0)
    assert max(beside_it) == pytest.approx(5.0)


def test_a_crossing_slope_that_is_not_steeper_changes_nothing() -> None:
    now = crossing((SLOW,), from_rpm=1000.0, to_rpm=3000.0, slope_rpm_per_s=500.0, crossing_rpm_per_s=100.0, dt_s=0.01)
    assert now == pytest.approx(1005.0)


@given(SOME_BANDS, SPEEDS, SPEEDS, st.floats(0.001, 30.0))
def test_no_step_is_steeper_than_the_crossing_or_beyond_its_end(found, from_rpm, to_rpm, dt_s) -> None:
    now = crossing(found, from_rpm=from_rpm, to_rpm=to_rpm, slope_rpm_per_s=500.0, crossing_rpm_per_s=2000.0, dt_s=dt_s)
    assert min(from_rpm, to_rpm) <= now <= max(from_rpm, to_rpm)
    moved = abs(now - from_rpm)
    assert moved <= 2000.0 * dt_s * (1.0 + 1e-9) + 1e-9
    assert moved >= min(500.0 * dt_s, abs(to_rpm - from_rpm)) * (1.0 - 1e-9) - 1e-6


def test_a_band_tells_the_whole_speeds_within() -> None:
    assert FAST.words == "from 1901 to 2100 r/min (fast)"
    assert Band(low_rpm=2.2, high_rpm=2.8, causes=("thin",)).words == "from 2.2 to 2.8 r/min (thin)"
