"""Set-points: never beyond a clamp, never faster than a slope, nothing while closed, nothing that is no number."""

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.live.setpoints import SetPoints
from benchd.live.targets import RESTING
from benchd.rules.moves import Role, Speed, Torque, Voltage, Winding
from benchd.rules.resonance import Band

from .parts import SLOPES, run_plan

ANY = st.floats(-1e6, 1e6)
PLAN = run_plan()
DRIVE_TARGETS = st.one_of(st.builds(Torque, ANY, ANY), st.builds(Speed, ANY, ANY))
STEPS = st.lists(
    st.tuples(st.builds(Voltage, ANY, ANY), DRIVE_TARGETS, DRIVE_TARGETS, st.sampled_from([0.0, 0.01, 0.3, 5.0])),
    min_size=1,
    max_size=20,
)
TURNING = (Role.SUPPLY, Role.LOAD_DRIVE, Role.MOTOR_DRIVE)
BOUNDS = {
    Role.LOAD_DRIVE: (PLAN.torque_limit_nm, PLAN.speed_limit_rpm),
    Role.MOTOR_DRIVE: (PLAN.motor_torque_limit_nm, PLAN.motor_speed_limit_rpm),
}
SLOPE_OF = {
    Voltage: (lambda target: target.voltage_v, SLOPES.voltage_v_per_s),
    Torque: (lambda target: target.torque_nm, SLOPES.torque_nm_per_s),
    Speed: (lambda target: target.speed_rpm, SLOPES.speed_rpm_per_s),
}


def opened() -> SetPoints:
    setpoints = SetPoints(SLOPES, roles=RESTING)
    setpoints.open(PLAN)
    return setpoints


def numbers(target) -> tuple[float, float]:
    return tuple(getattr(target, name) for name in target.__dataclass_fields__)


@given(STEPS)
def test_no_set_point_is_ever_beyond_its_clamp_or_moves_faster_than_its_slope(steps) -> None:
    setpoints = opened()
    assert len(set(BOUNDS.values())) == 2  # each drive has bounds of its own
    for voltage, load, motor, dt_s in steps:
        before = {role: setpoints.now(role) for role in TURNING}
        setpoints.ask({Role.SUPPLY: voltage, Role.LOAD_DRIVE: load, Role.MOTOR_DRIVE: motor})
        setpoints.advance(dt_s)
        for role in TURNING:
            now = setpoints.due(role) or setpoints.now(role)
            amount, slope = SLOPE_OF[type(now)]
            was = amount(before[role]) if type(before[role]) is type(now) else 0.0
            assert abs(amount(now) - was) <= slope * dt_s * (1.0 + 1e-9) + 1e-9
            match now:
                case Voltage(voltage_v=volts, current_limit_a=amperes):
                    assert 0.0 <= volts <= PLAN.voltage_limit_v
                    assert 0.0 <= amperes <= PLAN.current_limit_a
                case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
                    assert abs(torque_nm) <= BOUNDS[role][0]
                    assert abs(speed_rpm) <= BOUNDS[role][1]
                case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
                    assert abs(speed_rpm) <= BOUNDS[role][1]
                    assert abs(torque_nm) <= BOUNDS[role][0]


@given(STEPS, st.booleans())
def test_nothing_is_due_and_nothing_moves_while_closed(steps, opened_before: bool) -> None:
    setpoints = opened() if opened_before else SetPoints(SLOPES)
    setpoints.close()
    for voltage, load, _, dt_s in steps:
        setpoints.ask({Role.SUPPLY: voltage, Role.LOAD_DRIVE: load})
        setpoints.advance(dt_s)
        assert all(setpoints.due(role) is None for role in RESTING)
        assert {role: setpoints.now(role) for role in RESTING} == dict(RESTING)


