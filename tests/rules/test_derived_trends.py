"""Rates, stuck values and the thermal model against closed forms."""

import math
import timeit
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchd.rules.channels import Channel, Quality
from benchd.rules.derivations import (
    Derivation,
    Difference,
    Energy,
    I2t,
    Overload,
    Product,
    Rate,
    Stuck,
    ThermalModel,
    order,
)
from benchd.rules.derived_working import in_order
from benchd.rules.frames import Sample

from .derived_parts import Played


def test_the_rate_of_a_straight_line_is_its_slope() -> None:
    played = Played(Rate(of="t", window_s=0.2))
    shown = [played.give("t", 7.0 + 35.0 * tick * 0.01, tick * 0.01) for tick in range(500)]
    known = [sample for sample in shown if sample.quality is Quality.GOOD]
    assert len(known) >= 488
    assert all(sample.value == pytest.approx(35.0, rel=1e-9) for sample in known)


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0.005, 0.05), st.floats(-1e3, 1e3)), min_size=5, max_size=120))
def test_the_rate_is_the_least_squares_slope_of_the_window(steps) -> None:
    """Against numpy's fit of the same points."""
    played = Played(Rate(of="t", window_s=0.3))
    at_s, points = 1e6, []
    for gap_s, value in steps:
        at_s += gap_s
        points.append((at_s, value))
        sample = played.give("t", value, at_s)
        within = [(t - at_s, v) for t, v in points if t >= at_s - 0.3]
        if sample.quality is Quality.GOOD:
            assert sample.value == pytest.approx(np.polyfit(*zip(*within, strict=True), 1)[0], rel=1e-5, abs=1e-2)
        else:
            assert len(within) < 3 or within[-1][0] - within[0][0] < 0.15


def test_a_gap_or_a_bad_value_begins_a_new_window() -> None:
    played = Played(Rate(of="t", window_s=0.2))
    for tick in range(40):
        played.give("t", 0.0, tick * 0.01)
    assert played.give("t", math.nan, 0.41).quality is Quality.NOT_A_NUMBER
    assert played.give("t", 100.0, 0.42).quality is Quality.MISSING  # no slope of 100 in 10 ms
    played.give("t", 100.0, 1.5)
    assert played.give("t", 100.0, 1.51).quality is Quality.MISSING


STUCK = Stuck(of="shaft_speed", resolution=0.0, moving="drive_speed", moving_by=100.0)


def test_a_frozen_value_is_stuck_from_when_the_other_has_moved() -> None:
    played = Played(STUCK)
    shown = []
    for tick in range(300):
        at_s = tick * 0.01
        played.give("drive_speed", 1000.0 + (500.0 * (at_s - 1.0) if at_s > 1.0 else 0.0), at_s)
        shown.append(played.give("shaft_speed", 1000.0, at_s).value)
    assert shown[:121] == [0.0] * 121  # 100 r/min further after 0.2 s
    assert shown[-1] == pytest.approx(2.99 - 1.21, abs=0.011)


def test_a_value_that_stands_because_nothing_moves_is_not_stuck() -> None:
    played = Played(STUCK)
    for tick in range(1000):
        played.give("drive_speed", 1000.0 + (tick % 2) * 50.0, tick * 0.01)
        assert played.give("shaft_speed", 1000.0, tick * 0.01).value == 0.0


def test_any_change_beyond_the_resolution_ends_it() -> None:
    played = Played(Stuck(of="shaft_speed", resolution=0.5, moving="drive_speed", moving_by=10.0))
    played.give("drive_speed", 0.0, 0.0)
    played.give("shaft_speed", 0.0, 0.0)
    played.give("drive_speed", 50.0, 0.1)
    assert played.give("shaft_speed", 0.5, 0.3).value == pytest.approx(0.2)
    assert played.give("shaft_speed", 0.6, 0.4).value == 0.0
    assert played.give("drive_speed", 55.0, 0.5).value == 0.0


def test_an_overloaded_value_that_stays_overloaded_is_stuck_too() -> None:
    played = Played(STUCK)
    for tick in range(100):
        played.give("drive_speed", 100.0 * tick, tick * 0.01)
        sample = played.give("shaft_speed", math.inf, tick * 0.01, quality=Quality.OVER_RANGE)
    assert sample.value > 0.9


# --- thermal model

ONE = ThermalModel(
    current="i",
    winding="w",
    reference="h",
    resistance_ohm=0.5,
    loss_factor=1.0,
    resistance_k_per_w=0.8,
    capacity_j_per_k=50.0,
)


def model(rule: ThermalModel, *, current_a: float, measured_degc: float, until_s: float) -> float:
    played = Played(rule)
    sample = None
    for tick in range(round(until_s / 0.1) + 1):
        at_s = tick * 0.1
        played.give("h", 25.0, at_s)
        played.give("w", measured_degc, at_s)
        sample = played.give("i", current_a, at_s)
    return sample.value


def test_the_model_begins_at_the_measured_temperature() -> None:
    assert model(ONE, current_a=0.0, measured_degc=60.0, until_s=0.0) == 0.0


def test_one_node_cools_exponentially() -> None:
    """60 °C against 25 °C with 40 s: 35·exp(−t/τ)."""
    shown = model(ONE, current_a=0.0, measured_degc=60.0, until_s=40.0)
    assert 60.0 + shown == pytest.approx(25.0 + 35.0 / math.e, rel=1e-9)


