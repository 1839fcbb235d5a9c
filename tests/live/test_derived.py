"""Derived channels in the live room: computed on arrival, watched, told in one sentence."""

import math

import pytest

from benchd.contract import DriveReading, DriveState, MeasuringReading
from benchd.live.causes import COUPLING, cause_of
from benchd.live.intake import Intake
from benchd.live.plan import PortRef
from benchd.rules.channels import Channel, Quality
from benchd.rules.derivations import DERIVED, Derivation, Difference, Energy, I2t, Product, RunTime, Stuck
from benchd.rules.limits import Bound, Crossing, Limit, LimitMonitor, Reaction

UNIT, DRIVE = PortRef("unit", "inputs"), PortRef("drive", "axis")


def measured(name: str, unit: str, ref: PortRef, signal: str) -> Channel:
    return Channel(name=name, unit=unit, device=ref.device, port=ref.port, signal=signal, age_limit_s=0.5)


def derived(name: str, unit: str, rule, **more) -> Channel:
    derivation = Derivation(rule=rule, **{"look": "it", "devices": ("unit", "drive"), **more})
    return Channel(
        name=name, unit=unit, device=DERIVED, port=rule.kind, signal=name, age_limit_s=0.5, derivation=derivation
    )


SLIP = derived(
    "slip", "r/min", Difference(of="shaft_speed", against="drive_speed"), look="the coupling", doubts=(COUPLING,)
)
CHANNELS = (
    measured("shaft_speed", "r/min", UNIT, "encoder_rpm"),
    measured("shaft_torque", "N·m", UNIT, "torque_nm"),
    measured("drive_speed", "r/min", DRIVE, "speed_rpm"),
    derived("returned", "W·s", Energy(of="power")),  # stands before what it is made of
    derived("power", "W", Product(of="shaft_torque", by="shaft_speed", factor=math.pi / 30.0)),
    SLIP,
    derived("run_time", "s", RunTime()),
    derived("heat", "1", I2t(of="shaft_torque")),
    derived("frozen", "s", Stuck(of="shaft_speed", resolution=0.0, moving="drive_speed", moving_by=50.0)),
)


def limit(channel: str, value: float, bound: Bound = Bound.HIGH, **more) -> Limit:
    given = {"delay_s": 0.0, "reaction": Reaction.CUT, "origin": "b.toml:3 limits.high", **more}
    return Limit(channel=channel, bound=bound, value=value, **given)


class Room:
    def __init__(self, *limits: Limit) -> None:
        self.crossings: list[Crossing] = []
        self.intake = Intake(CHANNELS, on_crossings=self.crossings.extend)
        self.intake.begin(LimitMonitor(limits, start_mono_s=0.0), time_mono_s=0.0)

    def unit(self, speed_rpm: float, torque_nm: float, at_s: float) -> None:
        values = {"encoder_rpm": speed_rpm, "torque_nm": torque_nm}
        self.intake.arrived(UNIT, MeasuringReading(values=values, overloaded=frozenset(), taken_mono_s=at_s))

    def drive(self, speed_rpm: float, at_s: float) -> None:
        reading = DriveReading(
            speed_rpm=speed_rpm,
            torque_nm=0.0,
            dc_link_v=None,
            winding_degc=None,
            state=DriveState.OPERATION_ENABLED,
            fault_code=0,
            taken_mono_s=at_s,
        )
        self.intake.arrived(DRIVE, reading)

    def value(self, name: str) -> float:
        return self.intake.samples[name].value


def test_every_channel_that_follows_from_a_reading_is_new_when_the_reading_has_arrived() -> None:
    room = Room()
    room.unit(3000.0, -5.0, 1.0)
    assert room.value("power") == pytest.approx(-1570.796327)
    room.unit(3000.0, -5.0, 1.1)
    assert room.value("returned") == pytest.approx(157.0796327)  # in the same step, from the power
    assert room.intake.samples["slip"].quality is Quality.MISSING
    room.drive(2900.0, 1.1)
    assert room.value("slip") == 100.0


def test_the_frame_carries_them_like_any_other_and_calls_them_stale_by_their_age() -> None:
    room = Room()
    room.unit(3000.0, 1.0, 1.0)
    room.drive(3000.0, 1.0)
    frame = room.intake.frame(1.2)
    assert frame.value("slip") == 0.0
    assert frame.value("run_time") == 1.2
    assert room.intake.frame(1.6).samples["slip"].quality is Quality.STALE


