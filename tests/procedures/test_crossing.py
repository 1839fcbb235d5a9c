"""Critical bands in a test: crossed by the steeper slope, never a target, and left while the test is held."""

import itertools
from dataclasses import replace

import pytest

from benchd.procedures import PROCEDURES
from benchd.procedures.hand import Hand, clear_of
from benchd.rules.moves import CannotGoOn, Role, Speed, Torque, Voltage
from benchd.rules.resonance import Band

from .driven import PUMP, SLOPES, TICK_S, drive, surroundings
from .synthetic import PLATE

BAND = Band(low_rpm=1150.0, high_rpm=1350.0, causes=("cogging",))
AROUND = replace(surroundings(PUMP), bands=(BAND,), slopes=replace(SLOPES, crossing_rpm_per_s=6000.0))


def steps(speeds: list[float]) -> list[tuple[float, float]]:
    """From where, and how far in each tick."""
    return [(one, abs(other - one)) for one, other in itertools.pairwise(speeds)]


def test_the_converters_speed_crosses_the_band_in_a_third_of_the_time_and_nothing_else_quicker() -> None:
    given = PROCEDURES["no_load"].settings(
        supply_voltage_v=48.0, speeds_rpm=[1000.0, 2000.0], settle_time_s=0.3, average_time_s=0.3
    )
    result = drive(PROCEDURES["no_load"].play(given, AROUND), PUMP)
    speeds = [one.speed_rpm for one in result.targets(Role.MOTOR_DRIVE) if isinstance(one, Speed)]
    within = [step for at, step in steps(speeds) if 1150.0 <= at <= 1350.0 - 60.0 and step > 0.0]
    beside = [step for at, step in steps(speeds) if at > 1350.0 or at < 1150.0 - 20.0]
    assert within
    assert within == pytest.approx([60.0] * len(within))  # r/min in 10 ms at 6000 a second
    assert max(beside) == pytest.approx(20.0)


def test_a_directly_fed_motor_crosses_no_quicker_than_its_supplys_slope_lets_it() -> None:
    around = replace(surroundings(PLATE), bands=(BAND,), slopes=replace(SLOPES, crossing_rpm_per_s=6000.0))
    hand = Hand(around, duration_s=10.0)
    volts_per_rpm = 0.008  # 24 V/s let 3000 r/min a second through
    result = drive(hand.ramp_speed(Role.LOAD_DRIVE, 2000.0, volts_per_rpm=volts_per_rpm), PLATE)
    speeds = [one.speed_rpm for one in result.targets(Role.LOAD_DRIVE)]
    within = [step for at, step in steps(speeds) if 1150.0 <= at <= 1350.0 - 30.0]
    assert within == pytest.approx([30.0] * len(within))
    volts = [one.voltage_v for one in result.targets(Role.SUPPLY)]
    assert max(step for _, step in steps(volts)) <= SLOPES.voltage_v_per_s * TICK_S * (1.0 + 1e-9)


@pytest.mark.parametrize("speed_rpm", [1150.0, 1250.0, -1250.0, 1350.0])
def test_a_speed_within_a_band_is_never_gone_to(speed_rpm: float) -> None:
    hand = Hand(AROUND, duration_s=10.0)
    with pytest.raises(CannotGoOn, match=r"is not held: it lies within the critical band from 1150 to 1350 r/min"):
        next(hand.ramp_speed(Role.MOTOR_DRIVE, speed_rpm))


def test_what_is_held_meanwhile_lies_beside_the_band_on_its_nearer_side() -> None:
    moving = {
        Role.SUPPLY: Voltage(48.0, 20.0),
        Role.MOTOR_DRIVE: Speed(1200.0, 4.0),
        Role.LOAD_DRIVE: Torque(0.0, 4500.0),
    }
    held = clear_of(moving, AROUND)
    assert held == {**moving, Role.MOTOR_DRIVE: Speed(1149.0, 4.0)}
    assert clear_of({Role.LOAD_DRIVE: Speed(-1300.0, 4.0)}, AROUND) == {Role.LOAD_DRIVE: Speed(-1351.0, 4.0)}
    assert clear_of(held, AROUND) == held
