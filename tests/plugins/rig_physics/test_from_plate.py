"""A specimen from its rating plate beside the shipped one of the same type, whose constants nobody copied over."""

import dataclasses
import math

import pytest

from benchd.contract import BrushedPlate, Plate
from benchd_rig.from_plate import specimen_of
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.plugins.plates import PUMP, VENT_FLAP, plate
from tests.plugins.rig_physics.running import driven, held, on_its_link, turned


@pytest.fixture(scope="module")
def pump_plate() -> Plate:
    return plate(*PUMP)


@pytest.fixture(scope="module")
def flap_plate() -> Plate:
    return plate(*VENT_FLAP)


def fed(specimen: Specimen, *, volt: float, load_nm: float = 0.0) -> Plant:
    plant = Plant(specimen)
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = volt, 20.0, True
    plant.load.mode, plant.load.torque_nm, plant.load.power_stage_on = "torque", load_nm, True
    plant.advance_to(3.0)
    return plant


@pytest.mark.parametrize("volt", [12.0, 24.0])
def test_a_vent_flap_from_its_plate_idles_as_the_shipped_one_does(flap_plate: Plate, volt: float) -> None:
    own, shipped = (fed(one, volt=volt).truth() for one in (specimen_of(flap_plate)[0], load_specimen(VENT_FLAP[1])))
    # the plate's resistance holds the brushes' drop as if it grew with the current: 0.7 V at no load
    assert own.motor_speed_rpm == pytest.approx(shipped.motor_speed_rpm, rel=0.07 if volt < 20.0 else 0.035)
    # windage, which grows with the cube of the speed, is on no plate: 0.086 A of 0.586 A at 24 V
    assert own.motor_current_a == pytest.approx(shipped.motor_current_a, rel=0.05 if volt < 20.0 else 0.10)


def test_a_vent_flap_from_its_plate_turns_its_rated_point(flap_plate: Plate) -> None:
    specimen, _ = specimen_of(flap_plate)
    own, shipped = (fed(one, volt=24.0, load_nm=0.25).truth() for one in (specimen, load_specimen(VENT_FLAP[1])))
    assert own.motor_speed_rpm == pytest.approx(shipped.motor_speed_rpm, rel=0.01)
    assert own.motor_current_a == pytest.approx(shipped.motor_current_a, rel=0.015)
    per_ampere = own.shaft_torque_nm / own.motor_current_a
    assert per_ampere == pytest.approx(shipped.shaft_torque_nm / shipped.motor_current_a, rel=0.015)
    # its plate: 24 V, 0.25 N·m, 3000 r/min, 4.2 A
    assert own.motor_speed_rpm == pytest.approx(3000.0, rel=0.05)
    assert own.motor_current_a == pytest.approx(4.2, rel=0.05)


def test_a_pump_from_its_plate_idles_as_the_shipped_one_does(pump_plate: Plate) -> None:
    own, shipped = (
        held(on_its_link(one), speed_rpm=3000.0).truth() for one in (specimen_of(pump_plate)[0], load_specimen(PUMP[1]))
    )
    assert own.motor_speed_rpm == pytest.approx(shipped.motor_speed_rpm, rel=0.001)
    assert own.motor_current_a == pytest.approx(shipped.motor_current_a, rel=0.05)  # windage again
    assert own.phase_current_a == pytest.approx(shipped.phase_current_a, rel=0.05)
    assert own.line_voltage_v == pytest.approx(shipped.line_voltage_v, rel=0.01)


def test_a_pump_from_its_plate_makes_the_torque_of_its_current(pump_plate: Plate) -> None:
    own, shipped = (
        driven(turned(on_its_link(one), speed_rpm=2000.0), torque_nm=2.39).truth()
        for one in (specimen_of(pump_plate)[0], load_specimen(PUMP[1]))
    )
    own_per_ampere, per_ampere = (one.shaft_torque_nm / one.phase_current_a for one in (own, shipped))
    assert own_per_ampere == pytest.approx(per_ampere, rel=0.02)
    assert own.motor_current_a == pytest.approx(shipped.motor_current_a, rel=0.03)
    # its plate: 2.39 N·m at 19.5 A
    assert own_per_ampere == pytest.approx(2.39 / 19.5, rel=0.03)


