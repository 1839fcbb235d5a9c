"""What a bench file says about a Modbus device. It holds values and refuses wrong ones; it imports no pymodbus."""

from typing import Annotated, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from benchd_modbus.register_map import RegisterMap, load_map

LONGEST_REPLY_TIME_S = 0.4
LONGEST_STATE_TIME_S = 1.5
DRIVE_CALL_TIME_S = 2.0  # a walk through the states, which is bounded, and the exchange that it ends with
CALL_TIME_S = 1.0  # two exchanges of the longest allowed reply time
SAFE_TIME_S = 1.0
DEFAULT_WATCHDOG_MS = 500

Host = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9:]([A-Za-z0-9.:\-]*[A-Za-z0-9])?$", max_length=253)]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
Register = Annotated[int, Field(ge=0, le=0xFFFF)]
Positive = Annotated[float, Field(gt=0.0)]
NeededInput = Literal["guard_closed", "estop_released", "remote_selected", "torque_enabled", "permit"]
ChainInput = NeededInput | Literal["release_pressed"]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class WireSettings(_Model):
    """Where a device is: `host` and `port` for TCP, or `serial_device` for a serial line."""

    host: Host | None = None
    port: int = Field(default=502, ge=1, le=65535)
    framing: Literal["tcp", "rtu"] = Field(default="tcp", description="rtu: a gateway that passes serial frames")
    serial_device: str | None = Field(default=None, pattern=r"^/.+")
    baudrate: int = Field(default=19200, ge=1200, le=1_000_000)
    parity: Literal["even", "odd", "none"] = "even"
    device_id: int = Field(default=1, ge=1, le=255)
    reply_time_s: float = Field(default=0.2, gt=0.0, le=LONGEST_REPLY_TIME_S)

    @model_validator(mode="after")
    def _one_wire(self) -> Self:
        if (self.host is None) == (self.serial_device is None):
            raise ValueError("a device is on one wire: give either host or serial_device")
        return self

    @property
    def rtu(self) -> bool:
        """Whether frames carry a check sum and no transaction number."""
        return self.framing == "rtu" or self.serial_device is not None

    @property
    def place(self) -> str:
        """Where to look, for messages."""
        where = self.serial_device or f"{self.host}:{self.port}"
        return f"{where}, Modbus device {self.device_id}"


class ModbusDriveSettings(WireSettings):
    """A drive with the CiA 402 state machine behind a register map."""

    map: str = Field(default="cia402_holding_high_word_first", description="name of a map in the plugin, or a path")
    vendor_code: Register | None = None
    product_code: Register | None = None
    torque_sign: Literal[1, -1] = Field(
        description="-1 where the drive counts a torque positive that turns the shaft in the positive direction "
        "and the machine is the load"
    )
    speed_sign: Literal[1, -1] = 1
    gear_ratio: Positive = Field(default=1.0, description="revolutions of the drive's machine for one of the shaft")
    rated_torque_nm: Positive | None = Field(default=None, description="only for a map without rated_torque")
    max_torque_nm: Positive
    max_speed_rpm: Positive
    state_time_s: float = Field(default=1.0, gt=0.0, le=LONGEST_STATE_TIME_S)
    communication_watchdog_ms: int | None = Field(
        default=None, ge=0, le=0xFFFF, description=f"0: off; without it {DEFAULT_WATCHDOG_MS} where the map has one"
    )

    @model_validator(mode="after")
    def _the_map_has_what_is_asked(self) -> Self:
        here = self.load_map()
        for key, name in (("vendor_code", "vendor_code"), ("product_code", "product_code")):
            if getattr(self, key) is not None and name not in here:
                raise ValueError(f"register map {here.source} has no {name}: leave {key} out")
        if self.communication_watchdog_ms and "communication_watchdog" not in here:
            raise ValueError(
                f"register map {here.source} has no communication_watchdog: leave communication_watchdog_ms out"
            )
        if self.rated_torque_nm is None and "rated_torque" not in here:
            raise ValueError(f"register map {here.source} has no rated_torque: give rated_torque_nm")
        if self.rated_torque_nm is not None and "rated_torque" in here:
            raise ValueError(f"register map {here.source} has rated_torque: leave rated_torque_nm out")
        return self

    def load_map(self) -> RegisterMap:
        """The register map. Raises `MapError`."""
        return load_map(self.map)


class ModbusThermometersSettings(WireSettings):
    """A temperature module: each thermometer is one 16-bit signed register."""

    registers: dict[Name, Register] = Field(min_length=1, description="name of each thermometer and its register")
    table: Literal["input", "holding"] = "input"
    degc_per_step: Positive = 0.1
    open_value: int | None = Field(default=-32768, ge=-32768, le=32767, description="what an open sensor reads")

    @model_validator(mode="after")
    def _one_exchange(self) -> Self:
        addresses = sorted(self.registers.values())
        if len(set(addresses)) < len(addresses):
            raise ValueError("registers: two thermometers share a register, give each its own")
        if addresses[-1] - addresses[0] >= 125:
            raise ValueError("registers: more than 125 apart cannot be read together, make two devices of them")
        return self


class ModbusSafetyChainSettings(WireSettings):
    """A safety chain's inputs as discrete inputs, its heartbeat and the request to open as coils."""

    inputs: dict[ChainInput, Register] = {
        "guard_closed": 0,
        "estop_released": 1,
        "remote_selected": 2,
        "torque_enabled": 3,
        "permit": 4,
    }
    inverted: frozenset[ChainInput] = Field(default=frozenset(), description="inputs that read 0 for true")
    heartbeat_coil: Register = 0
    withdraw_coil: Register = 1
    start_warning_coil: Register | None = Field(default=None, description="horn or lamp that warns before a start")
    withdraw_time_s: float = Field(default=0.4, gt=0.0, le=0.5)

    @model_validator(mode="after")
    def _complete(self) -> Self:
        addresses = sorted(self.inputs.values())
        if set(get_args(NeededInput)) - self.inputs.keys():
            raise ValueError(
                "inputs: all five are needed: guard_closed, estop_released, remote_selected, torque_enabled, permit"
            )
        if absent := sorted(self.inverted - self.inputs.keys()):
            raise ValueError(f"inverted: {absent[0]} is none of the inputs, give it an address or leave it out")
        if len(set(addresses)) < len(addresses):
            raise ValueError("inputs: two share an address, give each its own")
        if addresses[-1] - addresses[0] >= 2000:
            raise ValueError("inputs: more than 2000 apart cannot be read together, map them closer")
        if self.heartbeat_coil == self.withdraw_coil:
            raise ValueError("heartbeat_coil and withdraw_coil are the same coil, give each its own")
        if self.start_warning_coil in {self.heartbeat_coil, self.withdraw_coil}:
            raise ValueError("start_warning_coil is the coil of something else, give it its own")
        return self
