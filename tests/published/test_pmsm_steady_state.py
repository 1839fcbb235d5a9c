"""A salient PMSM in steady state, as closed forms and other simulators have it, by the simulated bench.

The motor of the comparison, as in `reference_pmsm`: 4 pole pairs, 0.25 Ω, 2.0 mH, 3.2 mH, 0.085 V·s. The numbers are
those of the closed form (u = R·i + jω·λ, T = 3/2·p·Im(λ*·i), peak values in d and q); gym-electric-motor 3.0.3 and
motulator 0.5.0 give the same.
"""

import cmath
import math

import pytest

from benchd_rig.phase_currents import PhaseCurrents
from benchd_rig.plant import Plant
from benchd_rig.pmsm import axes
from benchd_rig.specimen import BrushlessMotor, load_specimen

SPECIMEN = load_specimen("reference_pmsm")
assert isinstance(SPECIMEN.motor, BrushlessMotor)
MOTOR = axes(SPECIMEN.motor, winding_degc=23.0, magnet_degc=23.0)
RAD_S_PER_RPM = math.pi / 30.0
CURRENT_A = -6.0 + 20.0j


def held_at(speed_rpm: float) -> Plant:
    """The reference motor on 300 V, held at a speed by the load machine, its converter following no torque."""
    plant = Plant(SPECIMEN)
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 300.0, 60.0, True
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 330.0, 40.0
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", speed_rpm, True
    plant.advance_to(0.3)
    plant.motor_drive.power_stage_on = True
    plant.advance_to(1.0)
    return plant


@pytest.fixture(scope="module")
def at_the_point() -> Plant:
    """3000 r/min, i_d -6 A and i_q 20 A.

    The converter chooses its own angle for a torque, so its frame is turned until the motor has the current wanted.
    """
    plant = held_at(3000.0)
    chosen_a = MOTOR.best_current_a(abs(CURRENT_A), positive=True)
    plant.motor_drive.torque_nm = MOTOR.torque_nm(chosen_a)
    plant.faults.commutation_offset_deg = math.degrees(cmath.phase(CURRENT_A) - cmath.phase(chosen_a))
    plant.advance_to(6.0)
    return plant


def test_the_voltage_equations_give_the_published_point() -> None:
    voltage_v = MOTOR.voltage_v(CURRENT_A, electrical_rad_s=4 * 3000.0 * RAD_S_PER_RPM)
    assert voltage_v.real == pytest.approx(-81.924772, abs=1e-6)
    assert voltage_v.imag == pytest.approx(96.734505, abs=1e-6)
    assert MOTOR.torque_nm(CURRENT_A) == pytest.approx(11.064, abs=1e-9)


def test_the_running_plant_stands_at_the_published_point(at_the_point: Plant) -> None:
    truth = at_the_point.truth()
    assert truth.motor_speed_rpm == pytest.approx(3000.0, abs=1e-4)
    assert (truth.d_current_a, truth.q_current_a) == pytest.approx((-6.0, 20.0), abs=1e-5)
    assert (truth.d_voltage_v, truth.q_voltage_v) == pytest.approx((-81.924772, 96.734505), abs=1e-4)
    assert truth.airgap_torque_nm == pytest.approx(11.064, abs=1e-5)
    assert truth.shaft_torque_nm == pytest.approx(11.064, abs=1e-4)
    assert truth.phase_current_a == pytest.approx(14.764823, abs=1e-5)
    assert truth.line_voltage_v == pytest.approx(155.254144, abs=1e-4)
    assert truth.converter_output_w == pytest.approx(3639.358112, abs=0.02)
    mechanical_w = truth.airgap_torque_nm * truth.motor_speed_rpm * RAD_S_PER_RPM
    assert mechanical_w == pytest.approx(3475.858112, abs=0.01)
    assert truth.converter_output_w - mechanical_w == pytest.approx(163.5, abs=0.02)
    apparent_va = math.sqrt(3.0) * truth.line_voltage_v * truth.phase_current_a
    assert truth.converter_output_w / apparent_va == pytest.approx(0.916627, abs=1e-5)


