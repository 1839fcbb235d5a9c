"""Differences and products compare their inputs at one instant, and lack what an input lacks."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.channels import Quality
from benchd.rules.derivations import Difference, Product

from .derived_parts import Played

SLIP = Difference(of="shaft_speed", against="drive_speed")
POWER = Product(of="shaft_torque", by="shaft_speed", factor=math.pi / 30.0)


def test_a_difference_is_the_one_minus_the_ratio_times_the_other() -> None:
    played = Played(Difference(of="a", against="b", ratio=2.5))
    played.give("a", 10.0, 1.0)
    sample = played.give("b", 3.0, 1.0)
    assert (sample.value, sample.quality, sample.taken_mono_s) == (2.5, Quality.GOOD, 1.0)


@given(
    slope=st.floats(-2e4, 2e4),
    start=st.floats(-5e3, 5e3),
    gaps=st.lists(st.tuples(st.sampled_from(["shaft_speed", "drive_speed"]), st.floats(0.001, 0.03)), max_size=80),
    lag_s=st.floats(0.0, 0.02),
)
def test_acceleration_makes_no_difference_however_the_readings_lie(slope, start, gaps, lag_s) -> None:
    """Both ends of a stiff shaft on a straight ramp; `lag_s` is how late the drive's reading arrives."""
    played = Played(SLIP)
    now_s = 0.0
    for name, gap_s in gaps:
        now_s += gap_s
        taken_s = now_s - (lag_s if name == "drive_speed" else 0.0)
        sample = played.give(name, start + slope * taken_s, taken_s, now_s=now_s)
        if sample.quality is Quality.GOOD:
            assert abs(sample.value) < 1e-6 * (1.0 + abs(slope) + abs(start))


def test_a_difference_without_alignment_would_be_one() -> None:
    """The same ramp as two devices read it 15 ms apart: 9000 r/min per s would show as 135 r/min."""
    played = Played(SLIP)
    shown = []
    for tick in range(40):
        played.give("shaft_speed", 9000.0 * tick * 0.01, tick * 0.01)
        at_s = tick * 0.01 - 0.015
        sample = played.give("drive_speed", 9000.0 * at_s, at_s, now_s=tick * 0.01)
        if sample.quality is Quality.GOOD:
            shown.append(sample.value)
    assert len(shown) > 30
    assert max(map(abs, shown)) < 1e-9


def test_the_difference_keeps_the_time_of_the_older_reading() -> None:
    played = Played(SLIP)
    played.give("shaft_speed", 100.0, 1.00)
    played.give("shaft_speed", 110.0, 1.01)
    sample = played.give("drive_speed", 104.0, 1.004, now_s=1.012)
    assert sample.taken_mono_s == 1.004
    assert sample.value == pytest.approx(0.0)


def test_the_torque_that_accelerates_a_rotor_is_taken_off() -> None:
    """A load rotor of 2e-4 kg·m² at 1000 rad/s² takes 0.2 N·m that its drive does not make (Newton)."""
    inertia, alpha = 2e-4, 1000.0
    with_it = Played(Difference(of="shaft", against="drive", speed="speed", inertia_kgm2=inertia, window_s=0.04))
    without = Played(Difference(of="shaft", against="drive"))
    for tick in range(30):
        at_s = tick * 0.01
        with_it.give("speed", alpha * at_s * 30.0 / math.pi, at_s)
        for played in (with_it, without):
            played.give("shaft", 0.3 + inertia * alpha, at_s)
        taken_off, left = (played.give("drive", 0.3, at_s) for played in (with_it, without))
    assert taken_off.value == pytest.approx(0.0, abs=1e-9)
    assert left.value == pytest.approx(0.2, abs=1e-9)


def test_power_of_five_newton_metres_at_3000_is_1571_watts() -> None:
    played = Played(POWER)
    played.give("shaft_torque", 5.0, 1.0)
    assert played.give("shaft_speed", 3000.0, 1.0).value == pytest.approx(1570.796327)  # 5 · 314.159265


QUALITIES = [Quality.GOOD, Quality.OVER_RANGE, Quality.STALE, Quality.NOT_A_NUMBER, Quality.MISSING]


@pytest.mark.parametrize("rule", [SLIP, POWER])
@pytest.mark.parametrize("first", range(5))
@pytest.mark.parametrize("second", range(5))
def test_the_worst_of_the_inputs_counts(rule, first: int, second: int) -> None:
    played = Played(rule)
    for name, place in zip(rule.inputs, (first, second), strict=True):
        value = math.nan if place == 3 else 1.0
        sample = played.give(name, value, 1.0, quality=QUALITIES[place])
    assert sample.quality is QUALITIES[max(first, second)]
    assert math.isnan(sample.value) is (max(first, second) > 1)


def test_an_input_that_goes_silent_makes_the_difference_stale_and_it_comes_back() -> None:
    played = Played(SLIP)
    played.give("drive_speed", 100.0, 1.0)
    assert played.give("shaft_speed", 100.0, 1.0).quality is Quality.GOOD
    assert played.give("shaft_speed", 100.0, 1.51).quality is Quality.STALE
    played.give("drive_speed", 100.0, 1.52)
    assert played.give("shaft_speed", 103.0, 1.52).value == 3.0


@pytest.mark.parametrize(
    ("of", "by", "quality", "value"),
    [
        (math.inf, 5.0, Quality.OVER_RANGE, math.inf),
        (-math.inf, 5.0, Quality.OVER_RANGE, -math.inf),
        (math.inf, math.inf, Quality.NOT_A_NUMBER, math.nan),
        (5.0, -math.inf, Quality.OVER_RANGE, math.inf),
    ],
)
def test_an_overloaded_input_is_beyond_and_not_unknown(of, by, quality, value) -> None:
    played = Played(SLIP)
    played.give("shaft_speed", of, 1.0, quality=Quality.OVER_RANGE)
    sample = played.give("drive_speed", by, 1.0, quality=Quality.OVER_RANGE)
    assert sample.quality is quality
    assert sample.value == value or (math.isnan(sample.value) and math.isnan(value))


def test_no_order_of_readings_makes_it_raise() -> None:
    rng = random.Random(5)  # noqa: S311
    values = (0.0, 1e300, -1e300, math.inf, -math.inf, math.nan, 1.0)
    rule = Difference(of="a", against="b", speed="c", inertia_kgm2=1.0, window_s=0.05)
    for rule_ in (rule, Product(of="a", by="b")):
        played = Played(rule_)
        now_s = 0.0
        for _ in range(5000):
            now_s += rng.choice((0.0, 0.001, 0.6))
            value = rng.choice(values)
            quality = Quality.OVER_RANGE if math.isinf(value) else None
            sample = played.give(
                rng.choice(rule_.inputs), value, now_s - rng.random() * 0.1, quality=quality, now_s=now_s
            )
            assert not (sample.quality is Quality.GOOD and not math.isfinite(sample.value))
