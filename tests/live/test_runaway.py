"""A shaft that is let go: what counts as running away, and what a healthy stop may do."""

import math

import pytest

from benchd.live.runaway import Runaway

BOUND_RPM = 3000.0
STANDSTILL_RPM = 10.0
STEP_S = 0.01


def told(
    speeds_rpm: list[float], *, braked: bool = True, bound_rpm: float = BOUND_RPM, steps_s: list[float] | None = None
) -> str | None:
    """The first sentence for these speeds, taken one after the other."""
    now = [(speeds_rpm[0], 0.0)]
    runaway = Runaway(lambda: now[0], bound_rpm=bound_rpm, standstill_rpm=STANDSTILL_RPM, braked=lambda: braked)
    taken_s = 0.0
    for speed_rpm, step_s in zip(speeds_rpm, steps_s or [STEP_S] * len(speeds_rpm), strict=True):
        now[0] = (speed_rpm, taken_s)
        taken_s += step_s
        if (sentence := runaway.sentence()) is not None:
            return sentence
    return None


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(
    ("speeds_rpm", "words"),
    [
        ([2000.0, 1000.0, 0.0, -290.0, -100.0, 0.0], None),  # the brake overshoots
        ([2000.0, 1000.0, 0.0, -310.0], "driven backwards while it was let go: from"),
        ([2000.0, 2290.0, 1000.0], None),
        ([2000.0, 2310.0], "sped up while it was let go: from"),
        ([math.nan, 2000.0, 2200.0, math.nan, 0.0], None),
        ([math.nan, 2000.0, 2400.0], "sped up"),
    ],
)
def test_what_gains_speed_against_its_way_or_on_it_runs_away(
    speeds_rpm: list[float], words: str | None, way: float
) -> None:
    sentence = told([way * speed for speed in speeds_rpm])
    assert sentence is None if words is None else words in sentence


def test_what_is_about_to_be_reversed_counts_where_nothing_brakes() -> None:
    slowing = [700.0, 600.0, 490.0, 300.0, 100.0]
    assert told(slowing) is None
    assert "from 700 to 300 r/min" in told(slowing, braked=False)


def test_a_shaft_that_coasts_does_not_run_away_where_nothing_brakes() -> None:
    assert told([700.0 * math.exp(-number * STEP_S / 0.1) for number in range(200)], braked=False) is None


def test_without_a_run_the_standstill_speed_tells_what_is_much() -> None:
    assert told([0.0, 190.0], bound_rpm=0.0) is None
    assert "sped up" in told([0.0, 210.0], bound_rpm=0.0)


@pytest.mark.parametrize(
    ("speeds_rpm", "words"),
    [
        ([167.0, -20.0, -5.0, 0.0], None),
        ([16.0, -8.0, 0.0], None),
        ([167.0, -20.0, -290.0], None),
        ([167.0, -20.0, -310.0], "driven backwards while it was let go: from 167 to -310 r/min."),
    ],
)
def test_a_slow_shaft_that_swings_through_standstill_is_judged_by_what_it_did(
    speeds_rpm: list[float], words: str | None
) -> None:
    sentence = told(speeds_rpm, braked=False)
    assert sentence is None if words is None else words in sentence


def test_two_readings_that_were_taken_at_nearly_one_moment_make_no_slope() -> None:
    assert told([700.0, 690.0, 650.0, 640.0], braked=False, steps_s=[0.02, 0.001, 0.02, 0.02]) is None
