"""Coasting with dry and viscous friction against the equation of motion, solved by hand and in small steps."""

import math

import numpy as np
import pytest

from benchd.rules.coasting import ShaftTrain, coasting_time_s

TRAIN = ShaftTrain(inertia_kgm2=0.01, dry_friction_nm=0.02, viscous_friction_nm_s=1e-4)
FROM_RPM = 3000.0  # 314.159265 rad/s


def test_the_closed_form_gives_its_known_number() -> None:
    """t = (J/b)·ln(1 + b·ω0/Tc) with J 0.01, b 1e-4, ω0 314.159265, Tc 0.02: 94.4216 s (computed by hand)."""
    assert coasting_time_s(TRAIN, from_rpm=FROM_RPM) == pytest.approx(94.4216, abs=5e-5)
    assert coasting_time_s(TRAIN, from_rpm=-FROM_RPM) == pytest.approx(94.4216, abs=5e-5)


def test_it_is_what_small_steps_of_the_equation_of_motion_give() -> None:
    speed, step_s, steps = FROM_RPM * math.pi / 30.0, 1e-3, 0
    while speed > 10.0 * math.pi / 30.0:
        middle = speed - 0.5 * step_s * (0.02 + 1e-4 * speed) / 0.01
        speed -= step_s * (0.02 + 1e-4 * middle) / 0.01
        steps += 1
    assert coasting_time_s(TRAIN, from_rpm=FROM_RPM, to_rpm=10.0) == pytest.approx(steps * step_s, abs=2e-3)


def test_without_viscous_friction_the_speed_falls_in_a_straight_line() -> None:
    dry = ShaftTrain(inertia_kgm2=0.01, dry_friction_nm=0.02, viscous_friction_nm_s=0.0)
    assert coasting_time_s(dry, from_rpm=FROM_RPM) == pytest.approx(0.01 * 314.159265 / 0.02, rel=1e-8)
    almost = ShaftTrain(inertia_kgm2=0.01, dry_friction_nm=0.02, viscous_friction_nm_s=1e-15)
    assert coasting_time_s(almost, from_rpm=FROM_RPM) == pytest.approx(coasting_time_s(dry, from_rpm=FROM_RPM))


def test_what_nothing_slows_never_stands_and_what_is_slow_already_needs_no_time() -> None:
    smooth = ShaftTrain(inertia_kgm2=0.01, dry_friction_nm=0.0, viscous_friction_nm_s=1e-4)
    assert coasting_time_s(smooth, from_rpm=FROM_RPM) == math.inf
    assert coasting_time_s(smooth, from_rpm=FROM_RPM, to_rpm=10.0) == pytest.approx(100.0 * np.log(300.0))
    assert coasting_time_s(TRAIN, from_rpm=5.0, to_rpm=10.0) == 0.0


@pytest.mark.parametrize("unknown", ["dry_friction_nm", "viscous_friction_nm_s"])
def test_a_friction_that_nobody_stated_predicts_nothing(unknown: str) -> None:
    known = {"dry_friction_nm": 0.02, "viscous_friction_nm_s": 1e-4, unknown: None}
    assert coasting_time_s(ShaftTrain(inertia_kgm2=0.01, **known), from_rpm=FROM_RPM) is None
    assert coasting_time_s(TRAIN, from_rpm=math.nan) is None
