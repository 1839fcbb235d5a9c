"""A plate refuses what no bench has, and a twin says when it cannot be made of one."""

import dataclasses

import pytest

from benchd.contract import BrushedPlate, DrivePlate, Plate, SimulatedBench, Twin

MOTOR = BrushedPlate(
    voltage_v=24.0,
    current_a=4.0,
    speed_rpm=3000.0,
    torque_nm=0.25,
    resistance_ohm=0.8,
    ke_v_s=0.065,
    inertia_kgm2=1e-4,
)
PLATE = Plate(
    bench="shed",
    specimen="M1",
    motor=MOTOR,
    ports=(),
    supply_max_v=60.0,
    supply_max_a=10.0,
    sink_max_v=60.0,
    sink_max_a=10.0,
    link_capacitance_f=1e-3,
    over_voltage_protection_v=40.0,
    cable_ohm=0.0,
    fuse_current_a=10.0,
    coupling_stiffness_nm_rad=500.0,
    coupling_inertia_kgm2=1e-5,
    shaft_inertia_kgm2=1e-4,
    shaft_max_speed_rpm=6000.0,
    load_drive=DrivePlate(max_torque_nm=1.0, max_speed_rpm=6000.0),
)
TWIN = Twin(name="toy", summary="none", module="toy", in_process="toy:drivers", specimens=())


def test_zero_is_a_resistance_of_a_cable_and_a_friction_but_no_inertia() -> None:
    dataclasses.replace(PLATE, cable_ohm=0.0, shaft_dry_friction_nm=0.0, ambient_degc=-5.0)
    with pytest.raises(ValueError, match=r"of 'shed': inertia_kgm2 of the motor is 0; write a finite number above 0\."):
        dataclasses.replace(PLATE, motor=dataclasses.replace(MOTOR, inertia_kgm2=0.0))
    with pytest.raises(ValueError, match="max_torque_nm of the load drive is inf"):
        dataclasses.replace(PLATE, load_drive=DrivePlate(max_torque_nm=float("inf"), max_speed_rpm=6000.0))
    with pytest.raises(ValueError, match="ambient_degc of the plate is nan"):
        dataclasses.replace(PLATE, ambient_degc=float("nan"))


def test_a_twin_of_shipped_specimens_alone_says_so() -> None:
    with pytest.raises(ValueError, match="toy cannot be made from a rating plate"):
        TWIN.on_plate(PLATE, seed=0)


def test_a_twin_whose_maker_is_gone_is_a_broken_plugin() -> None:
    with pytest.raises(ImportError, match=r"twin toy names benchd\.contract:nothing_there"):
        dataclasses.replace(TWIN, from_plate="benchd.contract:nothing_there").on_plate(PLATE, seed=0)


def test_a_simulated_bench_is_a_mapping_that_has_to_be_finished() -> None:
    assert {"assumed", "press", "dwell", "truth"} <= SimulatedBench.__abstractmethods__