def test_at_rated_load_for_ever_the_winding_stays_below_what_it_bears(flap_plate: Plate) -> None:
    motor = specimen_of(flap_plate)[0].motor
    current_a, friction_w = 4.2, (0.012 + 1.2e-5 * 314.16) * 314.16
    rise_k = 60.0
    for _ in range(50):  # what the two thermal resistances come to, the copper's own warming included
        copper_w = 0.8 * (1.0 + 0.00393 * (20.0 + rise_k)) * current_a**2
        rise_k = copper_w * motor.winding_to_housing_k_w
        rise_k += (copper_w + friction_w) * motor.housing_to_ambient_k_w
    assert 0.6 * 80.0 < rise_k < 0.85 * 80.0  # it bears 120 °C, at 40 °C around it
    assert motor.winding_j_k * motor.winding_to_housing_k_w == pytest.approx(70.0, rel=1e-9)


def test_what_is_not_stated_is_said_and_what_is_stated_is_not(flap_plate: Plate) -> None:
    motor = flap_plate.motor
    assert isinstance(motor, BrushedPlate)
    bare = dataclasses.replace(
        motor, dry_friction_nm=None, viscous_friction_nm_s=None, thermal_time_constant_s=None, max_winding_degc=None
    )
    _, stated = specimen_of(flap_plate)
    specimen, unstated = specimen_of(dataclasses.replace(flap_plate, motor=bare))
    for what in ("Dry friction:", "Viscous friction:", "Thermal time constant", "Highest winding temperature"):
        assert not any(one.startswith(what) for one in stated)
        assert any(one.startswith(what) for one in unstated)
    # 0.065 V·s · 4.2 A - 0.25 N·m = 0.023 N·m of drag at rated speed, half of it dry
    assert specimen.motor.coulomb_nm == pytest.approx(0.0115, rel=1e-6)
    assert specimen.motor.viscous_nm_s * 3000.0 * math.pi / 30.0 == pytest.approx(0.0115, rel=1e-6)
    full = dataclasses.replace(motor, inductance_h=1e-3)
    specimen, told = specimen_of(dataclasses.replace(flap_plate, motor=full, ambient_degc=30.0))
    assert not any(one.startswith(("Inductance", "Ambient")) for one in told)
    assert (specimen.motor.inductance_h, specimen.bench.ambient_degc) == (1e-3, 30.0)


def test_coupling_and_transducer_are_one_spring(flap_plate: Plate) -> None:
    pair = dataclasses.replace(flap_plate, coupling_stiffness_nm_rad=1000.0, transducer_stiffness_nm_rad=3000.0)
    assert specimen_of(pair)[0].bench.coupling.stiffness_nm_rad == pytest.approx(750.0)
    alone = dataclasses.replace(pair, transducer_stiffness_nm_rad=None)
    specimen, told = specimen_of(alone)
    assert specimen.bench.coupling.stiffness_nm_rad == 1000.0
    assert any(one.startswith("Transducer:") for one in told)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"supply_max_a": 0.0}, "supply_max_a of the plate is 0"),
        ({"shaft_inertia_kgm2": math.nan}, "shaft_inertia_kgm2 of the plate is nan"),
        ({"cable_ohm": -0.1}, "cable_ohm of the plate is -0.1; write a finite number not below 0"),
    ],
)
def test_a_number_that_no_bench_has_is_one_sentence(flap_plate: Plate, changes: dict[str, float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        dataclasses.replace(flap_plate, **changes)


def test_a_motor_without_torque_per_ampere_is_one_sentence(flap_plate: Plate) -> None:
    assert isinstance(flap_plate.motor, BrushedPlate)
    with pytest.raises(ValueError, match="ke_v_s of the motor is 0; write a finite number above 0"):
        dataclasses.replace(flap_plate, motor=dataclasses.replace(flap_plate.motor, ke_v_s=0.0))


def test_a_brushless_motor_without_its_drive_is_one_sentence(pump_plate: Plate) -> None:
    with pytest.raises(ValueError, match="needs a drive in the role motor_drive"):
        specimen_of(dataclasses.replace(pump_plate, motor_drive=None))


def test_a_winding_that_bears_no_rise_is_one_sentence(flap_plate: Plate) -> None:
    cold = dataclasses.replace(flap_plate.motor, max_winding_degc=38.0)
    with pytest.raises(ValueError, match="no rise above 40 °C"):
        specimen_of(dataclasses.replace(flap_plate, motor=cold))
