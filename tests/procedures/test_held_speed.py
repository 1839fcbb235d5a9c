"""Tests that hold a speed or need no energy: what they ask of the bench, point by point, and when they are refused."""

import itertools
from dataclasses import replace

import pytest
from pydantic import ValidationError

from benchd.procedures import PROCEDURES
from benchd.rules.moves import CannotGoOn, Role, Speed, Torque, Voltage, Winding

from . import driven
from .driven import PUMP, SLOPES, TICK_S, drive, surroundings
from .synthetic import PLATE

QUICK = {"settle_time_s": 0.3, "average_time_s": 0.4}
LOADED = {"supply_voltage_v": 48.0, "speed_rpm": 3000.0, "torque_slope_nm_per_s": 1.0, **QUICK}
ENERGISED = [
    ("torque_zero", {"speed_rpm": 60.0, **QUICK}),
    ("back_emf", {"supply_voltage_v": 48.0, "speeds_rpm": [1000.0, 3000.0], **QUICK}),
    ("no_load", {"supply_voltage_v": 48.0, "speeds_rpm": [1000.0, 3000.0], **QUICK}),
    ("load", {"torques_nm": [0.5, 2.0], **LOADED}),
    ("rated_point", {"torque_nm": 2.39, "dwell_s": 5.0, **LOADED}),
]
BRUSHED = [
    ("torque_zero", {"speed_rpm": 60.0, **QUICK}),
    ("load", {**LOADED, "supply_voltage_v": 26.0, "torques_nm": [0.05, 0.2]}),
    ("rated_point", {**LOADED, "supply_voltage_v": 26.0, "torque_nm": 0.2, "dwell_s": 3.0}),
    ("rated_point", {**LOADED, "supply_voltage_v": 24.0, "speed_rpm": None, "torque_nm": 0.2, "dwell_s": 3.0}),
]
CASES = [(PUMP, *case) for case in ENERGISED] + [(PLATE, *case) for case in BRUSHED]


def settings_of(kind: str, values: dict):
    return PROCEDURES[kind].settings(**values)


@pytest.mark.parametrize(("plate", "kind", "values"), CASES)
def test_no_move_exceeds_the_demand_the_slopes_or_the_bounds_and_the_duration_agrees(plate, kind, values) -> None:
    procedure, given, around = PROCEDURES[kind], settings_of(kind, values), surroundings(plate)
    assert procedure.objection(given, around) == ""
    demand = procedure.demand(given, around)
    result = drive(procedure.play(given, around), plate)
    for _, _, move in result.moves:
        assert 0.0 <= move.targets[Role.SUPPLY].voltage_v <= demand.voltage_v + 1e-9
        assert move.targets[Role.SUPPLY].current_limit_a == around.current_limit_a
        for role in (Role.MOTOR_DRIVE, Role.LOAD_DRIVE):
            target = move.targets.get(role)
            if isinstance(target, Speed):
                assert abs(target.speed_rpm) <= demand.speed_rpm
                assert target.torque_limit_nm == around.torque_limit_nm
            elif isinstance(target, Torque):
                assert 0.0 <= target.torque_nm <= demand.torque_nm
                assert target.speed_limit_rpm == around.speed_limit_rpm
    for role in (Role.SUPPLY, Role.MOTOR_DRIVE, Role.LOAD_DRIVE):
        for before, after in itertools.pairwise(result.targets(role)):
            assert slowly(before, after), (before, after)
    # what is planned holds waits for real devices, which an ideal bench does not need
    assert 0.5 * demand.duration_s <= result.duration_s <= 1.1 * demand.duration_s


def slowly(before, after) -> bool:
    """Within the bench's slopes; a change of what is followed goes through zero."""
    match before, after:
        case Voltage(voltage_v=one), Voltage(voltage_v=other):
            return abs(one - other) <= SLOPES.voltage_v_per_s * TICK_S * 1.001
        case Torque(torque_nm=one), Torque(torque_nm=other):
            return abs(one - other) <= SLOPES.torque_nm_per_s * TICK_S * 1.001
        case Speed(speed_rpm=one), Speed(speed_rpm=other):
            return abs(one - other) <= SLOPES.speed_rpm_per_s * TICK_S * 1.001
        case Torque(torque_nm=nothing), Speed(speed_rpm=standing):
            return nothing == 0.0 and standing == 0.0
        case Speed(), Torque(torque_nm=nothing):
            return nothing == 0.0
    return False


