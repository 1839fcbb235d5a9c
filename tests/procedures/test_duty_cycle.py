"""A duty cycle: both machines follow their course in step, time stands where it must, and what is too much is told."""

import itertools
import math
from dataclasses import replace

import pytest
from pydantic import ValidationError

from benchd.procedures.duty_cycle import DUTY_CYCLE, DutyCycleSettings
from benchd.procedures.procedure import Surroundings
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.moves import Ask, CannotGoOn, Meanwhile, Move, Regulated, Role, Speed, Torque, Unanswered, Voltage
from benchd.rules.resonance import Band

from .driven import PUMP, SLOPES, drive, surroundings
from .synthetic import PLATE

UP = {"speed_rpm": {"shape": "linear", "end": 1500.0, "time_s": 2.0}, "torque_nm": {"shape": "hold"}}
BACKWARDS = {"speed_rpm": {"shape": "linear", "end": -1500.0, "time_s": 2.0}, "torque_nm": {"shape": "hold"}}
LOADED = {"speed_rpm": {"shape": "hold", "time_s": 2.0}, "torque_nm": {"shape": "linear", "end": 1.0}}
DOWN = {
    "speed_rpm": {"shape": "linear", "end": 0.0, "time_s": 2.0},
    "torque_nm": {"shape": "linear", "end": 0.0},
}
SETTLED = {
    "until": "settled",
    "channel": "shaft_speed",
    "mean_band": 20.0,
    "trend_band_per_s": 20.0,
    "window_s": 0.5,
    "within_s": 3.0,
}
COGGING = {"bands": (Band(low_rpm=1400.0, high_rpm=1600.0, causes=("cogging",)),)}
TICK_S = 0.01


def duty(*parts, **more) -> DutyCycleSettings:
    given = {"speed_by": "motor", "supply_voltage_v": 48.0, "part": list(parts or (UP, LOADED, DOWN)), **more}
    return DutyCycleSettings.model_validate(given)


def along(play, *, stop_after_s: float = math.inf, frames=None) -> list[tuple[float, Move]]:
    """Moves with their times while an ideal shaft follows whoever holds the speed; `frames` may change each frame."""
    seen = []
    time_s, speed_rpm = 10.0, 0.0
    move = next(play)
    while time_s - 10.0 < min(stop_after_s, 300.0):
        if isinstance(move, Ask):
            seen.append((time_s, move))
            time_s += 30.0
        else:
            seen.append((time_s, move))
            speed_rpm = next((one.speed_rpm for one in move.targets.values() if isinstance(one, Speed)), 0.0)
            time_s += TICK_S
        samples = {"shaft_speed": Sample(speed_rpm, Quality.GOOD, time_s)}
        frame = Frame(time_s, samples)
        if frames is not None:
            frame = frames(frame)
            time_s = frame.time_mono_s
        try:
            move = play.send(frame)
        except StopIteration:
            return seen
    return seen


def test_motor_and_load_follow_speed_and_torque_in_step() -> None:
    seen = along(DUTY_CYCLE.play(duty(), surroundings()))
    following = [(time_s, move) for time_s, move in seen if move.point is not None]
    began_s = following[0][0]
    assert following[-1][0] - began_s == pytest.approx(6.0, abs=0.05)
    for time_s, move in following:
        t = time_s - began_s
        rpm = 750.0 * t if t < 2.0 else 1500.0 if t < 4.0 else 1500.0 - 750.0 * (t - 4.0)
        nm = 0.0 if t < 2.0 else 0.5 * (t - 2.0) if t < 4.0 else 1.0 - 0.5 * (t - 4.0)
        assert move.targets[Role.MOTOR_DRIVE].speed_rpm == pytest.approx(rpm, abs=1e-6)
        assert move.targets[Role.LOAD_DRIVE].torque_nm == pytest.approx(nm, abs=1e-6)
        assert isinstance(move.targets[Role.MOTOR_DRIVE], Speed)
        assert isinstance(move.targets[Role.LOAD_DRIVE], Torque)


