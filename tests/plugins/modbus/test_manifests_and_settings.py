"""What the manifests declare, without a device and without the protocol library."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

import benchd_modbus
from benchd.contract import CONTRACT_VERSION, Drive, SafetyChain, Thermometers
from benchd_modbus.connection import Connection
from benchd_modbus.manifests import DRIVE, SAFETY_CHAIN, THERMOMETERS
from benchd_modbus.settings import (
    ModbusDriveSettings,
    ModbusSafetyChainSettings,
    ModbusThermometersSettings,
    WireSettings,
)

DRIVE_GIVEN = {"host": "10.0.0.5", "torque_sign": -1, "max_torque_nm": 1.0, "max_speed_rpm": 100.0}


def test_manifests_import_without_the_protocol_library():
    code = "import sys, benchd_modbus.manifests; sys.exit('pymodbus' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_ports_and_signals_follow_from_the_settings():
    (axis,) = DRIVE.ports(ModbusDriveSettings.model_validate(DRIVE_GIVEN))
    assert (axis.name, axis.capability, axis.signals[:2]) == ("axis", Drive, ("speed_rpm", "torque_nm"))
    (group,) = THERMOMETERS.ports(ModbusThermometersSettings(host="x", registers={"winding": 3, "rack": 1}))
    assert (group.name, group.capability, group.signals) == (
        "group",
        Thermometers,
        ("winding_degc", "rack_degc"),
    )
    (chain,) = SAFETY_CHAIN.ports(ModbusSafetyChainSettings(host="x"))
    assert (chain.name, chain.capability, len(chain.signals)) == ("chain", SafetyChain, 5)


def test_each_manifest_makes_its_driver():
    for manifest, given in (
        (DRIVE, DRIVE_GIVEN),
        (THERMOMETERS, {"host": "x", "registers": {"a": 0}}),
        (SAFETY_CHAIN, {"host": "x"}),
    ):
        assert manifest.contract_version == CONTRACT_VERSION
        made = manifest.make(manifest.settings.model_validate(given))
        assert callable(made.reconnect)


@pytest.mark.parametrize(
    ("manifest", "file"),
    [(DRIVE, "drive.toml"), (THERMOMETERS, "thermometers.toml"), (SAFETY_CHAIN, "safety_chain.toml")],
)
def test_each_sample_is_valid(manifest, file):
    folder = Path(benchd_modbus.__file__).parent / "samples"
    manifest.settings.model_validate(tomllib.loads((folder / file).read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("model", "given"),
    [
        (WireSettings, {}),
        (WireSettings, {"host": "x", "serial_device": "/dev/ttyS0"}),
        (WireSettings, {"host": "x", "device_id": 0}),
        (WireSettings, {"host": "x", "reply_time_s": 0.0}),
        (WireSettings, {"host": "x", "unknown": 1}),
        (ModbusDriveSettings, DRIVE_GIVEN | {"torque_sign": 0}),
        (ModbusDriveSettings, DRIVE_GIVEN | {"max_torque_nm": float("inf")}),
        (ModbusDriveSettings, DRIVE_GIVEN | {"rated_torque_nm": 1.0}),
        (ModbusDriveSettings, {key: value for key, value in DRIVE_GIVEN.items() if key != "torque_sign"}),
        (ModbusThermometersSettings, {"host": "x", "registers": {}}),
        (ModbusThermometersSettings, {"host": "x", "registers": {"a": 0, "b": 0}}),
        (ModbusThermometersSettings, {"host": "x", "registers": {"a": 0, "b": 125}}),
        (ModbusThermometersSettings, {"host": "x", "registers": {"Bad Name": 0}}),
        (ModbusSafetyChainSettings, {"host": "x", "inputs": {"permit": 0}}),
        (ModbusSafetyChainSettings, {"host": "x", "withdraw_coil": 0}),
        (ModbusSafetyChainSettings, {"host": "x", "inverted": ["door"]}),
    ],
)
def test_wrong_settings_are_refused(model, given):
    with pytest.raises(ValidationError):
        model.model_validate(given)


def test_a_serial_line_without_its_library_says_what_to_install(monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(ImportError, match="pyserial"):
        Connection(WireSettings(serial_device="/dev/ttyUSB0"), what="drive")