def test_ten_minutes_in_long_steps_stand_at_the_published_point(at_the_point: Plant) -> None:
    begin_s, begin_j = at_the_point.time_s, at_the_point.energy.copper_j
    at_the_point.leaps = True
    at_the_point.advance_to(begin_s + 600.0)
    at_the_point.leaps = False
    assert at_the_point.leapt_s > 500.0
    # 163.5 W of copper loss, and the carrier's ripple beside it, which the closed form does not have
    ripple_a = at_the_point.truth().phase_current_a - abs(CURRENT_A) / math.sqrt(2.0)
    assert ripple_a < 1e-5
    assert (at_the_point.energy.copper_j - begin_j) / 600.0 == pytest.approx(163.5, abs=0.01)
    assert at_the_point.analyse(0.1)[13] == pytest.approx(3639.358112, rel=5e-4)


def test_the_power_analyser_reads_the_published_point_within_its_certificate(at_the_point: Plant) -> None:
    results = at_the_point.analyse(0.5)
    assert results[13] == pytest.approx(3639.358112, rel=5e-4)
    assert results[12] == pytest.approx(14.764823, rel=3e-4)
    assert results[11] == pytest.approx(155.254144, rel=3e-4)
    assert results[16] == pytest.approx(200.0, rel=1e-5)


def test_the_smallest_current_for_a_torque_is_the_published_one() -> None:
    best_a = MOTOR.best_current_a(20.0, positive=True)
    assert (best_a.real, best_a.imag) == pytest.approx((-4.954082, 19.376715), abs=1e-6)
    assert MOTOR.torque_nm(best_a) == pytest.approx(10.573280, abs=1e-6)
    found_a = MOTOR.least_current_a(10.573280, limit_a=100.0)
    assert (found_a.real, found_a.imag) == pytest.approx((-4.954082, 19.376715), abs=1e-5)
    backward_a = MOTOR.least_current_a(-10.573280, limit_a=100.0)
    assert (backward_a.real, backward_a.imag) == pytest.approx((-4.954082, -19.376715), abs=1e-5)


def test_the_running_converter_takes_the_smallest_current_for_its_torque() -> None:
    plant = held_at(1000.0)
    plant.motor_drive.torque_nm = 10.573280
    plant.advance_to(1.5)
    truth = plant.truth()
    assert (truth.d_current_a, truth.q_current_a) == pytest.approx((-4.954082, 19.376715), abs=1e-4)


def test_a_three_phase_short_brakes_with_the_published_torque() -> None:
    phases = PhaseCurrents(step_s=5e-4)
    turn_rad = 4 * 500.0 * RAD_S_PER_RPM * 5e-4
    for step in range(2000):  # a converter that has no voltage at all shorts the phases
        angle_rad = step * turn_rad
        phases.follow(0j, MOTOR, stays=0.5, angle_rad=angle_rad, turn_rad=turn_rad, most_v=0.0)
    assert MOTOR.torque_nm(phases.mean_a) == pytest.approx(-9.858235, abs=1e-6)


def test_the_back_emf_at_1000_rpm_is_the_published_one() -> None:
    plant = held_at(1000.0)
    truth = plant.truth()
    assert truth.line_voltage_v == pytest.approx(43.606694, abs=1e-4)
    assert abs(complex(truth.d_current_a, truth.q_current_a)) < 1e-6
    assert plant.analyse(0.2)[11] == pytest.approx(43.606694, rel=3e-4)


def test_the_torque_per_ampere_without_reluctance_is_the_published_one() -> None:
    assert MOTOR.torque_nm(1j * math.sqrt(2.0)) == pytest.approx(0.721249, abs=1e-6)
