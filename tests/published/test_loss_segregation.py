"""Segregated losses of an induction machine and the regression that belongs to it, against published numbers.

Source: Modelica Standard Library (BSD-3), Machines.Examples.InductionMachines, the cage machine with losses: 18.5 kW,
400 V, 50 Hz, four poles; its nominal point and its table of measured points (read in the source).
"""

import math

import numpy as np
import pytest

from benchd.analysis.losses import residual_line, segregated_losses, winding_loss_w
from benchd.analysis.temperature import resistance_at

SYNCHRONOUS_RPM = 1500.0
CORE_W, FRICTION_W, NOMINAL_RPM = 410.0, 180.0, 1462.5
OUTPUT_W = np.array([1845, 3549, 5325, 7521, 9372, 11010, 12930, 14950, 16360, 18500, 18560, 20180, 22170.0])
CURRENT_A = np.array([11.2, 12.27, 13.87, 16.41, 18.78, 21.07, 23.92, 27.05, 29.4, 32.85, 32.95, 35.92, 39.35])
SPEED_RPM = np.array([1496, 1493, 1490, 1486, 1482, 1479, 1475, 1471, 1467, 1462, 1462, 1458, 1453.0])
FACTOR = np.array([0.327, 0.506, 0.636, 0.741, 0.797, 0.831, 0.857, 0.875, 0.887, 0.896, 0.896, 0.902, 0.906])
EFFICIENCY = np.array(
    [0.725, 0.8268, 0.8698, 0.8929, 0.9028, 0.9064, 0.9088, 0.9089, 0.907, 0.9044, 0.9043, 0.9008, 0.8972]
)


@pytest.fixture
def terminal_ohm():
    """Between two terminals: 0.56 Ω a phase at 20 °C, carried to 90 °C, in delta."""
    phase_ohm = resistance_at(0.56, from_degc=20.0, to_degc=90.0)
    assert phase_ohm == pytest.approx(0.713725, abs=5e-7)
    return 2.0 / 3.0 * phase_ohm


def test_the_nominal_point_is_segregated_to_its_efficiency(terminal_ohm):
    stator_w = winding_loss_w(current_a=32.85, terminal_ohm=terminal_ohm)
    assert stator_w == pytest.approx(770.13, abs=0.1)  # the current is given to four digits
    found = segregated_losses(
        input_w=20443.95,
        stator_w=770.13,
        core_w=CORE_W,
        slip=(SYNCHRONOUS_RPM - NOMINAL_RPM) / SYNCHRONOUS_RPM,
        additional_w=102.22,
        friction_w=FRICTION_W,
    )
    assert found.rotor_w == pytest.approx(481.60, abs=0.005)
    assert found.sum_w == pytest.approx(1943.95, abs=0.01)
    assert found.output_w == pytest.approx(18500.0, abs=0.01)
    assert 100.0 * found.efficiency == pytest.approx(90.49, abs=0.005)
    assert found.output_w / (NOMINAL_RPM * math.pi / 30.0) == pytest.approx(120.79, abs=0.005)


def residual(input_w, terminal_ohm):
    """(torque N·m, residual loss W) of the table's points: what the known losses leave of input less output."""
    torque_nm = OUTPUT_W / (SPEED_RPM * math.pi / 30.0)
    known = segregated_losses(
        input_w=input_w,
        stator_w=winding_loss_w(current_a=CURRENT_A, terminal_ohm=terminal_ohm),
        core_w=CORE_W,
        slip=(SYNCHRONOUS_RPM - SPEED_RPM) / SYNCHRONOUS_RPM,
        additional_w=0.0,
        friction_w=FRICTION_W * SPEED_RPM / NOMINAL_RPM,
    )
    return torque_nm, known.output_w - OUTPUT_W


def test_the_residual_losses_follow_torque_squared_where_the_input_is_known_well(terminal_ohm):
    line = residual_line(*residual(OUTPUT_W / EFFICIENCY, terminal_ohm))
    assert line.slope == pytest.approx(0.00522, abs=5e-6)
    assert line.intercept == pytest.approx(28.5, abs=0.05)
    assert line.gamma == pytest.approx(0.964, abs=0.0005)
    assert line.accepted
    assert line.additional_w(120.79) == pytest.approx(0.00522 * 120.79**2, rel=1e-3)


# IEC 60034-2-1: a correlation coefficient below 0.95 refuses the regression (value from memory).
def test_an_input_power_from_rounded_readings_is_refused(terminal_ohm):
    input_w = math.sqrt(3.0) * 400.0 * CURRENT_A * FACTOR
    assert np.abs(OUTPUT_W / input_w - EFFICIENCY).max() == pytest.approx(0.0031, abs=5e-5)
    line = residual_line(*residual(input_w, terminal_ohm))
    assert 0.69 <= line.gamma <= 0.75
    assert not line.accepted
    assert "0.95 is needed" in line.complaint
    with pytest.raises(ValueError, match="measure again"):
        line.additional_w(100.0)


def test_residual_losses_that_fall_with_load_are_refused():
    assert not residual_line(np.array([10.0, 20.0, 30.0]), np.array([30.0, 20.0, 5.0])).accepted
