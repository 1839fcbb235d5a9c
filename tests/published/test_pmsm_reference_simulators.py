"""The simulated PMSM beside two other simulators, on the motor of `reference_pmsm`.

gym-electric-motor 3.0.3 and motulator 0.5.0 get the voltages that the running plant has at its motor, and must come to
the plant's current and torque; a sudden three-phase short of the turning motor is compared through its transient.
"""

import importlib.util
import math
import warnings
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchd_rig.phase_currents import PhaseCurrents
from benchd_rig.plant import Plant
from benchd_rig.pmsm import axes
from benchd_rig.specimen import BrushlessMotor, load_specimen
from benchd_rig.truth import Truth

RAD_S_PER_RPM = math.pi / 30.0
STEP_S = 5e-4
SHORTED_RPM = 500.0
# speed of a state, its currents' and torque's course for voltages in d and q that are held
Course = Callable[[float, complex, list[float]], np.ndarray]


@cache
def driven(speed_rpm: float, torque_nm: float, offset_deg: float) -> Truth:
    plant = Plant(load_specimen("reference_pmsm"))
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = 300.0, 60.0, True
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 330.0, 40.0
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", speed_rpm, True
    plant.advance_to(0.3)
    plant.motor_drive.power_stage_on, plant.motor_drive.torque_nm = True, torque_nm
    plant.faults.commutation_offset_deg = offset_deg
    plant.advance_to(6.0)
    return plant.truth()


def by_gym_electric_motor(speed_rpm: float, voltage_v: complex, times_s: list[float]) -> np.ndarray:
    if importlib.util.find_spec("gym_electric_motor") is None:
        pytest.skip("gym-electric-motor (the extra 'reference') is not installed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # raised by its imports
        import gym_electric_motor.physical_systems as foreign  # noqa: PLC0415  (optional)

    most = {"omega": 1000.0, "i": 200.0, "u": 1000.0, "torque": 200.0}
    system = foreign.SynchronousMotorSystem(
        control_space="dq",
        converter=foreign.converters.ContB6BridgeConverter(tau=STEP_S),
        motor=foreign.electric_motors.PermanentMagnetSynchronousMotor(
            motor_parameter={"p": 4, "r_s": 0.25, "l_d": 2e-3, "l_q": 3.2e-3, "psi_p": 0.085, "j_rotor": 1e-3},
            limit_values=most,
            nominal_values=most,
        ),
        load=foreign.mechanical_loads.ConstantSpeedLoad(omega_fixed=speed_rpm * RAD_S_PER_RPM),
        supply=foreign.voltage_supplies.IdealVoltageSupply(1000.0),
        ode_solver=foreign.solvers.ScipyOdeSolver("dopri5", rtol=1e-10, atol=1e-10),
        tau=STEP_S,
    )
    system.reset()
    names = list(system.state_names)
    columns = [names.index(name) for name in ("i_sd", "i_sq", "torque")]
    action = np.array([voltage_v.real, voltage_v.imag]) / system.limits[names.index("u_sd")]
    steps = [round(time_s / STEP_S) for time_s in times_s]
    course = [(system.simulate(action) * system.limits)[columns] for _ in range(max(steps))]
    return np.array([course[step - 1] for step in steps])


def by_motulator(speed_rpm: float, voltage_v: complex, times_s: list[float]) -> np.ndarray:
    model: Any = pytest.importorskip("motulator.drive.model")
    parts: Any = pytest.importorskip("motulator.drive.utils")
    machine = model.SynchronousMachine(parts.SynchronousMachinePars(n_p=4, R_s=0.25, L_d=2e-3, L_q=3.2e-3, psi_f=0.085))
    machine.inp.w_M = speed_rpm * RAD_S_PER_RPM

    def slope(_: float, state: np.ndarray) -> np.ndarray:
        machine.state.psi_s, machine.state.exp_j_theta_m = complex(state[0]), complex(state[1])
        machine.inp.u_ss = voltage_v * machine.state.exp_j_theta_m  # it takes stator coordinates
        machine.set_outputs(0.0)
        return np.array(machine.rhs())

    start = np.array([0.085 + 0.0j, 1.0 + 0.0j])
    solution = solve_ivp(slope, (0.0, max(times_s)), start, t_eval=times_s, rtol=1e-10, atol=1e-12, method="DOP853")
    course = []
    for flux in solution.y[0]:
        machine.state.psi_s = complex(flux)
        course.append((machine.i_s.real, machine.i_s.imag, machine.tau_M))
    return np.array(course)


SIMULATORS = [
    pytest.param(by_gym_electric_motor, id="gym-electric-motor"),
    pytest.param(by_motulator, id="motulator"),
]


@pytest.mark.parametrize("simulator", SIMULATORS)
@pytest.mark.parametrize(
    ("speed_rpm", "torque_nm", "offset_deg"),
    [(3000.0, 11.0, 0.0), (1500.0, -8.0, 0.0), (-2000.0, 6.0, 0.0), (2000.0, 9.0, 25.0)],
)
def test_the_plants_voltages_give_the_plants_currents_elsewhere(
    simulator: Course, speed_rpm: float, torque_nm: float, offset_deg: float
) -> None:
    truth = driven(speed_rpm, torque_nm, offset_deg)
    assert truth.motor_speed_rpm == pytest.approx(speed_rpm, abs=1e-3)
    [(d_a, q_a, there_nm)] = simulator(speed_rpm, complex(truth.d_voltage_v, truth.q_voltage_v), [0.3])
    assert (truth.d_current_a, truth.q_current_a) == pytest.approx((d_a, q_a), abs=1e-3)
    assert truth.airgap_torque_nm == pytest.approx(there_nm, abs=1e-3)


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_sudden_short_takes_the_same_course_elsewhere(simulator: Course) -> None:
    motor = load_specimen("reference_pmsm").motor
    assert isinstance(motor, BrushlessMotor)
    here = axes(motor, winding_degc=23.0, magnet_degc=23.0)
    phases = PhaseCurrents(step_s=STEP_S)
    turn_rad = 4 * SHORTED_RPM * RAD_S_PER_RPM * STEP_S
    times_s, course = [], []
    for step in range(1, 201):
        phases.follow(0j, here, stays=0.5, angle_rad=(step - 1) * turn_rad, turn_rad=turn_rad, most_v=0.0)
        times_s.append(step * STEP_S)
        course.append((phases.current_a.real, phases.current_a.imag))
    there = simulator(SHORTED_RPM, 0j, times_s)[:, :2]
    # the midpoint rule turns by 2·atan(ωh/2) instead of ωh: 0.1 % slow here; currents reach 42 A
    assert np.abs(there).max() > 40.0
    assert np.array(course) == pytest.approx(there, abs=0.1)
