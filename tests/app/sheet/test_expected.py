"""What a plate promises, against the plate itself and against numbers worked out by hand."""

import math
from dataclasses import replace

import pytest

from benchd.app.sheet.expected import Asked, Reading, asked_in, passed, reading, three
from benchd.procedures import PROCEDURES, Plate

FLAP = Plate(
    kind="brushed_dc",
    voltage_v=24.0,
    current_a=4.2,
    speed_rpm=3000.0,
    torque_nm=0.25,
    max_speed_rpm=6500.0,
    max_current_a=10.0,
    resistance_ohm=0.80,
    ke_v_s=0.065,
)
PUMP = Plate(
    kind="brushless",
    voltage_v=48.0,
    current_a=17.6,
    speed_rpm=3000.0,
    torque_nm=2.39,
    max_speed_rpm=4500.0,
    max_current_a=36.0,
    resistance_ohm=0.070,
    ke_v_s=7.7 / (1000.0 * math.pi / 30.0),
    phase_current_a=19.5,
)


def at(voltage_v: float, torque_nm: float, speed_rpm: float | None = None) -> Asked:
    return Asked(voltage_v=voltage_v, speed_rpm=speed_rpm, torque_nm=torque_nm)


def test_a_brushed_motor_at_its_rated_torque_takes_its_rated_current() -> None:
    # 4.2 A lose 0.126 V in 30 mΩ and 3.36 V in 0.80 Ω: (24 − 3.486) V / 0.065 V·s = 315.6 rad/s = 3013.8 r/min
    found = reading(at(24.0, 0.25), FLAP, cable_ohm=0.03)
    assert found.current_a == pytest.approx(4.2, abs=1e-9)
    assert found.voltage_v == pytest.approx(23.874, abs=1e-9)
    assert found.speed_rpm == pytest.approx(3013.8, abs=0.1)
    assert found.power_w == pytest.approx(100.27, abs=0.01)
    assert found.phase_current_a is None


def test_without_load_it_takes_what_the_plate_has_beyond_the_torque() -> None:
    # 4.2 A − 0.25 N·m / 0.065 N·m/A = 0.3538 A
    assert reading(at(12.0, 0.0), FLAP, cable_ohm=0.0).current_a == pytest.approx(0.3538, abs=1e-4)


def test_a_held_speed_needs_the_voltage_of_that_speed_and_torque() -> None:
    # 0.065 V·s · 104.72 rad/s + 0.80 Ω · (0.1 / 0.065 + 0.3538) A = 6.807 + 1.514 V
    found = reading(at(24.0, 0.1, 1000.0), FLAP, cable_ohm=0.03)
    assert found.speed_rpm == 1000.0
    assert found.voltage_v == pytest.approx(8.321, abs=1e-3)


def test_a_brushless_motor_at_its_plate_takes_what_the_plate_says() -> None:
    found = reading(at(48.0, 2.39, 3000.0), PUMP, cable_ohm=0.0)
    assert found.current_a == pytest.approx(17.6, rel=1e-9)
    assert found.power_w == pytest.approx(48.0 * 17.6, rel=1e-9)
    assert found.phase_current_a == pytest.approx(19.5, rel=1e-9)


def test_its_copper_losses_go_with_torque_squared_and_the_rest_with_speed() -> None:
    # 844.8 W in, 2.39 N·m · 314.16 rad/s = 750.84 W out; 1.5 · 0.070 Ω · 19.5² A² = 39.93 W copper, 54.03 W the rest.
    # Without load at half speed the rest is half: 27.0 W. At 2.5 N·m: 785.40 + 39.93 · 1.0942 + 54.03 = 883.1 W
    assert reading(at(48.0, 0.0, 1500.0), PUMP, cable_ohm=0.0).power_w == pytest.approx(27.0, abs=0.05)
    assert reading(at(48.0, 2.5, 3000.0), PUMP, cable_ohm=0.0).power_w == pytest.approx(883.1, abs=0.1)


def test_what_the_cable_loses_comes_out_of_the_supply_too() -> None:
    found = reading(at(48.0, 2.39, 3000.0), PUMP, cable_ohm=0.1)
    assert 48.0 * found.current_a == pytest.approx(found.power_w + 0.1 * found.current_a**2, rel=1e-9)
    assert found.voltage_v == pytest.approx(48.0 - 0.1 * found.current_a, rel=1e-9)


def test_without_load_a_phase_carries_what_the_plate_has_beyond_the_torque() -> None:
    # √3 · 7.7 V / 104.72 rad/s = 0.12736 N·m/A; 19.5 A make 2.4835 N·m, 0.0935 more than the plate's: 0.734 A
    assert reading(at(48.0, 0.0, 3000.0), PUMP, cable_ohm=0.0).phase_current_a == pytest.approx(0.734, abs=2e-3)


