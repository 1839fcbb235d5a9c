"""The laws of the brushless motor: least current for a torque, temperature, iron loss, cogging."""

import math

import numpy as np
import pytest

from benchd_rig.pmsm import Axes, Cogging, Iron, axes
from benchd_rig.specimen import BrushlessMotor, Specimen

SALIENCIES = [
    pytest.param(2.0e-3, 3.2e-3, id="q above d"),
    pytest.param(2.0e-3, 2.0e-3, id="none"),
    pytest.param(3.0e-3, 2.2e-3, id="d above q"),
]


def salient(d_h: float, q_h: float) -> Axes:
    return Axes(pole_pairs=4, resistance_ohm=0.25, d_inductance_h=d_h, q_inductance_h=q_h, flux_v_s=0.085)


def of(specimen: Specimen) -> BrushlessMotor:
    assert isinstance(specimen.motor, BrushlessMotor)
    return specimen.motor


@pytest.mark.parametrize(("d_h", "q_h"), SALIENCIES)
@pytest.mark.parametrize("torque_nm", [0.5, 9.0, -14.0])
def test_no_current_of_any_angle_makes_the_torque_with_less(d_h: float, q_h: float, torque_nm: float) -> None:
    motor = salient(d_h, q_h)
    found_a = motor.least_current_a(torque_nm, limit_a=1000.0)
    assert motor.torque_nm(found_a) == pytest.approx(torque_nm, rel=1e-9)
    angles = np.linspace(0.0, 2.0 * math.pi, 20001)
    best_nm = max(abs(motor.torque_nm(abs(found_a) * complex(math.cos(one), math.sin(one)))) for one in angles)
    assert best_nm == pytest.approx(abs(torque_nm), rel=1e-6)


@pytest.mark.parametrize(("d_h", "q_h"), SALIENCIES)
def test_a_torque_beyond_the_limit_gets_the_best_current_within_it(d_h: float, q_h: float) -> None:
    motor = salient(d_h, q_h)
    found_a = motor.least_current_a(-500.0, limit_a=20.0)
    assert abs(found_a) == pytest.approx(20.0)
    assert motor.torque_nm(found_a) < 0.0
    assert found_a == motor.best_current_a(20.0, positive=False)


def test_torque_and_voltage_agree_on_the_power(pump: Specimen) -> None:
    motor = axes(of(pump), winding_degc=20.0, magnet_degc=20.0)
    current_a, speed_rad_s = -8.0 + 25.0j, 300.0
    voltage_v = motor.voltage_v(current_a, electrical_rad_s=4 * speed_rad_s)
    power_w = 1.5 * (voltage_v * current_a.conjugate()).real
    copper_w = 1.5 * motor.resistance_ohm * abs(current_a) ** 2
    assert power_w - copper_w == pytest.approx(motor.torque_nm(current_a) * speed_rad_s, rel=1e-12)


def test_copper_and_magnets_change_with_their_own_temperatures(pump: Specimen) -> None:
    cold = axes(of(pump), winding_degc=20.0, magnet_degc=20.0)
    warm = axes(of(pump), winding_degc=100.0, magnet_degc=70.0)
    assert cold.resistance_ohm == pytest.approx(0.035)
    assert warm.resistance_ohm == pytest.approx(0.035 * (1.0 + 80.0 * 0.00393))
    assert warm.flux_v_s == pytest.approx(0.0150 * (1.0 - 50.0 * 0.0011))


def test_iron_brakes_in_both_directions_and_less_with_a_weakened_field(pump: Specimen) -> None:
    iron, flux = Iron(of(pump)), complex(0.0150, 0.0)
    assert iron.torque_nm(300.0, flux=flux) == pytest.approx(0.024 + 1e-4 * 300.0, rel=5e-3)
    assert iron.torque_nm(-300.0, flux=flux) == -iron.torque_nm(300.0, flux=flux)
    assert iron.torque_nm(0.0, flux=flux) == 0.0
    assert iron.torque_nm(300.0, flux=0.5 * flux) == pytest.approx(0.25 * iron.torque_nm(300.0, flux=flux))


def test_cogging_does_no_work_over_a_period_and_its_mean_is_its_energys_slope(pump: Specimen) -> None:
    cogging = Cogging(of(pump))
    period_rad = 2.0 * math.pi / cogging.periods
    assert cogging.mean_torque_nm(0.123, period_rad) == pytest.approx(0.0, abs=1e-15)
    for start_rad, turn_rad in ((0.1, 0.05), (0.3, -0.2), (0.02, 1e-9)):
        work_j = cogging.mean_torque_nm(start_rad, turn_rad) * turn_rad
        stored_j = cogging.stored_j(start_rad + turn_rad) - cogging.stored_j(start_rad)
        assert work_j == pytest.approx(-stored_j, rel=1e-6, abs=1e-18)
    assert cogging.mean_torque_nm(0.2, 0.0) == pytest.approx(cogging.torque_nm(0.2))