def test_one_node_ends_where_a_resistance_that_grows_with_its_temperature_puts_it() -> None:
    """θ = 25 + Rth·I²·R20·(235 + θ)/255, solved for θ."""
    gain = 0.8 * 8.0**2 * 0.5 / 255.0
    end_degc = (25.0 + gain * 235.0) / (1.0 - gain)
    shown = model(ONE, current_a=8.0, measured_degc=25.0, until_s=2000.0)
    assert 25.0 + shown == pytest.approx(end_degc, rel=1e-5)


def test_two_nodes_follow_the_network_solved_by_the_matrix_exponential() -> None:
    rule = ThermalModel(
        current="i",
        winding="w",
        reference="h",
        resistance_ohm=0.0,
        loss_factor=1.0,
        resistance_k_per_w=0.8,
        capacity_j_per_k=50.0,
        housing_k_per_w=1.5,
        housing_j_per_k=400.0,
    )
    a, b, c = 1 / (0.8 * 50.0), 1 / (0.8 * 400.0), 1 / (1.5 * 400.0)
    matrix = np.array([[-a, a], [b, -(b + c)]])
    values, vectors = np.linalg.eig(matrix)
    start = np.array([35.0, 35.0])  # above the reference, winding and housing alike
    for until_s in (1.0, 30.0, 300.0):
        expected = vectors @ (np.exp(values * until_s) * np.linalg.solve(vectors, start))
        shown = model(rule, current_a=5.0, measured_degc=60.0, until_s=until_s)
        assert 60.0 + shown == pytest.approx(25.0 + expected[0], rel=1e-9)


def test_a_thermometer_that_fell_off_shows_as_disagreement() -> None:
    assert model(ONE, current_a=8.0, measured_degc=25.0, until_s=60.0) > 15.0


# --- all together


def channel(name: str, rule=None) -> Channel:
    derivation = None if rule is None else Derivation(rule=rule, look="it")
    return Channel(name=name, unit="1", device="d", port="p", signal="s", age_limit_s=0.5, derivation=derivation)


def test_derived_channels_come_after_what_they_are_made_of() -> None:
    channels = [
        channel("energy", Energy(of="power")),
        channel("power", Product(of="u", by="i")),
        channel("u"),
        channel("i"),
    ]
    assert [one.name for one in in_order(channels)] == ["power", "energy"]


def test_a_circle_is_named() -> None:
    with pytest.raises(ValueError, match="a -> b -> a"):
        order({"a": ("b",), "b": ("x", "a")})


@pytest.mark.performance
def test_what_one_derived_channel_costs() -> None:
    rules = {
        "difference": Difference(of="a", against="b"),
        "difference with inertia": Difference(of="a", against="b", speed="c", inertia_kgm2=1.0),
        "product": Product(of="a", by="b"),
        "rate": Rate(of="a", window_s=0.2),
        "i2t": I2t(of="a", rated=1.0, time_constant_s=30.0),
        "stuck": Stuck(of="a", resolution=0.0, moving="b", moving_by=1.0),
        "thermal model": ThermalModel(
            current="a",
            winding="b",
            reference="c",
            resistance_ohm=1.0,
            loss_factor=1.0,
            resistance_k_per_w=1.0,
            capacity_j_per_k=1.0,
            housing_k_per_w=1.0,
            housing_j_per_k=10.0,
        ),
    }
    for name, rule in rules.items():
        played, ticks = Played(rule), iter(range(10**9))
        for each in rule.inputs:
            played.give(each, 1.0, 0.0)

        def reading(played=played, rule=rule, ticks=ticks) -> None:
            at_s = next(ticks) * 0.01
            for each in rule.inputs:
                played.samples[each] = Sample(at_s % 7.0, Quality.GOOD, at_s)
            played.derived.update(played.samples, at_s)

        microseconds = timeit.timeit(reading, number=20_000) / 20_000 * 1e6
        print(f"{name}: {microseconds:.1f} us a reading")
        assert microseconds < 100.0


ALL = (
    Difference(of="a", against="b", speed="c", inertia_kgm2=1.0, window_s=0.05),
    Product(of="a", by="b"),
    Rate(of="a", window_s=0.1),
    I2t(of="a", rated=1.0, time_constant_s=5.0),
    Overload(of="a", nominal=1.0),
    Energy(of="a"),
    Stuck(of="a", resolution=0.0, moving="b", moving_by=1.0),
    replace(ONE, current="a", winding="b", reference="c"),
    replace(ONE, current="a", winding="b", reference="c", housing_k_per_w=1.0, housing_j_per_k=9.0),
)
VALUES = st.sampled_from([0.0, 1.0, -3.5, 1e300, -1e300, math.inf, -math.inf, math.nan])


@example(
    ThermalModel(
        current="a",
        winding="b",
        reference="c",
        resistance_k_per_w=0.8,
        capacity_j_per_k=50.0,
        resistance_ohm=0.5,
        loss_factor=1.0,
    ),
    [("a", 0.0, 0.0, False), ("b", 0.0, 0.0, False), ("c", 0.0, 0.0, False), ("a", 1e300, 0.001, False)],
)
@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(ALL),
    st.lists(st.tuples(st.sampled_from("abc"), VALUES, st.sampled_from([0.0, 0.001, 0.02, 0.7]), st.booleans())),
)
def test_whatever_arrives_nothing_is_raised_and_what_is_good_is_a_number(rule, arrivals) -> None:
    played, now_s = Played(rule), 100.0
    for name, value, gap_s, late in arrivals:
        now_s += gap_s
        if name in rule.inputs:
            quality = Quality.OVER_RANGE if math.isinf(value) else None
            sample = played.give(name, value, now_s - (0.3 if late else 0.0), quality=quality, now_s=now_s)
            assert not (sample.quality is Quality.GOOD and not math.isfinite(sample.value)), sample