def test_a_salient_motor_makes_more_torque_than_its_magnets_and_idles_without_current() -> None:
    salient = replace(PUMP, phase_current_a=15.0)  # √3 · kₑ · 15 A is less than 2.39 N·m
    assert reading(at(48.0, 0.0, 3000.0), salient, cable_ohm=0.0).phase_current_a == pytest.approx(0.0, abs=1e-12)
    assert reading(at(48.0, 2.39, 3000.0), salient, cable_ohm=0.0).phase_current_a == pytest.approx(15.0, rel=1e-9)


def shown(kind: str, **settings: object) -> list[Asked]:
    return list(asked_in(kind, PROCEDURES[kind].settings.model_validate(settings)))


def test_points_are_those_in_which_the_specimen_turns_by_itself() -> None:
    assert shown("no_load", supply_voltages_v=[6.0, 12.0]) == [at(6.0, 0.0), at(12.0, 0.0)]
    assert shown("no_load", supply_voltage_v=48.0, speeds_rpm=[1000.0, 2000.0]) == [
        at(48.0, 0.0, 1000.0),
        at(48.0, 0.0, 2000.0),
    ]
    assert shown("rated_point", supply_voltage_v=48.0, speed_rpm=3000.0, torque_nm=2.39, dwell_s=8.0) == [
        at(48.0, 2.39, 3000.0)
    ]
    assert shown("back_emf", supply_voltage_v=48.0, speeds_rpm=[1000.0]) == []
    assert shown("torque_zero") == []


def test_a_course_has_points_where_the_specimen_drives_and_none_where_it_is_driven() -> None:
    """From 0 to 1000 r/min at 0.5 N·m; there the torque falls through zero to −0.7 N·m, which brakes, and stays."""
    turning = {"shape": "hold", "at": 1000.0}
    parts = [
        {
            "speed_rpm": {"shape": "linear", "start": 0.0, "end": 1000.0, "time_s": 2.0},
            "torque_nm": {"shape": "hold", "at": 0.5},
        },
        {"speed_rpm": turning, "torque_nm": {"shape": "linear", "start": 0.5, "end": -0.7, "time_s": 4.0}},
        {"speed_rpm": {**turning, "time_s": 1.0}, "torque_nm": {"shape": "hold", "at": -0.7, "time_s": 1.0}},
    ]
    points = shown("duty_cycle", speed_by="motor", supply_voltage_v=48.0, part=parts)
    assert at(48.0, 0.5, 1000.0) in points  # the end of the rise
    assert any(one.torque_nm == 0.5 and 300.0 < (one.speed_rpm or 0.0) < 700.0 for one in points)  # its middle
    assert any(one.torque_nm < 0.1 for one in points)  # the torque falls
    assert max(one.torque_nm for one in points) == 0.5  # 0.7 N·m only brake


def test_a_swing_is_seen_on_both_sides_however_often_it_swings() -> None:
    for cycles in (1, 2, 64, 101):
        swing = {"shape": "sine", "offset": 0.0, "amplitude": 200.0, "period_s": 8.0, "cycles": cycles}
        part = {"speed_rpm": swing, "torque_nm": {"shape": "hold", "at": 0.0}}
        settings = PROCEDURES["duty_cycle"].settings.model_validate(
            {"speed_by": "motor", "supply_voltage_v": 48.0, "part": [part]}
        )
        speeds = [speed_rpm for speed_rpm, _ in passed(settings.course)]  # type: ignore[attr-defined]
        assert min(speeds) < -190.0, cycles
        assert max(speeds) > 190.0, cycles


def point(torque_nm: float, speed_rpm: float, power_w: float) -> Reading:
    return Reading(
        speed_rpm=speed_rpm, torque_nm=torque_nm, current_a=1.0, voltage_v=24.0, power_w=power_w, phase_current_a=None
    )


def test_three_are_the_fastest_without_load_one_in_the_middle_and_the_most_powerful() -> None:
    idle, fast = point(0.0, 1000.0, 3.0), point(0.0, 3000.0, 9.0)
    loaded = [point(nm, 3000.0, 300.0 * nm) for nm in (0.1, 0.2, 0.3, 0.4, 0.5)]
    assert three([idle, *loaded, fast, loaded[2]]) == (fast, loaded[2], loaded[4])
    assert three([idle, fast]) == (idle, fast)
    assert three([idle]) == (idle,)
    assert three([]) == ()