def test_a_limit_on_a_derived_channel_is_crossed_on_the_arrival_of_the_reading_that_completes_it() -> None:
    room = Room(limit("slip", 100.0, delay_s=0.05), limit("run_time", 2.0))
    room.drive(1000.0, 0.98)
    for tick in range(8):
        room.unit(1200.0, 0.0, 1.0 + 0.02 * tick)
        room.drive(1000.0, 1.0 + 0.02 * tick)
        if tick < 3:
            assert room.crossings == []
    [crossing] = room.crossings
    assert (crossing.value, crossing.since_mono_s) == (200.0, 1.0)
    room.intake.frame(2.01)
    assert room.crossings[-1].limit.channel == "run_time"


def test_a_silent_input_makes_a_derived_channel_stale_and_names_the_device_that_is_silent() -> None:
    room = Room(limit("slip", 0.5, Bound.STALE))
    for tick in range(100):
        room.unit(1000.0, 0.0, 0.01 * tick)
        if tick < 30:
            room.drive(1000.0, 0.01 * tick)
        room.intake.frame(0.01 * tick + 0.001)
    [crossing] = room.crossings
    assert 0.79 < crossing.time_mono_s < 0.82
    blind = room.intake.blind(SLIP, time_mono_s=crossing.time_mono_s)
    assert blind == ("drive",)
    cause = cause_of(crossing, SLIP, blind=blind)
    assert cause.doubted == {"drive"}
    assert cause.sentence == (
        "slip without a good reading for 0.5 s: look at drive and its wire (limit from b.toml:3 limits.high)."
    )


def test_a_rule_that_the_run_completes_begins_and_one_that_stays_keeps_its_memory() -> None:
    room = Room()
    rules = {"heat": I2t(of="shaft_torque", rated=1.0, time_constant_s=10.0)}
    room.unit(0.0, 2.0, 0.9)
    assert room.intake.samples["heat"].quality is Quality.MISSING
    room.intake.expect(rules)
    for tick in range(101):
        room.unit(0.0, 2.0, 1.0 + 0.1 * tick)
    hot = room.value("heat")
    assert hot == pytest.approx(4.0 * (1.0 - math.exp(-1.0)))
    room.intake.expect(rules)
    room.intake.begin(LimitMonitor([], start_mono_s=11.0), time_mono_s=11.0)
    assert room.value("heat") == hot
    room.unit(0.0, 2.0, 11.1)
    assert room.value("heat") > hot
    room.intake.expect({"heat": I2t(of="shaft_torque", rated=1.5, time_constant_s=10.0)})
    room.unit(0.0, 2.0, 11.2)
    assert room.value("heat") == 0.0  # another motor


def test_a_disagreement_names_both_sides_what_to_look_at_and_doubts_the_coupling() -> None:
    crossing = Crossing(limit=limit("slip", -100.0, Bound.LOW), value=-230.0, since_mono_s=0.0, time_mono_s=0.1)
    cause = cause_of(crossing, SLIP)
    assert cause.sentence == (
        "slip below -100 r/min: shaft_speed and drive_speed disagree by 230 r/min; look at the coupling "
        "(limit from b.toml:3 limits.high)."
    )
    assert cause.doubted == {COUPLING}
    assert cause.limit == crossing.limit


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("frozen", 0.7, "shaft_speed has not changed for 0.7 s although drive_speed moves"),
        ("heat", 1.2, "shaft_torque has made 1.2 times the heat of its rated value"),
        ("run_time", 60.0, "the run has taken 60 s"),
        ("power", 900.0, "900 W follows from shaft_torque and shaft_speed"),
        ("power", math.inf, "an input is overloaded"),
    ],
)
def test_each_kind_says_what_it_found(name: str, value: float, says: str) -> None:
    channel = next(one for one in CHANNELS if one.name == name)
    crossing = Crossing(limit=limit(name, 0.5), value=value, since_mono_s=0.0, time_mono_s=0.1)
    assert f": {says}; look at it (limit from" in cause_of(crossing, channel).sentence
