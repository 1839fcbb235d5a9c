"""Readings become samples on arrival: scaled, zeroed, judged, and shown to the monitor at once."""

import math

import pytest

from benchd.contract import MeasuringReading
from benchd.live.intake import Intake
from benchd.rules.channels import Calibration, Channel, Quality
from benchd.rules.limits import Bound, Crossing, Limit, LimitMonitor, Reaction

from .parts import UNIT

CALIBRATION = Calibration(
    sensor="transducer",
    serial="1",
    certificate="c",
    calibrated_on="2026-01-01",
    due_on="2028-01-01",
    input_unit="V",
    output_unit="N·m",
    gain=0.2,
    offset=0.01,
    full_scale=2.0,
    contributions=(),
)


def torque(**changes) -> Channel:
    values = {
        "name": "shaft_torque",
        "unit": "N·m",
        "device": UNIT.device,
        "port": UNIT.port,
        "signal": "ai3_v",
        "age_limit_s": 0.3,
        "zeroed": True,
        "calibration": CALIBRATION,
    }
    return Channel(**{**values, **changes})


def reading(value: float, *, at_s: float = 1.0, overloaded: bool = False, signal: str = "ai3_v") -> MeasuringReading:
    names = frozenset({signal}) if overloaded else frozenset()
    return MeasuringReading(values={signal: value}, overloaded=names, taken_mono_s=at_s)


class Told:
    def __init__(self, *limits: Limit, **changes) -> None:
        self.crossings: list[Crossing] = []
        self.intake = Intake([torque(**changes)], on_crossings=self.crossings.extend)
        self.intake.monitor = LimitMonitor(limits, start_mono_s=0.0) if limits else None

    def sample(self, value: float, **more):
        self.intake.arrived(UNIT, reading(value, **more))
        return self.intake.samples["shaft_torque"]


def limit(bound: Bound, value: float) -> Limit:
    return Limit(
        channel="shaft_torque", bound=bound, value=value, delay_s=0.0, reaction=Reaction.CUT, origin="the test"
    )


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_sample_is_calibrated_signed_and_zeroed(sign: float) -> None:
    told = Told(sign=sign)
    told.intake.set_zeros({"shaft_torque": 0.004})
    sample = told.sample(5.0)
    assert sample.value == pytest.approx(sign * (0.2 * 5.0 + 0.01) - 0.004)
    assert sample.quality is Quality.GOOD
    assert sample.taken_mono_s == 1.0


def test_a_zero_is_taken_off_zeroed_channels_only_and_an_empty_mapping_takes_nothing_off() -> None:
    other = Told(zeroed=False)
    other.intake.set_zeros({"shaft_torque": 0.5})
    assert other.sample(5.0).value == pytest.approx(1.01)
    told = Told()
    told.intake.set_zeros({"shaft_torque": 0.5})
    told.intake.set_zeros({})
    assert told.sample(5.0).value == pytest.approx(1.01)


@pytest.mark.parametrize(
    ("value", "overloaded", "quality"),
    [
        (9.9, False, Quality.GOOD),
        (10.0, False, Quality.OVER_RANGE),  # 2.01 N·m of 2
        (-10.1, False, Quality.OVER_RANGE),
        (math.nan, False, Quality.NOT_A_NUMBER),
        (math.nan, True, Quality.NOT_A_NUMBER),
        (math.inf, True, Quality.OVER_RANGE),
        (10.0, True, Quality.OVER_RANGE),  # a driver that leaves the saturated number in
    ],
)
def test_quality_says_how_far_a_sample_may_be_believed(value: float, overloaded: bool, quality: Quality) -> None:
    told = Told()
    assert told.sample(value, overloaded=overloaded).quality is quality
    assert math.isnan(told.intake.frame(1.0).value("shaft_torque")) is (quality is not Quality.GOOD)


def test_an_infinite_value_without_a_full_scale_is_over_range_too() -> None:
    assert Told(calibration=None).sample(math.inf, overloaded=True).quality is Quality.OVER_RANGE


@pytest.mark.parametrize(("value", "bound", "level"), [(math.inf, Bound.HIGH, 1.9), (-math.inf, Bound.LOW, -1.9)])
def test_an_overloaded_input_crosses_its_limit_at_once(value: float, bound: Bound, level: float) -> None:
    told = Told(limit(bound, level))
    told.sample(value, overloaded=True)
    assert [crossing.limit.bound for crossing in told.crossings] == [bound]


def test_crossings_are_told_on_arrival_before_any_tick() -> None:
    told = Told(limit(Bound.HIGH, 1.0))
    told.sample(4.0)
    assert told.crossings == []
    told.sample(5.5)
    assert len(told.crossings) == 1


def test_what_is_not_a_number_does_not_keep_a_channel_fresh() -> None:
    told = Told(limit(Bound.STALE, 0.3))
    told.sample(1.0, at_s=1.0)
    told.sample(math.nan, at_s=1.25)
    told.intake.frame(1.2)
    assert told.crossings == []
    told.intake.frame(1.31)
    assert [crossing.limit.bound for crossing in told.crossings] == [Bound.STALE]


def test_a_signal_that_a_reading_lacks_is_not_a_number_and_ends_nothing() -> None:
    told = Told()
    assert told.sample(1.0, signal="ai9_v").quality is Quality.NOT_A_NUMBER


def test_a_frame_marks_what_is_older_than_its_channel_allows() -> None:
    told = Told()
    told.sample(1.0, at_s=1.0)
    assert told.intake.frame(1.29).samples["shaft_torque"].quality is Quality.GOOD
    assert told.intake.frame(1.31).samples["shaft_torque"].quality is Quality.STALE


def test_nothing_arrived_yet_is_missing() -> None:
    assert Told().intake.frame(1.0).samples["shaft_torque"].quality is Quality.MISSING
