"""The zero: mean of distinct good samples at standstill, with the uncertainty that its likeness leaves."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.live.zeroing import Zeroing
from benchd.rules.channels import Quality
from benchd.rules.frames import Sample

from .parts import CHANNELS


def taken(values, *, quality=Quality.GOOD, since_s: float = 0.0) -> Zeroing:
    zeroing = Zeroing.of(CHANNELS)
    for number, value in enumerate(values):
        sample = Sample(value, quality, 0.01 * (number + 1))
        for _ in range(3):  # a held sample is seen more than once
            zeroing.look({channel.name: sample for channel in CHANNELS}, since_mono_s=since_s)
    return zeroing


def test_only_zeroed_channels_have_a_zero() -> None:
    assert [zero.channel for zero in taken([0.1] * 6).zeros()] == ["shaft_torque"]


@given(st.lists(st.floats(-0.01, 0.01), min_size=5, max_size=40))
def test_the_zero_is_the_mean_and_a_held_sample_counts_once(values: list[float]) -> None:
    (zero,) = taken(values).zeros()
    assert zero.value == pytest.approx(math.fsum(values) / len(values), abs=1e-12)
    count = len(values)
    spread = math.sqrt(sum((value - zero.value) ** 2 for value in values) / (count - 1))
    # JCGM 100, 4.2.3 for independent readings is the least that it can be
    assert zero.standard_uncertainty >= spread / math.sqrt(count) * (1.0 - 1e-9)
    assert 1.0 <= zero.degrees_of_freedom <= count - 1 + 1e-9


def test_independent_readings_have_the_textbook_uncertainty() -> None:
    values = [1.0, -1.0] * 10  # neighbours never resemble each other
    (zero,) = taken(values).zeros()
    assert zero.standard_uncertainty == pytest.approx(math.sqrt(20 / 19) / math.sqrt(20))


def test_readings_that_resemble_their_neighbours_count_as_fewer() -> None:
    slow = [math.sin(0.1 * number) for number in range(60)]
    (zero,) = taken(slow).zeros()
    spread = math.sqrt(sum((value - zero.value) ** 2 for value in slow) / 59)
    assert zero.standard_uncertainty > 3.0 * spread / math.sqrt(60)
    assert zero.degrees_of_freedom < 59 / 3


@pytest.mark.parametrize(
    "zeroing",
    [taken([0.1] * 4), taken([0.1] * 40, quality=Quality.OVER_RANGE), taken([0.1] * 40, since_s=0.36)],
    ids=["few", "not good", "from before"],
)
def test_too_few_good_readings_are_told_with_the_device(zeroing: Zeroing) -> None:
    with pytest.raises(ValueError, match=r"shaft_torque gave only [0-4] good readings.*measuring_unit"):
        zeroing.zeros()
