"""DC machine examples from outside, against the functions and the evaluation that make results."""

import math

import numpy as np
import pytest

from benchd.analysis import Record, RecordedPoint, RecordedTest, evaluate
from benchd.analysis.losses import brushed_losses
from benchd.rules.channels import Quality

RPM = math.pi / 30.0


# Fitzgerald, Kingsley, Umans, Electric Machinery, 6th edition, Example 7.1 (value from memory): generated voltage
# 125 V at 3000 r/min, armature resistance 0.02 Ω.
@pytest.mark.parametrize(
    ("voltage_v", "current_a", "terminal_kw", "electromagnetic_kw", "torque_nm"),
    [(128.0, 150.0, 19.20, 18.75, 59.68), (124.0, -50.0, -6.20, -6.25, -19.89)],
)
def test_a_machine_at_3000_rpm_motors_above_its_back_emf_and_generates_below(
    voltage_v, current_a, terminal_kw, electromagnetic_kw, torque_nm
):
    shaft_w = electromagnetic_kw * 1000.0
    found = brushed_losses(voltage_v=voltage_v, current_a=current_a, resistance_ohm=0.02, shaft_w=shaft_w)
    assert found.converted_w == pytest.approx(electromagnetic_kw * 1000.0, abs=1e-6)
    assert found.converted_w + found.winding_w == pytest.approx(terminal_kw * 1000.0, abs=1e-6)
    assert found.converted_w / (3000.0 * RPM) == pytest.approx(torque_nm, abs=0.005)
    assert found.rest_w == pytest.approx(0.0, abs=1e-6)
    assert found.efficiency == pytest.approx(min(terminal_kw / electromagnetic_kw, electromagnetic_kw / terminal_kw))


# The same book, Example 7.9 (value from memory): permanent-magnet motor, armature resistance 1.03 Ω, no load at 50 V:
# 1.25 A, 2100 r/min; rotational loss taken as equal at both speeds.
def test_the_constant_and_the_loss_of_a_permanent_magnet_motor_come_from_its_no_load_reading():
    found = brushed_losses(voltage_v=50.0, current_a=1.25, resistance_ohm=1.03, shaft_w=0.0)
    assert found.rest_w == pytest.approx(60.89, abs=0.005)
    assert found.converted_w / 1.25 == pytest.approx(48.7125, abs=1e-9)
    assert found.converted_w / 1.25 / (2100.0 * RPM) == pytest.approx(0.22151, abs=5e-6)


def test_the_same_motor_at_48_v_and_1700_rpm():
    current_a = (48.0 - 0.2215091 * 1700.0 * RPM) / 1.03
    assert current_a == pytest.approx(8.317, abs=0.0005)
    found = brushed_losses(voltage_v=48.0, current_a=8.317, resistance_ohm=1.03, shaft_w=267.06)
    assert found.converted_w == pytest.approx(327.96, abs=0.02)
    assert found.rest_w == pytest.approx(60.89, abs=0.03)


# Modelica Standard Library, Machines.Examples.DCMachines, DCPM_withLosses, machine 1 (read in the source): 100 V,
# 100 A, 0.05 Ω, 1425 r/min, copper loss only.
def test_a_machine_with_copper_loss_only():
    found = brushed_losses(voltage_v=100.0, current_a=100.0, resistance_ohm=0.05, shaft_w=9500.0)
    assert found.winding_w == pytest.approx(500.0)
    assert found.converted_w / 100.0 == pytest.approx(95.0)
    assert found.rest_w == pytest.approx(0.0, abs=1e-9)
    assert found.converted_w / (1425.0 * RPM) == pytest.approx(63.66, abs=0.005)


# A linear motor whose points follow from one another, in closed form: 24 V, 0.5 Ω, 0.05 V·s/rad, 0.6 A no load.
RESISTANCE_OHM, CONSTANT_VS, NO_LOAD_A = 0.5, 0.05, 0.6
BEST_NM = 0.2383281573  # torque of greatest efficiency


def states():
    """(test, asked, voltage V, torque N·m) of a no-load test with voltage steps and a load test up and down."""
    yield from ((0, {"voltage_v": u}, u, 0.0) for u in (6.0, 12.0, 18.0, 24.0))
    torques = (0.1, BEST_NM, 0.5, 1.0)
    yield from ((1, {"torque_nm": t}, 24.0, t) for t in (*torques, *reversed(torques)))


@pytest.fixture(scope="module")
def results():
    """The whole evaluation of a run without noise of the linear motor."""
    rows = 12
    columns = {name: [] for name in ("dc_voltage", "dc_current", "shaft_torque", "shaft_speed")}
    test, point, points = [], [], {0: [], 1: []}
    for index, asked, voltage_v, torque_nm in states():
        current_a = NO_LOAD_A + torque_nm / CONSTANT_VS
        speed_rpm = (voltage_v - RESISTANCE_OHM * current_a) / CONSTANT_VS / RPM
        number = len(points[index])
        direction = "down" if index == 1 and number >= 4 else "up"
        points[index].append(RecordedPoint(point=number, direction=direction, asked=asked))
        for name, value in zip(columns, (voltage_v, current_a, torque_nm, speed_rpm), strict=True):
            columns[name] += [value] * rows
        test += [index] * rows
        point += [number] * rows
    size = len(test)
    tests = [RecordedTest(index=n, kind=kind, points=points[n]) for n, kind in enumerate(("no_load", "load"))]
    record = Record(
        time_mono_s=0.01 * np.arange(size),
        test=np.array(test),
        point=np.array(point),
        values={name: np.array(column) for name, column in columns.items()},
        ages_s={name: np.zeros(size) for name in columns},
        quality={name: np.full(size, Quality.GOOD, dtype=np.uint8) for name in columns},
        units={"dc_voltage": "V", "dc_current": "A", "shaft_torque": "N·m", "shaft_speed": "r/min"},
        calibrations={},
        zeros={},
        tests=tests,
        motor={"rated": {"voltage_v": 24.0, "torque_nm": BEST_NM}},
        setup={},
    )
    return evaluate(record)


@pytest.mark.parametrize(
    ("name", "value", "within"),
    [
        ("voltage_constant", 0.05, 1e-9),
        ("torque_constant", 0.05, 1e-9),
        ("winding_resistance", 0.5, 1e-8),
        ("stall_current", 48.0, 1e-6),
        ("stall_torque", 2.37, 1e-7),
        ("no_load_speed_extrapolated", 4526.37, 0.005),
        ("no_load_current_extrapolated", 0.6, 1e-7),
        ("maximum_output_power", 280.845, 0.0005),
        ("maximum_efficiency", 0.788893, 5e-7),
        ("current_at_maximum_efficiency", 5.366563, 5e-7),
        ("speed_at_maximum_efficiency", 4071.193, 5e-4),
        ("torque_at_maximum_efficiency", 0.238328, 5e-7),
        ("efficiency_at_rated_torque", 0.788893, 5e-7),
        ("current_at_rated_torque", 5.366563, 5e-7),
        ("speed_at_rated_torque", 4071.193, 5e-4),
    ],
)
def test_the_evaluation_finds_every_point_of_a_linear_motor(results, name, value, within):
    assert results.quantity("load", name).value == pytest.approx(value, abs=within)


def test_the_evaluation_finds_its_no_load_point(results):
    assert results.quantity("no_load", "no_load_speed").value == pytest.approx(4526.37, abs=0.005)
    assert results.quantity("no_load", "no_load_current").value == pytest.approx(0.6, abs=1e-9)
