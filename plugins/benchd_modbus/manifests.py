"""What this plugin offers. It imports without pymodbus and must never touch a device."""

from collections.abc import Sequence
from typing import get_args

from benchd.contract import CONTRACT_VERSION, Drive, Manifest, PortSpec, SafetyChain, Thermometers
from benchd_modbus.commissioned import parameter_names
from benchd_modbus.settings import (
    CALL_TIME_S,
    DRIVE_CALL_TIME_S,
    SAFE_TIME_S,
    ModbusDriveSettings,
    ModbusSafetyChainSettings,
    ModbusThermometersSettings,
    NeededInput,
)


def _drive_ports(settings: ModbusDriveSettings) -> Sequence[PortSpec]:
    signals = ("speed_rpm", "torque_nm", "dc_link_v", "winding_degc", "enabled_on", "fault_on")
    parameters = parameter_names(settings.load_map())
    return (PortSpec(name="axis", capability=Drive, signals=signals, parameters=parameters),)


def _thermometers_ports(settings: ModbusThermometersSettings) -> Sequence[PortSpec]:
    signals = tuple(f"{name}_degc" for name in settings.registers)
    return (PortSpec(name="group", capability=Thermometers, signals=signals),)


def _safety_chain_ports(settings: ModbusSafetyChainSettings) -> Sequence[PortSpec]:
    signals = tuple(f"{name}_on" for name in get_args(NeededInput))
    if "release_pressed" in settings.inputs:
        signals += ("release_pressed_on",)
    return (PortSpec(name="chain", capability=SafetyChain, signals=signals),)


DRIVE = Manifest(
    name="modbus_drive",
    contract_version=CONTRACT_VERSION,
    summary="drive with the CiA 402 state machine, Modbus TCP or RTU",
    settings=ModbusDriveSettings,
    ports=_drive_ports,
    driver="benchd_modbus.drive:drive",
    reply_time_s=DRIVE_CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)

THERMOMETERS = Manifest(
    name="modbus_thermometers",
    contract_version=CONTRACT_VERSION,
    summary="temperature module, Modbus TCP or RTU",
    settings=ModbusThermometersSettings,
    ports=_thermometers_ports,
    driver="benchd_modbus.thermometers:thermometers",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)

SAFETY_CHAIN = Manifest(
    name="modbus_safety_chain",
    contract_version=CONTRACT_VERSION,
    summary="safety chain's inputs, heartbeat, start warning and request to open, Modbus TCP or RTU",
    settings=ModbusSafetyChainSettings,
    ports=_safety_chain_ports,
    driver="benchd_modbus.safety_chain:safety_chain",
    reply_time_s=CALL_TIME_S,
    safe_time_s=SAFE_TIME_S,
)
