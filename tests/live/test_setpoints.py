"""Set-points: never beyond a clamp, never faster than a slope, nothing while closed, nothing that is no number."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.live.setpoints import RESTING, SetPoints
from benchd.rules.moves import Role, Speed, Torque, Voltage

from .parts import SLOPES, run_plan

ANY = st.floats(-1e6, 1e6)
PLAN = run_plan()
LOAD_TARGETS = st.one_of(st.builds(Torque, ANY, ANY), st.builds(Speed, ANY, ANY))
STEPS = st.lists(
    st.tuples(st.builds(Voltage, ANY, ANY), LOAD_TARGETS, st.sampled_from([0.0, 0.01, 0.3, 5.0])),
    min_size=1,
    max_size=20,
)
SLOPE_OF = {
    Voltage: (lambda target: target.voltage_v, SLOPES.voltage_v_per_s),
    Torque: (lambda target: target.torque_nm, SLOPES.torque_nm_per_s),
    Speed: (lambda target: target.speed_rpm, SLOPES.speed_rpm_per_s),
}


def opened() -> SetPoints:
    setpoints = SetPoints(SLOPES)
    setpoints.open(PLAN)
    return setpoints


def numbers(target) -> tuple[float, float]:
    return tuple(getattr(target, name) for name in target.__dataclass_fields__)


@given(STEPS)
def test_no_set_point_is_ever_beyond_its_clamp_or_moves_faster_than_its_slope(steps) -> None:
    setpoints = opened()
    for voltage, load, dt_s in steps:
        before = {role: setpoints.now(role) for role in RESTING}
        setpoints.ask({Role.SUPPLY: voltage, Role.LOAD_DRIVE: load})
        setpoints.advance(dt_s)
        for role in RESTING:
            now = setpoints.due(role) or setpoints.now(role)
            amount, slope = SLOPE_OF[type(now)]
            was = amount(before[role]) if type(before[role]) is type(now) else 0.0
            assert abs(amount(now) - was) <= slope * dt_s * (1.0 + 1e-9) + 1e-9
            match now:
                case Voltage(voltage_v=volts, current_limit_a=amperes):
                    assert 0.0 <= volts <= PLAN.voltage_limit_v
                    assert 0.0 <= amperes <= PLAN.current_limit_a
                case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
                    assert abs(torque_nm) <= PLAN.torque_limit_nm
                    assert abs(speed_rpm) <= PLAN.speed_limit_rpm
                case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
                    assert abs(speed_rpm) <= PLAN.speed_limit_rpm
                    assert abs(torque_nm) <= PLAN.torque_limit_nm


@given(STEPS, st.booleans())
def test_nothing_is_due_and_nothing_moves_while_closed(steps, opened_before: bool) -> None:
    setpoints = opened() if opened_before else SetPoints(SLOPES)
    setpoints.close()
    for voltage, load, dt_s in steps:
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
    setpoints = opened()
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