@pytest.mark.parametrize(("plate", "kind", "values"), CASES)
def test_a_drive_changes_between_torque_and_speed_only_at_standstill(plate, kind, values) -> None:
    result = drive(PROCEDURES[kind].play(settings_of(kind, values), surroundings(plate)), plate)
    for (_, _, before), (_, speed_rpm, after) in itertools.pairwise(result.moves):
        for role in (Role.MOTOR_DRIVE, Role.LOAD_DRIVE):
            if type(before.targets.get(role)) is not type(after.targets.get(role)):
                assert abs(speed_rpm) <= 10.0


@pytest.mark.parametrize(("plate", "kind", "values"), CASES)
def test_the_load_drive_ends_without_torque(plate, kind, values) -> None:
    result = drive(PROCEDURES[kind].play(settings_of(kind, values), surroundings(plate)), plate)
    last = result.moves[-1][2].targets[Role.LOAD_DRIVE]
    assert isinstance(last, Torque)
    assert last.torque_nm <= SLOPES.torque_nm_per_s * TICK_S


def test_a_brushless_load_test_is_held_by_its_converter_up_and_down() -> None:
    result = drive(PROCEDURES["load"].play(settings_of(*ENERGISED[3]), surroundings()))
    assert [(asked["torque_nm"], asked["speed_rpm"], way) for asked, way, _ in result.points()] == [
        (0.5, 3000.0, "up"),
        (2.0, 3000.0, "up"),
        (2.0, 3000.0, "down"),
        (0.5, 3000.0, "down"),
    ]
    averaging = [move for _, _, move in result.moves if move.point is not None]
    assert all(move.targets[Role.MOTOR_DRIVE] == Speed(3000.0, 4.0) for move in averaging)
    assert all(move.targets[Role.SUPPLY].voltage_v == 48.0 for move in averaging)


def test_a_brushed_motors_held_speed_is_the_load_drives_and_the_supply_makes_the_torque() -> None:
    result = drive(PROCEDURES["load"].play(settings_of(*BRUSHED[1]), surroundings(PLATE)), PLATE)
    averaging = [move for _, _, move in result.moves if move.point is not None]
    assert all(move.targets[Role.LOAD_DRIVE] == Speed(3000.0, 4.0) for move in averaging)
    assert not any(Role.MOTOR_DRIVE in move.targets for _, _, move in result.moves)
    emf_v = PLATE.ke_v_s * 3000.0 * 3.141592653589793 / 30.0
    for move in averaging:
        wanted = emf_v + PLATE.resistance_ohm * move.point.asked["torque_nm"] / PLATE.ke_v_s
        assert move.targets[Role.SUPPLY].voltage_v == pytest.approx(wanted)


def test_a_held_speed_begins_at_rest_although_the_test_before_left_the_motor_turning() -> None:
    around = surroundings(PLATE, at={Role.SUPPLY: Voltage(24.0, 28.0), Role.LOAD_DRIVE: Torque(0.0, 4500.0)})
    result = drive(PROCEDURES["load"].play(settings_of(*BRUSHED[1]), around), PLATE, speed_rpm=3500.0)
    first = next(n for n, (_, _, move) in enumerate(result.moves) if isinstance(move.targets[Role.LOAD_DRIVE], Speed))
    assert abs(result.moves[first][1]) <= 10.0
    assert result.targets(Role.SUPPLY)[first - 1].voltage_v == 0.0


