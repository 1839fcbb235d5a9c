"""A brushed motor whose rotor is blocked at a point: nothing is measured there, and the stall does not last."""

import math

import pytest

from benchd.procedures.hand import Hand
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.moves import CannotGoOn, Point, Role, Speed, Torque, Voltage

from .synthetic import PLATE, TICK_S, surroundings

BLOCKED_AFTER_S = 2.0
RATED_A = PLATE.current_a


def point(*, blocked_a: float, blocked_after_s: float, load: Torque | Speed | None = None, blocked_rpm: float = 0.0):
    """Averages for 5 s after 1 s of settling; how long it took in s."""
    at = {Role.SUPPLY: Voltage(12.0, 9.5), Role.LOAD_DRIVE: load or Torque(0.1, 6000.0)}
    play = Hand(surroundings(at=at), duration_s=10.0).operating_point(
        Point(number=0, direction="", asked={}), settle_time_s=1.0, speed_band_rpm=5.0, average_time_s=5.0
    )
    next(play)
    for number in range(3000):
        time_s = 100.0 + number * TICK_S
        blocked = number * TICK_S >= blocked_after_s
        speed, current = (blocked_rpm, blocked_a) if blocked else (1500.0, 1.6)
        values = {"shaft_speed": speed, "dc_current": current}
        try:
            play.send(Frame(time_s, {name: Sample(value, Quality.GOOD, time_s) for name, value in values.items()}))
        except StopIteration:
            return number * TICK_S
        except CannotGoOn as told:
            return str(told), number * TICK_S
    raise AssertionError("it did not end")


def test_a_rotor_that_jams_while_a_point_is_averaged_ends_it_within_a_second() -> None:
    sentence, at_s = point(blocked_a=-9.5, blocked_after_s=BLOCKED_AFTER_S)  # a current counts in either direction
    assert at_s - BLOCKED_AFTER_S == pytest.approx(0.5, abs=3 * TICK_S)
    assert sentence.startswith("The shaft stands at 12 V, 0.1 N·m and the motor takes 9.5 A of its rated 4.2 A")
    assert sentence.endswith("look whether the rotor is blocked.")


def test_a_rotor_that_never_turned_is_seen_once_it_has_settled() -> None:
    sentence, at_s = point(blocked_a=9.5, blocked_after_s=0.0)
    assert at_s == pytest.approx(1.0, abs=3 * TICK_S)
    assert "rotor is blocked" in sentence


@pytest.mark.parametrize(
    ("blocked_a", "blocked_rpm"),
    [(0.9 * RATED_A, 0.0), (9.5, 30.0), (math.nan, 0.0), (9.5, math.nan)],
    ids=["sticks without much current", "turns slowly", "no current is read", "no speed is read"],
)
def test_what_is_no_stall_ends_nothing(blocked_a: float, blocked_rpm: float) -> None:
    ended_s = point(blocked_a=blocked_a, blocked_after_s=BLOCKED_AFTER_S, blocked_rpm=blocked_rpm)
    assert isinstance(ended_s, float)


def test_a_shaft_that_the_load_drive_holds_is_judged_by_its_speed_and_not_by_its_current() -> None:
    told = point(blocked_a=9.5, blocked_after_s=BLOCKED_AFTER_S, load=Speed(0.0, 0.3))
    assert isinstance(told, float)
