"""A DC motor switched onto 24 V, computed by the simulated bench and by three others.

The motor of the comparison: 0.5 Ω, 1.5 mH, 0.05 V·s, 2.5e-4 kg·m², 1e-4 N·m·s, as in `reference_dc_24v`. The plant runs
whole: supply, link and specimen, with the coupling open so that the rotor is alone.
"""

import importlib.util
import warnings

import numpy as np
import pytest
from scipy.linalg import expm

from benchd_rig.plant import Plant
from benchd_rig.specimen import load_specimen

# computed with gym-electric-motor 3.0.3, python-control 0.10.2 and the matrix exponential, which agree:
# time s, current A, speed rad/s
PUBLISHED = (
    (0.001, 13.591413, 1.435126),
    (0.005, 37.908462, 24.322123),
    (0.010, 42.039090, 65.304241),
    (0.050, 19.142698, 300.476454),
    (0.100, 7.060986, 413.392401),
)
TIMES_S = [round(0.001 * number, 3) for number in range(1, 101)]
RESISTANCE_OHM, INDUCTANCE_H, CONSTANT_V_S, INERTIA_KGM2, VISCOUS_NM_S = 0.5, 1.5e-3, 0.05, 2.5e-4, 1e-4
STATE = np.array(
    [
        [-RESISTANCE_OHM / INDUCTANCE_H, -CONSTANT_V_S / INDUCTANCE_H],
        [CONSTANT_V_S / INERTIA_KGM2, -VISCOUS_NM_S / INERTIA_KGM2],
    ]
)


def switched_on() -> Plant:
    plant = Plant(load_specimen("reference_dc_24v"))
    plant.faults.coupling_broken = True
    plant.supply.voltage_v = 24.0
    plant.supply.current_limit_a = 1000.0
    plant.supply.output_on = True
    return plant


def plant_states(times_s: list[float]) -> np.ndarray:
    plant = switched_on()
    states = []
    for time_s in times_s:
        plant.advance_to(time_s)
        truth = plant.truth()
        states.append((truth.motor_current_a, truth.motor_speed_rpm * np.pi / 30.0))
    return np.array(states)


def test_the_plant_gives_the_published_current_and_speed() -> None:
    states = plant_states([time_s for time_s, _, _ in PUBLISHED])
    for (_, current_a, speed_rad_s), state in zip(PUBLISHED, states, strict=True):
        assert state == pytest.approx([current_a, speed_rad_s], rel=5e-8, abs=1e-6)


def test_the_plant_ends_at_the_published_no_load_point() -> None:
    plant = switched_on()
    plant.advance_to(3.0)
    assert plant.motor_current_a == pytest.approx(0.9411765, abs=1e-7)
    assert plant.motor_speed_rpm * np.pi / 30.0 == pytest.approx(470.5882353, abs=1e-6)


def test_an_hour_in_long_steps_stands_at_the_published_no_load_point() -> None:
    plant = switched_on()
    plant.leaps = True
    plant.advance_to(3600.0)
    assert plant.leapt_s > 3000.0
    assert plant.motor_current_a == pytest.approx(0.9411765, abs=1e-6)
    assert plant.motor_speed_rpm * np.pi / 30.0 == pytest.approx(470.5882353, abs=1e-4)


def test_the_plant_peaks_at_the_published_instant() -> None:
    times_s = [0.0085, 0.009, 0.0095, 0.010]
    through_the_peak = np.polyfit(np.array(times_s) - 0.009, plant_states(times_s)[:, 0], 3)
    turns = np.roots(np.polyder(through_the_peak))
    turn_s = float(turns[np.argmin(np.abs(turns))].real)
    assert turn_s + 0.009 == pytest.approx(9.230692e-3, abs=2e-6)
    assert np.polyval(through_the_peak, turn_s) == pytest.approx(42.115259, abs=1e-4)


def test_the_plant_follows_the_matrix_exponential() -> None:
    # scipy 1.14 or later, scipy.linalg.expm
    end = np.linalg.solve(-STATE, [24.0 / INDUCTANCE_H, 0.0])
    expected = np.array([end - expm(STATE * time_s) @ end for time_s in TIMES_S])
    assert plant_states(TIMES_S) == pytest.approx(expected, rel=5e-8, abs=1e-6)


def test_the_plant_follows_python_control() -> None:
    if importlib.util.find_spec("control") is None:
        pytest.skip("python-control (the extra 'reference') is not installed")
    import control  # noqa: PLC0415  (optional)

    # python-control 0.10.2, step response of the state-space system
    system = control.ss(STATE, [[24.0 / INDUCTANCE_H], [0.0]], np.eye(2), np.zeros((2, 1)))
    response = control.step_response(system, T=[0.0, *TIMES_S])
    expected = np.asarray(response.outputs)[:, 0, 1:].T
    assert plant_states(TIMES_S) == pytest.approx(expected, rel=5e-8, abs=1e-6)


def test_the_plant_follows_gym_electric_motor() -> None:
    if importlib.util.find_spec("gym_electric_motor") is None:
        pytest.skip("gym-electric-motor (the extra 'reference') is not installed")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # raised by its imports
        import gym_electric_motor.physical_systems as foreign  # noqa: PLC0415  (optional)

    # gym-electric-motor 3.0.3: permanently excited DC motor, static polynomial load, ideal supply, dopri5
    system = foreign.DcMotorSystem(
        converter=foreign.converters.ContFourQuadrantConverter(tau=1e-3),
        motor=foreign.electric_motors.DcPermanentlyExcitedMotor(
            motor_parameter={
                "r_a": RESISTANCE_OHM,
                "l_a": INDUCTANCE_H,
                "psi_e": CONSTANT_V_S,
                "j_rotor": 0.8 * INERTIA_KGM2,
            },
        ),
        load=foreign.mechanical_loads.PolynomialStaticLoad(
            {"a": 0.0, "b": VISCOUS_NM_S, "c": 0.0, "j_load": 0.2 * INERTIA_KGM2}
        ),
        supply=foreign.voltage_supplies.IdealVoltageSupply(24.0),
        ode_solver=foreign.solvers.ScipyOdeSolver("dopri5", rtol=1e-11, atol=1e-11),
        tau=1e-3,
    )
    system.reset()
    names = system.state_names
    columns = [names.index("i"), names.index("omega")]
    expected = np.array([(system.simulate([1.0]) * system.limits)[columns] for _ in TIMES_S])
    assert plant_states(TIMES_S) == pytest.approx(expected, rel=1e-7, abs=1e-6)
