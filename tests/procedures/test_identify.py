"""The identification: gentle, within what it declared, up and down evenly, and nothing else moves meanwhile."""

import itertools
from dataclasses import replace

import pytest

from benchd.procedures.identify import IDENTIFY, IdentifySettings, amplitude, held_speed_rpm, stepped_with
from benchd.rules.moves import Role, Torque
from benchd.rules.resonance import Band

from .driven import PUMP, SLOPES, TICK_S, Driven, drive, surroundings
from .synthetic import PLATE

CASES = [(plate, stepped) for plate in (PUMP, PLATE) for stepped in stepped_with(plate.kind)]
ROLES = {
    "load_torque": Role.LOAD_DRIVE,
    "motor_speed": Role.MOTOR_DRIVE,
    "load_speed": Role.LOAD_DRIVE,
    "supply_voltage": Role.SUPPLY,
}


def value(target) -> float:
    return next(getattr(target, name) for name in ("torque_nm", "speed_rpm", "voltage_v") if hasattr(target, name))


def driven(plate, stepped: str) -> Driven:
    around = surroundings(plate)
    settings = IdentifySettings(stepped=stepped)
    assert IDENTIFY.objection(settings, around) == ""
    return drive(IDENTIFY.play(settings, around), plate)


@pytest.mark.parametrize(("plate", "stepped"), CASES)
def test_it_keeps_its_demand_and_lasts_as_long_as_it_said(plate, stepped: str) -> None:
    settings = IdentifySettings(stepped=stepped)
    demand = IDENTIFY.demand(settings, surroundings(plate))
    result = driven(plate, stepped)
    assert max(one.voltage_v for one in result.targets(Role.SUPPLY)) <= demand.voltage_v
    assert max(abs(speed) for _, speed, _ in result.moves) <= demand.speed_rpm
    for one in result.targets(Role.LOAD_DRIVE):
        if isinstance(one, Torque):
            assert 0.0 <= one.torque_nm <= demand.torque_nm
    assert demand.speed_rpm < 0.35 * plate.speed_rpm
    assert demand.torque_nm == pytest.approx(0.5 * plate.torque_nm)
    assert result.duration_s == pytest.approx(demand.duration_s, rel=0.2)


@pytest.mark.parametrize(("plate", "stepped"), CASES)
def test_it_steps_one_set_point_evenly_both_ways_and_leaves_the_others(plate, stepped: str) -> None:
    moves = [move for _, _, move in driven(plate, stepped).moves if move.point is not None]
    seen = [value(move.targets[ROLES[stepped]]) for move in moves]
    base, step = seen[0], amplitude(IdentifySettings(stepped=stepped), surroundings(plate))
    assert seen[-1] == pytest.approx(base)
    assert max(seen) == pytest.approx(base + step)
    assert min(seen) == pytest.approx(base - step)
    assert sum(seen) / len(seen) == pytest.approx(base, abs=0.02 * step)
    ups = sum(1 for before, after in itertools.pairwise(seen) if before <= base + 0.5 * step < after)
    assert ups >= 3
    assert min(seen) >= 0.0
    free = {Role.SUPPLY} if stepped == "load_speed" else set()  # its voltage goes with the speed
    for role in set(moves[0].targets) - {ROLES[stepped]} - free:
        assert len({move.targets[role] for move in moves}) == 1, role


@pytest.mark.parametrize(("plate", "stepped"), CASES)
def test_no_step_is_steeper_than_the_bench_allows_and_the_shaft_is_let_go(plate, stepped: str) -> None:
    result = driven(plate, stepped)
    slope = {"load_torque": SLOPES.torque_nm_per_s, "supply_voltage": SLOPES.voltage_v_per_s}.get(
        stepped, SLOPES.speed_rpm_per_s
    )
    seen = [value(move.targets[ROLES[stepped]]) for _, _, move in result.moves if move.point is not None]
    assert max(abs(b - a) for a, b in itertools.pairwise(seen)) <= slope * TICK_S * (1.0 + 1e-9)
    load = result.moves[-1][2].targets[Role.LOAD_DRIVE]
    assert isinstance(load, Torque)
    assert load.torque_nm <= SLOPES.torque_nm_per_s * TICK_S


def test_a_brushless_motor_without_a_motor_drive_is_objected_to() -> None:
    around = surroundings(PUMP, roles=frozenset({Role.SUPPLY, Role.LOAD_DRIVE}))
    assert "needs a motor drive" in IDENTIFY.objection(IdentifySettings(stepped="load_torque"), around)


def test_a_gentle_speed_outside_of_critical_bands_is_taken_and_none_is_objected_to() -> None:
    free = surroundings(PUMP)
    assert held_speed_rpm(free) == pytest.approx(600.0)
    barred = replace(free, bands=(Band(low_rpm=680.0, high_rpm=740.0, causes=("unbalance",)),))
    assert held_speed_rpm(barred) == pytest.approx(450.0)  # 600 r/min steps up to 720
    settings = IdentifySettings(stepped="motor_speed")
    assert IDENTIFY.objection(settings, barred) == ""
    assert drive(IDENTIFY.play(settings, barred)).moves[-1]
    nowhere = replace(free, bands=(Band(low_rpm=300.0, high_rpm=1100.0, causes=("unbalance",)),))
    assert "within the critical band" in IDENTIFY.objection(settings, nowhere)
