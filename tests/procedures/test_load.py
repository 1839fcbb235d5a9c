"""The load test: what it asks for stays within what it declared, up and down, whatever its settings."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.procedures.load import LOAD, LoadSettings
from benchd.rules.moves import Role

from .synthetic import PLATE, TICK_S, played, surroundings

SETTINGS = st.builds(
    LoadSettings,
    supply_voltage_v=st.floats(6.0, 48.0),
    torques_nm=st.lists(st.integers(0, 50), min_size=2, max_size=4, unique=True).map(
        lambda torques: tuple(0.01 * t for t in sorted(torques))
    ),
    torque_slope_nm_per_s=st.floats(0.05, 5.0),
    settle_time_s=st.floats(1.0, 3.0),
    average_time_s=st.floats(1.0, 3.0),
    speed_band_rpm=st.floats(5.0, 50.0),
)


@settings(max_examples=30, deadline=None)
@given(SETTINGS, st.floats(0.1, 5.0))
def test_no_move_exceeds_the_demand_or_its_slopes_and_the_duration_agrees(given_settings, slope: float) -> None:
    around = surroundings(torque_nm_per_s=slope)
    demand = LOAD.demand(given_settings, around)
    result = played(LOAD.play(given_settings, around), tick_s=0.02)
    for _, move in result.moves:
        supply, load = move.targets[Role.SUPPLY], move.targets[Role.LOAD_DRIVE]
        assert 0.0 <= supply.voltage_v <= demand.voltage_v
        assert supply.current_limit_a <= around.current_limit_a
        assert 0.0 <= load.torque_nm <= demand.torque_nm  # it brakes, it never drives
        assert load.speed_limit_rpm <= around.speed_limit_rpm
    steepest = min(slope, given_settings.torque_slope_nm_per_s)
    assert all(abs(b - a) <= steepest * 0.02 * (1.0 + 1e-9) for a, b in itertools.pairwise(result.torques))
    assert all(abs(b - a) <= 12.0 * 0.02 * (1.0 + 1e-9) for a, b in itertools.pairwise(result.volts))
    assert result.duration_s == pytest.approx(demand.duration_s, rel=0.2)
    assert result.torques[-1] <= steepest * 0.02  # it ends without load


@given(SETTINGS)
def test_the_demand_covers_an_ideal_motors_speed_current_and_power(given_settings) -> None:
    demand = LOAD.demand(given_settings, surroundings())
    current_a = max(given_settings.torques_nm) / PLATE.ke_v_s
    assert demand.current_a >= current_a
    assert demand.power_w >= given_settings.supply_voltage_v * current_a
    idle_rpm = given_settings.supply_voltage_v / PLATE.ke_v_s * 60.0 / 6.283185307179586
    assert demand.speed_rpm == pytest.approx(idle_rpm)


def test_points_go_up_and_then_down_at_their_torques() -> None:
    given_settings = LoadSettings(
        supply_voltage_v=12.0, torques_nm=(0.0, 0.1, 0.2), torque_slope_nm_per_s=0.5, average_time_s=0.5
    )
    result = played(LOAD.play(given_settings, surroundings()))
    seen = {}
    for _, move in result.moves:
        if move.point is not None:
            seen[move.point.number] = (move.point.direction, move.targets[Role.LOAD_DRIVE].torque_nm)
            assert move.targets[Role.SUPPLY].voltage_v == 12.0
    assert [seen[number] for number in sorted(seen)] == [
        ("up", 0.0),
        ("up", 0.1),
        ("up", 0.2),
        ("down", 0.2),
        ("down", 0.1),
        ("down", 0.0),
    ]
    assert all(span == pytest.approx(0.5, abs=3 * TICK_S) for span in result.points().values())


@pytest.mark.parametrize(
    "wrong",
    [
        {"torques_nm": (0.2, 0.1)},
        {"torques_nm": (0.1, 0.1)},
        {"torques_nm": (0.1,)},
        {"torques_nm": (-0.1, 0.1)},
        {"torques_nm": (0.1, float("nan"))},
        {"supply_voltage_v": 0.0},
        {"torque_slope_nm_per_s": 0.0},
        {"settle_time_s": float("inf")},
        {"torque": 1.0},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong) -> None:
    sound = {"supply_voltage_v": 12.0, "torques_nm": (0.1, 0.2), "torque_slope_nm_per_s": 0.5}
    LoadSettings(**sound)
    with pytest.raises(ValidationError):
        LoadSettings(**{**sound, **wrong})
