"""What a drive was commissioned with, out of its registers: own limits and parameter set. Pure; reads no device."""

import math
from collections.abc import Mapping

from benchd.contract import DriveLimits, DriveParameters
from benchd_modbus.register_map import TOLD_AS, RegisterMap
from benchd_modbus.shaft_side import ShaftSide

OWN_LIMITS = ("own_overspeed", "own_torque_limit")
STOP_OPTIONS = ("quick_stop_option", "disable_option", "fault_reaction_option")


def drive_limits(here: RegisterMap, raw: Mapping[str, float], shaft: ShaftSide) -> DriveLimits:
    """The limits that the drive holds by itself, at the shaft, from the raw numbers of limits and stop options."""
    return DriveLimits(
        overspeed_rpm=abs(shaft.speed_rpm(here["own_overspeed"], raw["own_overspeed"])),
        torque_limit_nm=abs(shaft.torque_nm(here["own_torque_limit"], raw["own_torque_limit"])),
        rated_torque_nm=shaft.rated_torque_nm * shaft.gear_ratio,
        quick_stop_option=int(raw["quick_stop_option"]),
        disable_option=int(raw["disable_option"]),
        fault_reaction_option=int(raw["fault_reaction_option"]),
    )


def parameter_objects(here: RegisterMap) -> tuple[str, ...]:
    """The map's names of all registers that belong to the parameter set: the map's own first."""
    return (*here.parameters, *(name for name in TOLD_AS if name in here))


def parameter_names(here: RegisterMap) -> tuple[str, ...]:
    """What `read_parameters` will tell with this map, each name ending in its unit."""
    return tuple(TOLD_AS.get(name, name) for name in parameter_objects(here))


def drive_parameters(here: RegisterMap, raw: Mapping[str, float], shaft: ShaftSide) -> DriveParameters:
    """The parameter set, before any gear. A torque that the drive counts in rated torques is told in N·m.

    Raises `ValueError` for a register that holds no number.
    """
    rated_nm = raw["rated_torque"] * here["rated_torque"].scale if "rated_torque" in raw else shaft.rated_torque_nm
    told: dict[str, float] = {}
    for name in parameter_objects(here):
        held_by = here[name]
        value = raw[name] * held_by.scale * (rated_nm if held_by.unit == "rated_torque" else 1.0)
        if not math.isfinite(value):
            raise ValueError(f"{name} (register {held_by.address}) holds no number")
        told[TOLD_AS.get(name, name)] = value
    return DriveParameters(values=told)
