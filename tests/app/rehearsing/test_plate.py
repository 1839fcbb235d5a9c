"""What the files say of a bench, carried over to the values that a twin is made of."""

from pathlib import Path

import pytest

from benchd.app.discovery import find_drivers
from benchd.app.rehearsing.plate import plate_of
from benchd.contract import BrushedPlate, BrushlessPlate
from benchd.procedures import PROCEDURES
from benchd.settings.load import Registry, load_bench, load_motor, load_setup
from benchd.settings.places import configs_directory
from tests.plugins.plates import PUMP, VENT_FLAP, plate


def test_a_brushed_motors_plate_is_carried_over() -> None:
    made = plate(*VENT_FLAP)
    # as configs/motors/vent_flap_24v.toml, configs/setups/vent_flap.toml, configs/benches/greenhouse.toml
    motor = made.motor
    assert isinstance(motor, BrushedPlate)
    assert (motor.voltage_v, motor.current_a, motor.speed_rpm, motor.torque_nm) == (24.0, 4.2, 3000.0, 0.25)
    assert (motor.resistance_ohm, motor.ke_v_s, motor.inertia_kgm2) == (0.80, 0.065, 1.1e-4)
    assert (motor.dry_friction_nm, motor.viscous_friction_nm_s) == (0.012, 1.2e-5)
    assert (motor.thermal_time_constant_s, motor.max_winding_degc, motor.inductance_h) == (70.0, 120.0, None)
    assert (made.cable_ohm, made.fuse_current_a, made.coupling_inertia_kgm2) == (0.03, 16.0, 4.0e-6)
    assert (made.link_capacitance_f, made.over_voltage_protection_v) == (2.2e-3, 36.0)
    assert (made.shaft_inertia_kgm2, made.shaft_max_speed_rpm) == (2.0e-4, 8000.0)
    assert (made.supply_max_v, made.supply_max_a) == (80.0, 60.0)
    assert made.motor_drive is None
    drive = made.load_drive
    assert (drive.max_torque_nm, drive.own_torque_nm, drive.rated_torque_nm) == (1.8, 1.8, 2.0)
    assert (drive.max_speed_rpm, drive.overspeed_rpm, drive.pole_pairs) == (6000.0, 6000.0, 4)


def test_a_brushless_motors_plate_is_carried_over() -> None:
    made = plate(*PUMP)
    motor = made.motor
    assert isinstance(motor, BrushlessPlate)
    assert (motor.pole_pairs, motor.phase_current_a, motor.max_phase_current_a) == (4, 19.5, 35.0)
    assert (motor.resistance_ohm, motor.voltage_constant_v_per_krpm) == (0.070, 7.7)
    assert (motor.inductance_d_h, motor.inductance_q_h) == (0.12e-3, 0.16e-3)
    assert made.motor_drive is not None
    assert (made.motor_drive.peak_current_a, made.motor_drive.pwm_frequency_hz) == (60.0, 16000.0)
    assert made.motor_drive.own_torque_nm == 3.585
    assert (made.analyser_window_s, made.waveform_rate_hz) == (0.1, 20000.0)
    assert made.coupling_specimen_side_kgm2 == 1.0e-5


def test_signals_come_with_their_sensors_scales() -> None:
    made = plate(*PUMP)
    inputs = next(port for port in made.ports if port.role == "measuring_unit")
    torque = next(one for one in inputs.signals if one.signal == "ai3_v")
    # configs/sensors/torque_5nm.toml: 0.5 N·m per V, full scale 5 N·m
    assert (torque.channel, torque.gain, torque.offset, torque.full_scale) == ("shaft_torque", 0.5, 0.0, 5.0)
    sampled = next(port for port in made.ports if port.role == "waveforms")
    assert [one.channel for one in sampled.signals][:2] == ["phase_voltage_1", "phase_voltage_2"]
    thermometers = [port for port in made.ports if port.role == "thermometers"]
    assert [port.device for port in thermometers] == ["thermometers", "cabinet_thermometers"]
    drive = next(port for port in made.ports if port.role == "motor_drive")
    assert "pole_pairs" in drive.parameters


def test_a_turned_sensor_comes_with_its_sign(tmp_path: Path) -> None:
    configs = configs_directory()
    text = (configs / "benches" / "greenhouse.toml").read_text()
    torque = 'sensor = "../sensors/torque_2nm.toml"'
    assert torque in text
    text = text.replace(torque, f"{torque}\nsign = -1").replace('"../sensors/', f'"{configs / "sensors"}/')
    file = tmp_path / "greenhouse.toml"
    file.write_text(text)
    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    made = plate_of(
        load_bench(file, registry),
        load_motor(configs / "motors" / "vent_flap_24v.toml"),
        load_setup(configs / "setups" / "vent_flap.toml"),
    )
    signs = {one.channel: one.sign for port in made.ports for one in port.signals}
    assert (signs["shaft_torque"], signs["shaft_speed"]) == (-1.0, 1.0)


def test_a_supply_that_states_no_rating_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.app.rehearsing.plate.setting_of", lambda *_: float("inf"))
    with pytest.raises(
        ValueError,
        match=r"greenhouse\.toml:\d+ devices\.supply\.settings states no max_voltage_v: a rehearsal needs it",
    ):
        plate(*VENT_FLAP)