def test_the_load_may_hold_the_speed_and_the_motor_the_torque() -> None:
    seen = along(DUTY_CYCLE.play(duty(speed_by="load"), surroundings()))
    following = [move for _, move in seen if move.point is not None]
    assert max(move.targets[Role.LOAD_DRIVE].speed_rpm for move in following) == pytest.approx(1500.0)
    assert max(move.targets[Role.MOTOR_DRIVE].torque_nm for move in following) == pytest.approx(1.0, abs=0.01)
    top = following[len(following) // 2]
    assert top.regulated[Role.LOAD_DRIVE] == Regulated("shaft_speed", top.targets[Role.LOAD_DRIVE].speed_rpm)
    assert top.regulated[Role.MOTOR_DRIVE] == Regulated("shaft_torque", top.targets[Role.MOTOR_DRIVE].torque_nm)


def test_who_holds_the_speed_must_be_said() -> None:
    with pytest.raises(ValidationError, match="speed_by"):
        DutyCycleSettings.model_validate({"supply_voltage_v": 48.0, "part": [UP]})


@pytest.mark.parametrize("voltage_v", [48.0, 24.0])  # the link's own, and one that has to change: by way of rest
def test_the_machines_change_their_mode_without_torque_at_rest_or_at_the_speed_that_both_hold(voltage_v: float) -> None:
    before = {
        Role.SUPPLY: Voltage(voltage_v, 20.0),
        Role.MOTOR_DRIVE: Torque(0.8, 4500.0),
        Role.LOAD_DRIVE: Speed(1000.0, 4.0),
    }
    seen = along(DUTY_CYCLE.play(duty(), surroundings(at=before)))
    changed_rpm = []
    for (_, one), (_, other) in itertools.pairwise(seen):
        for role, beside in ((Role.MOTOR_DRIVE, Role.LOAD_DRIVE), (Role.LOAD_DRIVE, Role.MOTOR_DRIVE)):
            was, now = one.targets[role], other.targets[role]
            if type(was) is type(now):
                continue
            speed, torque = (was, now) if isinstance(was, Speed) else (now, was)
            assert torque.torque_nm == 0.0
            if speed.speed_rpm != 0.0:
                assert other.targets[beside] == Speed(speed.speed_rpm, other.targets[beside].torque_limit_nm)
            changed_rpm.append(speed.speed_rpm)
    assert (1000.0 in changed_rpm) is (voltage_v == 48.0)


@pytest.mark.parametrize("speed_by", ["motor", "load"])
def test_it_begins_and_ends_at_rest_and_no_step_is_steeper_than_the_bench_allows(speed_by: str) -> None:
    begun = {"speed_rpm": {"shape": "hold", "at": 1000.0, "time_s": 1.0}, "torque_nm": {"shape": "hold", "at": 0.7}}
    seen = along(DUTY_CYCLE.play(duty(begun, speed_by=speed_by), surroundings()))
    last = seen[-1][1].targets
    assert (last[Role.MOTOR_DRIVE], last[Role.LOAD_DRIVE]) == (Torque(0.0, 4500.0), Torque(0.0, 4500.0))
    for (_, one), (_, other) in itertools.pairwise(seen):
        for role, slope in ((Role.MOTOR_DRIVE, SLOPES), (Role.LOAD_DRIVE, SLOPES)):
            was, now = one.targets[role], other.targets[role]
            if isinstance(was, Speed) and isinstance(now, Speed):
                assert abs(now.speed_rpm - was.speed_rpm) <= slope.speed_rpm_per_s * TICK_S * (1 + 1e-6)
            if isinstance(was, Torque) and isinstance(now, Torque):
                assert abs(now.torque_nm - was.torque_nm) <= slope.torque_nm_per_s * TICK_S * (1 + 1e-6)


def test_the_speed_is_changed_without_torque_on_the_way_to_the_course_and_from_it() -> None:
    begun = {"speed_rpm": {"shape": "hold", "at": 1000.0, "time_s": 1.0}, "torque_nm": {"shape": "hold", "at": 0.7}}
    seen = along(DUTY_CYCLE.play(duty(begun), surroundings()))
    for (_, one), (_, other) in itertools.pairwise(seen):
        was, now = one.targets[Role.MOTOR_DRIVE], other.targets[Role.MOTOR_DRIVE]
        if isinstance(was, Speed) and isinstance(now, Speed) and was.speed_rpm != now.speed_rpm:
            assert one.targets[Role.LOAD_DRIVE].torque_nm == 0.0
            assert other.targets[Role.LOAD_DRIVE].torque_nm == 0.0


def test_course_time_stands_while_held_and_goes_on_where_it_stood() -> None:
    gaps = iter([7.0])

    def held(frame: Frame) -> Frame:
        if frame.time_mono_s >= 15.0 and (gap_s := next(gaps, None)) is not None:
            return Frame(frame.time_mono_s + gap_s, frame.samples)
        return frame

    seen = along(DUTY_CYCLE.play(duty(), surroundings()), frames=held)
    following = [(time_s, move) for time_s, move in seen if move.point is not None]
    assert sorted({move.point.number for _, move in following}) == [0, 1]
    second = next(move for _, move in following if move.point.number == 1)
    last = [move for _, move in following if move.point.number == 0][-1]
    assert second.targets == last.targets
    moving_s = sum(b[0] - a[0] for a, b in itertools.pairwise(following) if b[0] - a[0] < 0.5)
    assert moving_s == pytest.approx(6.0, abs=0.1)
    assert 0.0 < second.point.asked["course_s"] < 6.0


def test_each_stretch_says_where_it_begins_and_in_which_repetition() -> None:
    seen = along(DUTY_CYCLE.play(duty(UP, {"wait": SETTLED}, DOWN, repeated=2), surroundings()))
    points = {move.point.number: move.point.asked for _, move in seen if move.point is not None}
    assert [(one["repetition"], round(one["course_s"], 1)) for one in points.values()] == [
        (1, 0.0),
        (1, 2.0),
        (2, 4.0),
        (2, 6.0),
    ]


def test_a_wait_holds_the_value_until_it_is_met() -> None:
    seen = along(DUTY_CYCLE.play(duty(UP, LOADED, {"wait": SETTLED}, DOWN), surroundings()))
    waiting = [(time_s, move) for time_s, move in seen if move.doing == "waiting for shaft_speed"]
    assert {move.targets[Role.MOTOR_DRIVE].speed_rpm for _, move in waiting} == {1500.0}
    assert {move.targets[Role.LOAD_DRIVE].torque_nm for _, move in waiting} == {1.0}
    assert 0.5 <= waiting[-1][0] - waiting[0][0] < 0.8
    assert all(move.point is None for _, move in waiting)


def off_by(rpm: float):
    return lambda frame: Frame(
        frame.time_mono_s,
        {"shaft_speed": replace(frame.samples["shaft_speed"], value=frame.samples["shaft_speed"].value + rpm)},
    )


def test_a_wait_that_is_too_late_ends_the_run_in_one_sentence_or_the_test_with_a_deviation() -> None:
    late = duty(UP, {"wait": SETTLED}, DOWN)
    with pytest.raises(CannotGoOn, match=r"shaft_speed did not settle at 1500 ± 20 for 0\.5 s within 3 s"):
        along(DUTY_CYCLE.play(late, surroundings()), frames=off_by(30.0))
    ending = duty(UP, {"wait": {**SETTLED, "too_late": "end_test"}}, DOWN)
    seen = along(DUTY_CYCLE.play(ending, surroundings()), frames=off_by(30.0))
    notes = [note for _, move in seen for note in move.notes]
    assert notes == ["shaft_speed did not settle at 1500 ± 20 for 0.5 s within 3 s; the test ended there."]
    assert seen[-1][1].targets[Role.MOTOR_DRIVE] == Torque(0.0, 4500.0)


def test_a_temperature_that_is_not_read_meets_nothing_and_one_that_is_below_does() -> None:
    cool = {"until": "temperature", "channel": "winding_temperature", "below_degc": 40.0, "within_s": 2.0}
    with pytest.raises(CannotGoOn, match="winding_temperature did not fall below 40 °C within 2 s"):
        along(DUTY_CYCLE.play(duty(UP, {"wait": cool}, DOWN), surroundings()))

    def read(frame: Frame) -> Frame:
        degc = Sample(39.0, Quality.GOOD, frame.time_mono_s)
        return Frame(frame.time_mono_s, {**frame.samples, "winding_temperature": degc})

    assert along(DUTY_CYCLE.play(duty(UP, {"wait": cool}, DOWN), surroundings()), frames=read)


def test_a_question_is_asked_with_its_rest_and_the_machines_are_led_back_before_time_goes_on() -> None:
    ask = {"until": "answer", "text": "Is the filter rinsed?", "unanswered": "end_test"}
    settings = duty(UP, LOADED, {"wait": ask}, DOWN)
    assert DUTY_CYCLE.asks(settings, surroundings()) == "Is the filter rinsed?"
    seen = along(DUTY_CYCLE.play(settings, surroundings()))
    place = next(at for at, (_, move) in enumerate(seen) if isinstance(move, Ask))
    asked = seen[place][1]
    assert (asked.meanwhile, asked.unanswered) == (Meanwhile.REST, Unanswered.END_TEST)
    after = [move for _, move in seen[place + 1 :]]
    back = next(at for at, move in enumerate(after) if move.point is not None)
    assert after[0].targets[Role.MOTOR_DRIVE] == Speed(0.0, 4.0)
    assert after[0].targets[Role.LOAD_DRIVE].torque_nm == 0.0
    first = after[back]
    assert first.targets[Role.MOTOR_DRIVE].speed_rpm == pytest.approx(1500.0)
    assert first.targets[Role.LOAD_DRIVE].torque_nm == pytest.approx(1.0)


def test_the_demand_is_the_courses_greatest_and_the_duration_agrees() -> None:
    settings = duty(repeated=3)
    demand = DUTY_CYCLE.demand(settings, surroundings())
    assert (demand.speed_rpm, demand.torque_nm, demand.voltage_v) == (1500.0, 1.0, 48.0)
    assert demand.current_a >= 1500.0 * math.pi / 30.0 / 48.0
    seen = along(DUTY_CYCLE.play(settings, surroundings()))
    assert seen[-1][0] - seen[0][0] == pytest.approx(demand.duration_s, rel=0.15)


# --- a brushed motor


def of_brushed(**more) -> Surroundings:
    return replace(surroundings(PLATE), **more)


def test_a_brushed_motors_speed_is_made_by_its_voltage_and_regulated_there() -> None:
    slow = {"speed_rpm": {"shape": "linear", "end": 1000.0, "time_s": 4.0}, "torque_nm": {"shape": "hold"}}
    load = {"speed_rpm": {"shape": "hold", "time_s": 4.0}, "torque_nm": {"shape": "linear", "end": 0.1}}
    settings = duty(slow, load)
    seen = drive(DUTY_CYCLE.play(settings, of_brushed()), PLATE)
    following = [move for _, _, move in seen.moves if move.point is not None]
    last = following[-1]
    ke, r = PLATE.ke_v_s, PLATE.resistance_ohm
    assert last.targets[Role.SUPPLY].voltage_v == pytest.approx(ke * 1000.0 * math.pi / 30.0 + r * 0.1 / ke, rel=1e-3)
    assert last.regulated[Role.SUPPLY] == Regulated("shaft_speed", pytest.approx(1000.0))
    assert seen.moves[-1][2].targets[Role.SUPPLY].voltage_v == 0.0


@pytest.mark.parametrize(("holds", "channel"), [("torque", "shaft_torque"), ("current", "dc_current")])
def test_a_brushed_motor_at_a_speed_that_the_load_holds_makes_torque_or_current(holds: str, channel: str) -> None:
    slow = {"speed_rpm": {"shape": "linear", "end": 1000.0, "time_s": 4.0}, "torque_nm": {"shape": "hold"}}
    load = {"speed_rpm": {"shape": "hold", "time_s": 4.0}, "torque_nm": {"shape": "linear", "end": 0.1}}
    settings = duty(slow, load, speed_by="load", motor_holds=holds)
    seen = drive(DUTY_CYCLE.play(settings, of_brushed()), PLATE)
    last = [move for _, _, move in seen.moves if move.point is not None][-1]
    value = 0.1 if holds == "torque" else 0.1 / PLATE.ke_v_s
    assert last.regulated[Role.SUPPLY] == Regulated(channel, pytest.approx(value, rel=1e-2))


# --- what is refused


@pytest.mark.parametrize(
    ("parts", "more", "around", "says"),
    [
        ((UP,), {}, {"roles": frozenset({Role.SUPPLY, Role.LOAD_DRIVE})}, "a brushless motor needs a motor drive"),
        ((UP,), {"motor_holds": "current"}, {}, "is for a brushed motor"),
        ((UP, {**LOADED, "torque_nm": {"shape": "linear", "end": -0.1}}), {}, {"plate": PLATE}, "must not be negative"),
        (
            ({"speed_rpm": {"shape": "hold", "time_s": 1.0}, "torque_nm": {"shape": "linear", "end": 0.1}},),
            {},
            {"plate": PLATE},
            "cannot hold the shaft still against a torque",
        ),
    ],
)
def test_a_specimen_that_cannot_be_led_so_is_refused(parts, more, around, says: str) -> None:
    assert says in DUTY_CYCLE.objection(duty(*parts, **more), replace(surroundings(), **around))
    assert DUTY_CYCLE.objection(duty(), surroundings()) == ""


def misplaced(settings: DutyCycleSettings, **around) -> list[tuple]:
    return list(DUTY_CYCLE.misplaced(settings, replace(surroundings(), **around)))


STEEP = {"speed_rpm": {"shape": "linear", "end": 0.0, "time_s": 0.5}, "torque_nm": {"shape": "linear", "end": 0.0}}


@pytest.mark.parametrize(
    ("settings", "around", "part", "says"),
    [
        (duty(UP, LOADED, STEEP), {}, 2, "slope of speed of 3000 r/min per s from second 4 of the course on"),
        (
            duty(UP, {"speed_rpm": {"shape": "hold", "time_s": 0.2}, "torque_nm": {"shape": "linear", "end": 1.0}}),
            {},
            1,
            "slope of torque of 5 N·m per s from second 2",
        ),
        (duty(UP, LOADED, repeated=2), {}, 0, "jumps at second 4 of the course"),
        (
            duty(UP, {**LOADED, "torque_nm": {"shape": "linear", "end": 3.9}}),
            {"torque_limit_nm": 1.0},
            1,
            "torque with that for speeding up of 3.9 N·m from second 2.5",
        ),
        # 750 r/min per s of 0.02 kg·m² need 1.57 N·m by themselves
        (duty(), {"inertia_kgm2": 0.02, "torque_limit_nm": 1.5}, 0, "torque with that for speeding up of 1.571 N·m"),
        (duty(), {"current_limit_a": 8.0}, 1, "power at the shaft"),
        (duty(), COGGING, 1, "rests at 1500 r/min"),
        (duty(BACKWARDS, LOADED, DOWN), COGGING, 1, "never held; let it be -1399 or -1601 r/min"),
        (  # 750 r/min per s need 0.267 s for 200 r/min
            duty(),
            {"bands": (Band(low_rpm=600.0, high_rpm=800.0, causes=("cogging",)),), "longest_crossing_s": 0.2},
            0,
            "for 0.267 s from second 0.8 of the course on, and may be for 0.2 s; cross it more quickly",
        ),
        (duty(UP, {"wait": SETTLED}, LOADED), COGGING, 1, "waits at 1500 r/min at second 2"),
        (duty(UP, {"wait": SETTLED}), {"channels": {"drive_speed": "r/min"}}, 1, "not a channel of this bench"),
        (
            duty(
                {"speed_rpm": {"shape": "linear", "end": 1500.0, "time_s": 30.0}, "torque_nm": {"shape": "hold"}},
                supply_voltage_v=5.0,
            ),
            {"plate": PLATE},
            0,
            "the supply's voltage of",
        ),
    ],
)
def test_what_the_bench_cannot_follow_is_told_with_its_part_and_second(settings, around, part: int, says: str) -> None:
    found = misplaced(settings, **around)
    assert any(where == ("part", part) and says in sentence for where, sentence in found), found


def test_a_course_within_the_bench_has_nothing_against_it() -> None:
    assert (
        misplaced(duty(UP, {"wait": SETTLED}, LOADED, DOWN), inertia_kgm2=1e-3, channels={"shaft_speed": "r/min"}) == []
    )


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ([{"speed_rpm": UP["speed_rpm"]}], "torque_nm is missing beside the other one"),
        ([{**UP, "wait": SETTLED}], "either speed_rpm and torque_nm, or a table, or a wait"),
        ([{**UP, "between": "cubic"}], "between is for a table"),
        ([{"speed_rpm": {"shape": "hold"}, "torque_nm": {"shape": "hold"}}], "neither speed nor torque says how long"),
        ([UP, {"wait": {**SETTLED, "channel": "dc_current"}}], "part 2: dc_current has no value of the course"),
        (
            [{"speed_rpm": {"shape": "hold", "time_s": 1.0}, "torque_nm": {"shape": "hold", "time_s": 2.0}}],
            "Part 1 lasts 1 s in speed and 2 s in torque",
        ),
        ([{"wait": SETTLED}], "needs a piece that moves or holds it"),
    ],
)
def test_parts_that_make_no_course_are_refused_in_words(parts: list, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        duty(*parts)


def test_a_course_of_too_many_stretches_is_refused() -> None:
    with pytest.raises(ValidationError, match="more than 10000 stretches"):
        duty(UP, {"wait": SETTLED}, DOWN, repeated=6000)


def test_the_pumps_plate_stands_for_a_brushless_motor() -> None:
    assert PUMP.kind == "brushless"


def test_on_the_way_to_the_course_a_critical_band_is_crossed_by_the_slope_for_it() -> None:
    begun = {"speed_rpm": {"shape": "hold", "at": 2000.0, "time_s": 1.0}, "torque_nm": {"shape": "hold", "at": 0.1}}
    banded = replace(
        surroundings(),
        bands=(Band(low_rpm=900.0, high_rpm=1100.0, causes=("cogging",)),),
        slopes=replace(SLOPES, crossing_rpm_per_s=6000.0),
    )
    seen = along(DUTY_CYCLE.play(duty(begun), banded))
    speeds = [
        one.targets[Role.MOTOR_DRIVE].speed_rpm for _, one in seen if isinstance(one.targets[Role.MOTOR_DRIVE], Speed)
    ]
    inside = [abs(b - a) / TICK_S for a, b in itertools.pairwise(speeds) if min(a, b) > 900.0 and max(a, b) < 1100.0]
    outside = [abs(b - a) / TICK_S for a, b in itertools.pairwise(speeds) if max(a, b) < 900.0]
    assert inside
    assert min(inside) == pytest.approx(6000.0)
    assert max(outside) == pytest.approx(2000.0)