def test_a_speed_already_held_by_the_converter_is_taken_over_as_it_is() -> None:
    at = {Role.SUPPLY: Voltage(48.0, 28.0), Role.MOTOR_DRIVE: Speed(3000.0, 4.0), Role.LOAD_DRIVE: Torque(0.0, 4500.0)}
    result = drive(PROCEDURES["load"].play(settings_of(*ENERGISED[3]), surroundings(at=at)), speed_rpm=3000.0)
    assert all(target == Speed(3000.0, 4.0) for target in result.targets(Role.MOTOR_DRIVE))


def test_the_back_emf_is_taken_while_the_converter_follows_no_torque() -> None:
    result = drive(PROCEDURES["back_emf"].play(settings_of(*ENERGISED[1]), surroundings()))
    assert all(target == Torque(0.0, 4500.0) for target in result.targets(Role.MOTOR_DRIVE))
    assert [asked for asked, _, _ in result.points()] == [{"speed_rpm": 1000.0}, {"speed_rpm": 3000.0}]
    assert abs(result.moves[-1][1]) <= 20.0  # it ends at rest


def test_the_torque_zero_is_turned_both_ways_twice_with_as_long_in_each() -> None:
    result = drive(PROCEDURES["torque_zero"].play(settings_of(*ENERGISED[0]), surroundings()))
    assert [asked["speed_rpm"] for asked, _, _ in result.points()] == [60.0, -60.0, 60.0, -60.0]
    assert all(seconds == pytest.approx(0.4, abs=2 * TICK_S) for _, _, seconds in result.points())


def test_the_rated_point_is_measured_before_and_after_its_dwell_and_keeps_waveforms_at_the_end() -> None:
    values = {**ENERGISED[4][1], "capture_s": 0.25}
    result = drive(PROCEDURES["rated_point"].play(settings_of("rated_point", values), surroundings()))
    began = {}
    for at_s, _, move in result.moves:
        if move.point is not None:
            began.setdefault(move.point.number, (at_s, move.capture_s))
    assert began[1][0] - began[0][0] > 5.0
    assert (began[0][1], began[1][1]) == (0.0, 0.25)


def test_the_windings_resistance_is_taken_with_both_signs_at_every_pair_and_nothing_else_is_asked() -> None:
    given = settings_of("winding_resistance", {"current_a": 1.0, **QUICK})
    assert not PROCEDURES["winding_resistance"].energised
    result = drive(PROCEDURES["winding_resistance"].play(given, surroundings()))
    assert [(asked["pair"], asked["current_a"]) for asked, _, _ in result.points()] == [
        (12.0, 1.0),
        (12.0, -1.0),
        (23.0, 1.0),
        (23.0, -1.0),
        (13.0, 1.0),
        (13.0, -1.0),
    ]
    assert all(set(move.targets) == {Role.RESISTANCE_METER} for _, _, move in result.moves)
    assert result.moves[-1][2].targets[Role.RESISTANCE_METER] == Winding(0, 0.0)
    brushed = drive(PROCEDURES["winding_resistance"].play(given, surroundings(PLATE)), PLATE)
    assert [asked["pair"] for asked, _, _ in brushed.points()] == [12.0, 12.0]


def test_a_current_that_never_flows_is_told_and_does_not_hang_the_run() -> None:
    given = settings_of("winding_resistance", {"current_a": 1.0, **QUICK})
    result = drive(PROCEDURES["winding_resistance"].play(given, surroundings(PLATE)), PLATE, current=lambda *_: 0.0)
    notes = [note for _, _, move in result.moves for note in move.notes]
    assert len(notes) == 2
    assert "did not reach" in notes[0]


def test_while_held_the_meter_is_disconnected_and_the_load_taken_off() -> None:
    assert PROCEDURES["winding_resistance"].held({Role.RESISTANCE_METER: Winding(12, 1.0)}) == {
        Role.RESISTANCE_METER: Winding(0, 0.0)
    }
    held = PROCEDURES["load"].held({Role.MOTOR_DRIVE: Speed(3000.0, 4.0), Role.LOAD_DRIVE: Torque(2.0, 4500.0)})
    assert held == {Role.MOTOR_DRIVE: Speed(3000.0, 4.0), Role.LOAD_DRIVE: Torque(0.0, 4500.0)}


