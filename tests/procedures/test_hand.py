"""The hand: ramps on their slopes, windows that settle or say that they did not, gaps that start everything again."""

import itertools
import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchd.procedures.hand import LONGEST_GAP_S, PATIENCE, Hand, unloaded
from benchd.rules.moves import Point, Role, Speed, Torque, Voltage

from .synthetic import TICK_S, played, surroundings

POINT = Point(number=0, direction="", asked={})


def hand(**changes) -> Hand:
    return Hand(surroundings(**changes), duration_s=10.0)


def averaged(each: Hand, *, settle_s: float = 1.0, average_s: float = 1.0, band_rpm: float = 5.0):
    return each.operating_point(POINT, settle_time_s=settle_s, speed_band_rpm=band_rpm, average_time_s=average_s)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.0, 80.0), st.floats(0.1, 80.0), st.floats(5.0, 100.0), st.floats(0.01, 0.4))
def test_a_ramp_moves_no_faster_than_its_slope_and_ends_exactly(
    start_v: float, end_v: float, slope: float, tick_s: float
) -> None:
    at = {Role.SUPPLY: Voltage(start_v, 1.0), Role.LOAD_DRIVE: Torque(0.0, 100.0)}
    assume(start_v != end_v)
    result = played(hand(voltage_v_per_s=slope, at=at).ramp_voltage(end_v), tick_s=tick_s)
    assert result.volts[0] == start_v
    for before, after in itertools.pairwise(result.volts):
        assert abs(after - before) <= slope * tick_s * (1.0 + 1e-9)
    assert abs(result.duration_s - abs(end_v - start_v) / slope) <= 2.0 * tick_s


def test_the_torques_slope_is_the_stricter_of_the_tests_and_the_benchs() -> None:
    for asked, bench, strictest in ((0.5, 1.0, 0.5), (5.0, 1.0, 1.0)):
        each = hand(torque_nm_per_s=bench)
        result = played(each.ramp_torque(0.3, slope_nm_per_s=asked))
        steps = [after - before for before, after in itertools.pairwise(result.torques)]
        assert max(steps) <= strictest * TICK_S * (1.0 + 1e-9)


def test_a_ramp_goes_on_after_a_gap_without_making_up_for_it() -> None:
    result = played(
        hand().ramp_voltage(12.0), gap=lambda time_s, _move: 10.0 if abs(time_s - 100.3) < TICK_S / 2 else 0.0
    )
    assert max(after - before for before, after in itertools.pairwise(result.volts)) <= 12.0 * TICK_S * (1.0 + 1e-9)


def test_a_steady_shaft_settles_after_the_settle_time_and_is_averaged_as_long_as_asked() -> None:
    result = played(averaged(hand()), speed=lambda *_: 1000.0)
    assert result.notes == []
    assert result.points()[0] == pytest.approx(1.0, abs=3 * TICK_S)
    assert result.duration_s == pytest.approx(2.0, abs=5 * TICK_S)


def test_noise_within_the_band_settles_and_a_drift_beyond_it_does_not() -> None:
    noisy = played(averaged(hand()), speed=lambda time_s, _ideal: 1000.0 + 20.0 * math.sin(1e3 * time_s))
    assert noisy.notes == []
    drifting = played(averaged(hand()), speed=lambda time_s, _ideal: 1000.0 + 20.0 * time_s)
    assert len(drifting.notes) == 1


def test_a_shaft_that_never_settles_gives_one_note_and_goes_on() -> None:
    result = played(averaged(hand()), speed=lambda time_s, _ideal: 500.0 * math.sin(3.0 * time_s))
    assert len(result.notes) == 1
    assert "did not settle within 5 r/min for 1 s" in result.notes[0]
    first_averaged_s = next(at_s for at_s, move in result.moves if move.point is not None)
    assert first_averaged_s - 100.0 == pytest.approx(PATIENCE * 1.0, abs=0.1)
    assert result.points()[0] == pytest.approx(1.0, abs=3 * TICK_S)


def test_a_speed_that_is_no_number_gives_a_note_and_goes_on() -> None:
    result = played(averaged(hand()), speed=lambda *_: math.nan)
    assert len(result.notes) == 1
    assert result.points()[0] == pytest.approx(1.0, abs=3 * TICK_S)


def test_one_bad_reading_delays_the_point_and_leaves_no_note() -> None:
    result = played(
        averaged(hand()), speed=lambda time_s, _ideal: math.nan if abs(time_s - 100.5) < TICK_S / 2 else 1000.0
    )
    assert result.notes == []
    assert 2.3 < result.duration_s < 3.2


@pytest.mark.parametrize("at_s", [100.5, 101.5])
def test_a_gap_starts_settling_and_averaging_again(at_s: float) -> None:
    gap_s = 7.0
    result = played(
        averaged(hand()),
        speed=lambda *_: 1000.0,
        gap=lambda time_s, _move: gap_s if abs(time_s - at_s) < TICK_S / 2 else 0.0,
    )
    after_s = result.moves[-1][0] - (at_s + gap_s)
    assert after_s == pytest.approx(2.0, abs=5 * TICK_S)  # a whole settle time and a whole average
    last = [at for at, move in result.moves if move.point is not None and at > at_s + gap_s]
    assert last[0] - (at_s + gap_s) >= 0.9
    assert result.notes == []


def test_a_gap_late_in_the_wait_begins_the_patience_anew() -> None:
    def speed(time_s: float, _ideal: float) -> float:
        return 500.0 * math.sin(3.0 * time_s) if time_s < 103.9 else 1000.0

    result = played(averaged(hand()), speed=speed, gap=lambda time_s, _m: 5.0 if abs(time_s - 103.9) < 0.005 else 0.0)
    assert result.notes == []  # it was steady from then on


def test_a_short_hiccup_is_no_gap() -> None:
    result = played(
        averaged(hand()),
        speed=lambda *_: 1000.0,
        gap=lambda time_s, _m: LONGEST_GAP_S / 2 if abs(time_s - 101.5) < TICK_S / 2 else 0.0,
    )
    assert result.duration_s == pytest.approx(2.0, abs=0.1)


def test_progress_never_goes_back_and_never_beyond_one() -> None:
    result = played(averaged(hand(), settle_s=20.0), speed=lambda *_: 1000.0)
    ratios = [move.done_ratio for _, move in result.moves]
    assert ratios == sorted(ratios)
    assert ratios[-1] == 1.0


def test_held_keeps_the_supply_and_takes_every_torque_off_within_its_bound() -> None:
    held = unloaded({Role.SUPPLY: Voltage(12.0, 5.0), Role.LOAD_DRIVE: Torque(0.4, 3000.0)})
    assert held == {Role.SUPPLY: Voltage(12.0, 5.0), Role.LOAD_DRIVE: Torque(0.0, 3000.0)}
    assert unloaded({Role.LOAD_DRIVE: Speed(100.0, 0.1)}) == {Role.LOAD_DRIVE: Speed(100.0, 0.1)}
