"""Causes: what a crossed limit stands for, and where braking is out of the question."""

import math

import pytest

from benchd.live.causes import COUPLING, Cause, cause_of, stops_by_braking
from benchd.rules.limits import Bound, Crossing, Limit, Reaction

from .pair_parts import PairWorld
from .parts import CHANNELS, bench_plan

SPEED = next(channel for channel in CHANNELS if channel.name == "shaft_speed")
TORQUE = next(channel for channel in CHANNELS if channel.name == "shaft_torque")


def crossing(channel, bound: Bound, value: float, *, at: float, reaction: Reaction = Reaction.CUT) -> Crossing:
    limit = Limit(
        channel=channel.name, bound=bound, value=value, delay_s=0.0, reaction=reaction, origin="bench.toml line 7"
    )
    return Crossing(limit=limit, value=at, since_mono_s=0.0, time_mono_s=0.0)


@pytest.mark.parametrize("reaction", list(Reaction))
def test_a_crossing_says_what_was_read_where_the_limit_is_from_and_keeps_its_reaction(reaction: Reaction) -> None:
    cause = cause_of(crossing(SPEED, Bound.HIGH, 6000.0, at=6123.4, reaction=reaction), SPEED)
    assert cause.sentence == "shaft_speed above 6000 r/min: 6123.4 r/min was read (limit from bench.toml line 7)."
    assert cause.reaction is reaction
    assert cause.doubted == frozenset()


def test_a_silent_channel_makes_its_device_doubtful() -> None:
    cause = cause_of(crossing(SPEED, Bound.STALE, 0.3, at=0.31), SPEED)
    assert cause.doubted == {"measuring_unit"}
    assert "measuring_unit and its wire" in cause.sentence


def test_an_overloaded_input_is_not_given_as_a_number() -> None:
    assert "the input is overloaded" in cause_of(crossing(TORQUE, Bound.LOW, -1.9, at=-math.inf), TORQUE).sentence


def test_two_crossings_of_one_limit_are_one_cause_and_of_two_limits_two() -> None:
    high = [cause_of(crossing(SPEED, Bound.HIGH, 6000.0, at=at), SPEED) for at in (6001.0, 6200.0)]
    low = cause_of(crossing(SPEED, Bound.LOW, -6000.0, at=-6001.0), SPEED)
    assert high[0].told_as == high[1].told_as
    assert low.told_as != high[0].told_as


@pytest.mark.parametrize(
    ("doubted", "chain_open", "brakes"),
    [
        ((), False, True),
        (("supply",), False, True),
        (("sink",), False, True),
        (("load_drive",), False, False),
        (("measuring_unit",), False, False),
        (("supply", "load_drive"), False, False),
        ((), True, False),
    ],
)
def test_the_load_drive_brakes_only_where_it_and_what_measures_the_shaft_are_believed(
    doubted: tuple[str, ...], chain_open: bool, brakes: bool
) -> None:
    cause = Cause(sentence="a", reaction=Reaction.CUT, doubted=frozenset(doubted), chain_open=chain_open)
    assert stops_by_braking(cause, bench_plan()) is brakes


@pytest.mark.parametrize(
    ("doubted", "brakes"),
    [("motor_drive", False), (COUPLING, False), ("load_drive", False), ("resistance_meter", True), ("sink", True)],
)
def test_with_a_motor_drive_its_doubt_and_that_of_the_coupling_end_braking_too(doubted: str, brakes: bool) -> None:
    cause = Cause(sentence="a", reaction=Reaction.CUT, doubted=frozenset({doubted}))
    assert stops_by_braking(cause, PairWorld().plan()) is brakes


def test_what_is_known_to_be_wrong_with_a_device_is_named_instead_of_its_wire() -> None:
    trouble = "it did not take a set-point: locked at the panel."
    cause = cause_of(crossing(SPEED, Bound.STALE, 0.3, at=0.31), SPEED, trouble=trouble)
    assert "from measuring_unit: it did not take a set-point: locked at the panel (limit from" in cause.sentence
    assert "wire" not in cause.sentence
    assert cause.doubted == {"measuring_unit"}