@given(
    st.sampled_from([Voltage, Torque, Speed]),
    st.sampled_from([math.nan, math.inf, -math.inf]),
    st.booleans(),
)
def test_a_number_that_is_not_finite_is_refused_and_changes_nothing(kind, number: float, first: bool) -> None:
    setpoints = opened()
    setpoints.ask({Role.SUPPLY: Voltage(5.0, 1.0)})
    before = setpoints.targets
    role = Role.SUPPLY if kind is Voltage else Role.LOAD_DRIVE
    with pytest.raises(ValueError, match="not finite"):
        setpoints.ask({Role.SUPPLY: Voltage(6.0, 1.0), role: kind(*((number, 1.0) if first else (1.0, number)))})
    assert setpoints.targets == before


@pytest.mark.parametrize(
    ("role", "target"),
    [(Role.MOTOR_DRIVE, Torque(0.1, 100.0)), (Role.SUPPLY, Torque(0.1, 100.0)), (Role.LOAD_DRIVE, Voltage(1.0, 1.0))],
)
def test_a_role_that_is_absent_or_cannot_follow_is_refused_before_the_next_tick(role: Role, target) -> None:
    setpoints = SetPoints(SLOPES)
    setpoints.open(PLAN)
    with pytest.raises(ValueError, match="cannot be followed"):
        setpoints.ask({role: target})
    setpoints.advance(0.01)


def test_a_set_point_is_due_until_it_is_confirmed_and_again_when_it_has_moved() -> None:
    setpoints = opened()
    setpoints.ask({Role.SUPPLY: Voltage(1.0, 2.0)})
    setpoints.advance(0.01)
    due = setpoints.due(Role.SUPPLY)
    assert due == Voltage(pytest.approx(0.12), 2.0)
    assert setpoints.due(Role.SUPPLY) == due  # nobody confirmed it
    setpoints.confirmed(Role.SUPPLY, due)
    assert setpoints.due(Role.SUPPLY) is None
    setpoints.advance(0.01)
    assert setpoints.due(Role.SUPPLY) == Voltage(pytest.approx(0.24), 2.0)


def test_a_confirmation_that_comes_after_close_lets_nothing_out_and_a_new_run_starts_from_rest() -> None:
    setpoints = opened()
    setpoints.ask({Role.SUPPLY: Voltage(12.0, 2.0)})
    setpoints.advance(1.0)
    in_flight = setpoints.due(Role.SUPPLY)
    setpoints.close()
    setpoints.confirmed(Role.SUPPLY, in_flight)
    assert setpoints.due(Role.SUPPLY) is None
    setpoints.open(PLAN)
    assert setpoints.due(Role.SUPPLY) == RESTING[Role.SUPPLY]


def test_arrived_counts_a_clamp_as_arrival_and_a_closed_gate_too() -> None:
    setpoints = opened()
    setpoints.ask({Role.SUPPLY: Voltage(1000.0, 2.0)})
    assert not setpoints.arrived
    setpoints.advance(1.9)
    assert not setpoints.arrived
    setpoints.advance(0.2)
    assert setpoints.arrived
    assert setpoints.now(Role.SUPPLY) == Voltage(PLAN.voltage_limit_v, 2.0)
    setpoints.ask({Role.SUPPLY: Voltage(0.0, 2.0)})
    setpoints.close()
    assert setpoints.arrived


WINDINGS = st.builds(Winding, st.sampled_from([0, 12, 23, 13]), st.floats(-5.0, 5.0))


def measuring() -> SetPoints:
    setpoints = SetPoints(SLOPES, roles=RESTING)
    setpoints.open(PLAN, roles=(Role.RESISTANCE_METER,))
    return setpoints


@given(st.lists(st.tuples(WINDINGS, st.booleans()), max_size=40))
def test_a_winding_pair_changes_only_while_no_current_flows_whenever_the_meter_confirms(steps) -> None:
    setpoints = measuring()
    sent: list[Winding] = []
    for winding, confirms in steps:
        setpoints.ask({Role.RESISTANCE_METER: winding})
        setpoints.advance(0.01)
        due = setpoints.due(Role.RESISTANCE_METER)
        if due is not None and confirms:
            sent.append(due)
            setpoints.confirmed(Role.RESISTANCE_METER, due)
    before = Winding(0, 0.0)
    for step in sent:
        assert abs(step.current_a) <= PLAN.winding_current_limit_a
        if step.pair != before.pair:
            assert step.current_a == before.current_a == 0.0
        if step.pair == 0:
            assert step.current_a == 0.0
        before = step


