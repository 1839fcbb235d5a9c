"""The no-load test: what it asks for stays within what it declared, whatever its settings."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.procedures.no_load import NO_LOAD, NoLoadSettings
from benchd.rules.moves import Role, Torque, Voltage

from .synthetic import TICK_S, played, surroundings

SETTINGS = st.builds(
    NoLoadSettings,
    supply_voltages_v=st.lists(st.integers(1, 48), min_size=2, max_size=5, unique=True).map(
        lambda volts: tuple(float(v) for v in sorted(volts))
    ),
    settle_time_s=st.floats(1.0, 3.0),
    average_time_s=st.floats(1.0, 3.0),
    speed_band_rpm=st.floats(5.0, 50.0),
)


@settings(max_examples=30, deadline=None)
@given(SETTINGS, st.floats(2.0, 50.0))
def test_no_move_exceeds_the_demand_or_its_slope_and_the_duration_agrees(given_settings, slope: float) -> None:
    around = surroundings(voltage_v_per_s=slope)
    demand = NO_LOAD.demand(given_settings, around)
    result = played(NO_LOAD.play(given_settings, around), tick_s=0.02)
    for _, move in result.moves:
        supply, load = move.targets[Role.SUPPLY], move.targets[Role.LOAD_DRIVE]
        assert 0.0 <= supply.voltage_v <= demand.voltage_v
        assert supply.current_limit_a <= around.current_limit_a
        assert abs(load.torque_nm) <= demand.torque_nm
        assert load.speed_limit_rpm <= around.speed_limit_rpm
    assert all(b - a <= slope * 0.02 * (1.0 + 1e-9) for a, b in itertools.pairwise(result.volts))
    assert result.duration_s == pytest.approx(demand.duration_s, rel=0.2)
    assert result.notes == []


def test_every_voltage_is_one_point_averaged_as_long_as_asked_at_that_voltage() -> None:
    given_settings = NoLoadSettings(supply_voltages_v=(6.0, 12.0, 18.0), settle_time_s=0.5, average_time_s=0.7)
    result = played(NO_LOAD.play(given_settings, surroundings()))
    assert list(result.points()) == [0, 1, 2]
    assert all(span == pytest.approx(0.7, abs=3 * TICK_S) for span in result.points().values())
    for _, move in result.moves:
        if move.point is not None:
            assert move.targets[Role.SUPPLY].voltage_v == (6.0, 12.0, 18.0)[move.point.number]
            assert move.point.asked == {"voltage_v": move.targets[Role.SUPPLY].voltage_v}


def test_it_starts_from_the_targets_in_force() -> None:
    at = {Role.SUPPLY: Voltage(20.0, 9.5), Role.LOAD_DRIVE: Torque(0.0, 6000.0)}
    given_settings = NoLoadSettings(supply_voltages_v=(6.0, 12.0))
    result = played(NO_LOAD.play(given_settings, surroundings(at=at)))
    assert result.volts[0] == 20.0
    assert all(abs(b - a) <= 12.0 * TICK_S * (1.0 + 1e-9) for a, b in itertools.pairwise(result.volts))


@pytest.mark.parametrize(
    "wrong",
    [
        {"supply_voltages_v": (12.0, 6.0)},
        {"supply_voltages_v": (6.0, 6.0)},
        {"supply_voltages_v": (6.0,)},
        {"supply_voltages_v": (0.0, 6.0)},
        {"supply_voltages_v": (float("nan"), 6.0)},
        {"supply_voltages_v": (6.0, float("inf"))},
        {"supply_voltages_v": (6.0, 12.0), "settle_time_s": 0.1},
        {"supply_voltages_v": (6.0, 12.0), "average_time_s": 4000.0},
        {"supply_voltages_v": (6.0, 12.0), "speed_band_rpm": 0.0},
        {"supply_voltages_v": (6.0, 12.0), "voltage": 1.0},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong) -> None:
    with pytest.raises(ValidationError):
        NoLoadSettings(**wrong)


def test_it_says_what_energy_it_holds() -> None:
    assert "turning" in NO_LOAD.held_energy