@pytest.mark.parametrize(
    ("plate", "kind", "values", "without", "words"),
    [
        (PUMP, "winding_resistance", {"current_a": 1.0}, Role.RESISTANCE_METER, "no resistance_meter"),
        (PUMP, "winding_resistance", {"current_a": 5.0}, None, "at most 2.85 A"),
        (PLATE, "winding_resistance", {"current_a": 1.0}, None, "at most 0.63 A"),
        (PLATE, *ENERGISED[1], None, "brushless motor"),
        (PLATE, *ENERGISED[2], None, "stepped by voltage"),
        (PUMP, "no_load", {"supply_voltages_v": [12.0, 24.0]}, None, "stepped by speed"),
        (PUMP, *ENERGISED[3], Role.MOTOR_DRIVE, "needs a motor drive"),
        (PUMP, "load", {**ENERGISED[3][1], "speed_rpm": None}, None, "give speed_rpm"),
        (PLATE, "load", {**BRUSHED[1][1], "supply_voltage_v": 20.0}, None, "more than supply_voltage_v"),
    ],
)
def test_what_this_specimen_on_this_bench_cannot_do_is_said_in_one_sentence(
    plate, kind, values, without, words
) -> None:
    around = surroundings(plate)
    around = replace(around, roles=around.roles - {without})
    assert words in PROCEDURES[kind].objection(settings_of(kind, values), around)


@pytest.mark.parametrize(
    "wrong",
    [
        {"supply_voltages_v": [12.0, 24.0], "speeds_rpm": [100.0, 200.0], "supply_voltage_v": 48.0},
        {"supply_voltage_v": 48.0},
        {"speeds_rpm": [100.0, 200.0]},
        {"supply_voltage_v": 48.0, "speeds_rpm": [200.0, 100.0]},
        {},
    ],
)
def test_a_no_load_test_is_stepped_in_one_way(wrong) -> None:
    with pytest.raises(ValidationError):
        settings_of("no_load", wrong)


@pytest.mark.parametrize(("plate", "kind", "values"), [case for case in CASES if case[2].get("speed_rpm", 1)])
def test_a_shaft_that_does_not_follow_its_drive_ends_the_test_before_any_point(
    plate, kind, values, monkeypatch
) -> None:
    """As with two phases exchanged: it shudders near standstill, and a point measured there means nothing."""
    monkeypatch.setattr(driven, "_ideal_rpm", lambda *_: 5.0)
    holder = "load drive" if plate is PLATE or kind in {"torque_zero", "back_emf"} else "motor drive"
    looks = {
        "load drive": "torque limit, coupling and encoder",
        "motor drive": "phase order, commutation and torque limit",
    }
    points: list = []

    def noted(play):
        move = next(play)
        while True:
            points.append(move.point)
            move = play.send((yield move))

    procedure, given = PROCEDURES[kind], settings_of(kind, values)
    with pytest.raises(CannotGoOn) as told:
        drive(noted(procedure.play(given, surroundings(plate))), plate)
    speed_rpm = abs(values.get("speed_rpm") or values["speeds_rpm"][0])
    assert str(told.value) == (
        f"The shaft turns at 5 r/min where the {holder} shall hold {speed_rpm:g} r/min: look at its {looks[holder]}."
    )
    assert set(points) == {None}


def test_a_shaft_that_loses_its_speed_under_load_is_not_measured(monkeypatch) -> None:
    ideal_rpm = driven._ideal_rpm

    def pulled_out(move, plate, now_rpm) -> float:
        load = move.targets.get(Role.LOAD_DRIVE)
        return 100.0 if isinstance(load, Torque) and load.torque_nm > 1.0 else ideal_rpm(move, plate, now_rpm)

    monkeypatch.setattr(driven, "_ideal_rpm", pulled_out)
    given = settings_of("load", {"torques_nm": [0.5, 2.0], **LOADED})
    with pytest.raises(CannotGoOn, match="The shaft turns at 100 r/min where the motor drive shall hold 3000 r/min"):
        drive(PROCEDURES["load"].play(given, surroundings(PUMP)), PUMP)
