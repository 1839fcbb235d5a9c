"""Speeds ordered by hand and critical bands: refused within one, with the nearest that may be held."""

import math

import pytest

from benchd.rules.by_hand import End, Facts, Order, OrderRefused, Range, SpeedBy, What, at_rest, followed
from benchd.rules.resonance import Band

MOST = Range(End(-2000.0, "a limit"), End(2000.0, "a limit"))
ANY = Range(End(-math.inf, "nothing"), End(math.inf, "nothing"))
BANDS = (
    Band(low_rpm=900.0, high_rpm=1100.0, causes=("slots",)),
    Band(low_rpm=1900.5, high_rpm=2100.0, causes=("foot",)),
)


def facts(bands: tuple[Band, ...] = BANDS) -> Facts:
    ranges = {what: MOST if what in {What.SPEED, What.JOG} else ANY for what in What}
    return Facts(
        brushless=True,
        ranges=dict.fromkeys(SpeedBy, ranges),
        slopes_per_s={What.SPEED: 1000.0, What.TORQUE: 1.0, What.VOLTAGE: 10.0},
        current_limit_a=10.0,
        bands=bands,
    )


def ordered(what: What, value: float, *, from_rpm: float = 0.0, relative: bool = False):
    fed = followed(at_rest(facts()), Order(what=What.VOLTAGE, value=48.0), facts(), rests=True)
    if from_rpm:
        fed = followed(fed, Order(what=What.SPEED, value=from_rpm), facts(), rests=True)
    return followed(fed, Order(what=what, value=value, relative=relative), facts(), rests=True)


@pytest.mark.parametrize(
    ("what", "value", "nearest"),
    [
        (What.SPEED, 1000.0, "order 899 or 1101 r/min."),
        (What.SPEED, -950.0, "order -899 or -1101 r/min."),
        (What.JOG, 900.0, "order 899 or 1101 r/min."),
        (What.SPEED, 1950.0, "order 1900 r/min."),  # 2101 is beyond the limit
    ],
)
def test_a_speed_within_a_band_is_refused_with_the_nearest_outside(what: What, value: float, nearest: str) -> None:
    with pytest.raises(OrderRefused, match=r"lies within the critical band from .* never held; ") as refused:
        ordered(what, value)
    assert str(refused.value).endswith(nearest)


def test_a_step_that_leads_into_a_band_is_refused_and_one_across_it_is_not() -> None:
    with pytest.raises(OrderRefused, match="A speed of 1000 r/min lies within"):
        ordered(What.SPEED, 200.0, from_rpm=800.0, relative=True)
    assert ordered(What.SPEED, 400.0, from_rpm=800.0, relative=True).speed_rpm == 1200.0


def test_a_torque_of_such_a_number_is_none_of_it() -> None:
    assert ordered(What.TORQUE, 1000.0).torque_nm == 1000.0


@pytest.mark.parametrize(
    ("high_rpm", "value", "nearest"),
    [(50.0, -20.0, "; order 0 or -51 r/min."), (5000.0, 20.0, "; order 0 r/min.")],
)
def test_standing_still_is_outside_of_a_band_that_begins_at_nothing(
    high_rpm: float, value: float, nearest: str
) -> None:
    slow = facts((Band(low_rpm=0.0, high_rpm=high_rpm, causes=("foot",)),))
    fed = followed(at_rest(slow), Order(what=What.VOLTAGE, value=48.0), slow, rests=True)
    with pytest.raises(OrderRefused) as refused:
        followed(fed, Order(what=What.SPEED, value=value), slow, rests=True)
    assert str(refused.value).endswith(nearest)