def test_a_winding_comes_to_its_target_step_by_step_each_confirmed_before_the_next() -> None:
    setpoints = measuring()
    sent: list[Winding] = []
    for target in (Winding(12, 1.0), Winding(12, -1.0), Winding(23, 1.0), Winding(0, 0.0)):
        setpoints.ask({Role.RESISTANCE_METER: target})
        for number in range(12):
            setpoints.advance(0.01)
            due = setpoints.due(Role.RESISTANCE_METER)
            assert setpoints.taken is (due is None and setpoints.arrived)
            if due is not None and number % 3 == 2:  # the meter takes three ticks
                sent.append(due)
                setpoints.confirmed(Role.RESISTANCE_METER, due)
        assert setpoints.taken
    assert [(each.pair, each.current_a) for each in sent] == [
        (0, 0.0),
        (12, 0.0),
        (12, 1.0),
        (12, -1.0),
        (12, 0.0),
        (23, 0.0),
        (23, 1.0),
        (23, 0.0),
        (0, 0.0),
    ]


def test_only_the_roles_that_were_opened_are_let_through() -> None:
    setpoints = measuring()
    with pytest.raises(ValueError, match="cannot be followed"):
        setpoints.ask({Role.SUPPLY: Voltage(5.0, 1.0)})
    assert set(setpoints.targets) == {Role.RESISTANCE_METER}
    assert [role for role in RESTING if setpoints.due(role) is not None] == [Role.RESISTANCE_METER]
    setpoints.open(PLAN)
    with pytest.raises(ValueError, match="cannot be followed"):
        setpoints.ask({Role.RESISTANCE_METER: Winding(12, 1.0)})
    assert setpoints.due(Role.RESISTANCE_METER) is None
    assert set(setpoints.targets) == set(TURNING)


def test_the_speed_bound_of_a_run_counts_from_before_opening_until_after_closing() -> None:
    setpoints = SetPoints(SLOPES, roles=RESTING)
    setpoints.expect(PLAN)
    for _ in range(2):
        assert setpoints.speed_bound_rpm(Role.LOAD_DRIVE) == PLAN.speed_limit_rpm
        assert setpoints.speed_bound_rpm(Role.MOTOR_DRIVE) == PLAN.motor_speed_limit_rpm
        setpoints.open(PLAN)
        setpoints.close()


def test_a_speed_crosses_a_critical_band_by_the_slope_for_it_and_by_no_more() -> None:
    band = Band(low_rpm=1000.0, high_rpm=1200.0, causes=("any",))
    slopes = replace(SLOPES, crossing_rpm_per_s=3.0 * SLOPES.speed_rpm_per_s)
    setpoints = SetPoints(slopes, roles=RESTING)
    setpoints.open(replace(PLAN, bands=(band,)))
    setpoints.ask({Role.LOAD_DRIVE: Speed(1500.0, 0.1)})
    speeds = [0.0]
    while not setpoints.arrived:
        setpoints.advance(0.01)
        speeds.append(setpoints.now(Role.LOAD_DRIVE).speed_rpm)
    usual = SLOPES.speed_rpm_per_s * 0.01
    within = [b - a for a, b in itertools.pairwise(speeds) if a >= 1000.0 and b <= 1200.0]
    assert within == pytest.approx([3.0 * usual] * len(within))
    assert len(within) >= 2
    assert max(b - a for a, b in itertools.pairwise(speeds) if b <= 1000.0 or a >= 1200.0) == pytest.approx(usual)
    setpoints.ask({Role.LOAD_DRIVE: Torque(0.0, 1500.0)})  # a torque knows no band
    setpoints.advance(0.01)
    assert setpoints.now(Role.LOAD_DRIVE) == Torque(0.0, 1500.0)
