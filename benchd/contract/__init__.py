"""All that a plugin may import: capabilities, readings, errors, manifest.

This room says what a driver promises and never does anything itself.
"""

from benchd.contract.capabilities import (
    Capability,
    Drive,
    Driver,
    Energises,
    MeasuringUnit,
    Port,
    SafetyChain,
    Sink,
    Supply,
    Thermometers,
)
from benchd.contract.errors import (
    DeviceFault,
    DriverError,
    LinkLost,
    OutOfRange,
    Refused,
    ReplyWrong,
)
from benchd.contract.manifest import CONTRACT_VERSION, Manifest, PortSpec, Twin
from benchd.contract.readings import (
    DriveLimits,
    DriveReading,
    DriveState,
    MeasuringReading,
    Reading,
    SafetyChainReading,
    SinkReading,
    SinkSettings,
    StopOption,
    SupplyReading,
    SupplySettings,
    ThermometersReading,
    unit_of_signal,
)

__all__ = [
    "CONTRACT_VERSION",
    "Capability",
    "DeviceFault",
    "Drive",
    "DriveLimits",
    "DriveReading",
    "DriveState",
    "Driver",
    "DriverError",
    "Energises",
    "LinkLost",
    "Manifest",
    "MeasuringReading",
    "MeasuringUnit",
    "OutOfRange",
    "Port",
    "PortSpec",
    "Reading",
    "Refused",
    "ReplyWrong",
    "SafetyChain",
    "SafetyChainReading",
    "Sink",
    "SinkReading",
    "SinkSettings",
    "StopOption",
    "Supply",
    "SupplyReading",
    "SupplySettings",
    "Thermometers",
    "ThermometersReading",
    "Twin",
    "unit_of_signal",
]
