"""Register maps: which register of a drive holds which CiA 402 object, from TOML. It holds no make's facts."""

import importlib.resources
import tomllib
from collections.abc import Iterator, Mapping
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from benchd.contract import unit_of_signal
from benchd_modbus.registers import WORDS, MappedObject, NumberType, Table, WordOrder

_TORQUE = frozenset({"N·m", "rated_torque"})
_SPEED = frozenset({"r/min"})
_PLAIN = frozenset({"1"})

UNITS: Mapping[str, frozenset[str]] = {
    "controlword": _PLAIN,
    "mode": _PLAIN,
    "target_torque": _TORQUE,
    "target_velocity": _SPEED,
    "max_torque": _TORQUE,
    "max_speed": _SPEED,
    "statusword": _PLAIN,
    "mode_display": _PLAIN,
    "torque_actual": _TORQUE,
    "velocity_actual": _SPEED,
    "dc_link_voltage": frozenset({"V"}),
    "fault_code": _PLAIN,
    "motor_temperature": frozenset({"°C"}),
    "rated_torque": frozenset({"N·m"}),
    "own_overspeed": _SPEED,
    "own_torque_limit": _TORQUE,
    "quick_stop_option": _PLAIN,
    "disable_option": _PLAIN,
    "fault_reaction_option": _PLAIN,
    "communication_watchdog": frozenset({"ms"}),
    "vendor_code": _PLAIN,
    "product_code": _PLAIN,
}
REQUIRED = (
    "controlword",
    "mode",
    "target_torque",
    "target_velocity",
    "max_torque",
    "max_speed",
    "statusword",
    "mode_display",
    "torque_actual",
    "velocity_actual",
)
WRITTEN = ("controlword", "mode", "target_torque", "target_velocity", "max_torque", "max_speed")
ONE_WORD = ("controlword", "statusword")
TOLD_AS: Mapping[str, str] = {  # objects that belong to the parameter set too, and what they are called there
    "rated_torque": "rated_torque_nm",
    "own_overspeed": "overspeed_rpm",
    "own_torque_limit": "torque_limit_nm",
    "quick_stop_option": "quick_stop_option",
    "disable_option": "disable_option",
    "fault_reaction_option": "fault_reaction_option",
}

ParameterName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]


class MapError(ValueError):
    """A register map that cannot be used; the message names the file, the key and what to write there."""


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Object(_Model):
    address: int = Field(ge=0, le=0xFFFF)
    type: NumberType
    unit: str = "1"
    scale: Annotated[float, Field(gt=0.0)] = 1.0
    table: Table = "holding"
    word_order: WordOrder | None = None
    missing: int | None = None


class _Parameter(_Model):
    """A register that is only read at the proof before enabling; its unit stands in its name."""

    address: int = Field(ge=0, le=0xFFFF)
    type: NumberType
    scale: Annotated[float, Field(gt=0.0)] = 1.0
    table: Table = "holding"
    word_order: WordOrder | None = None


class _Modes(_Model):
    torque: int = Field(ge=-128, le=127)
    speed: int = Field(ge=-128, le=127)

    @model_validator(mode="after")
    def _two_modes(self) -> Self:
        if self.torque == self.speed:
            raise ValueError("torque and speed are the same mode, write the numbers of object 6060h")
        return self


class _File(_Model):
    title: str
    word_order: WordOrder
    read_through_gaps: bool
    write_through_gaps: bool
    modes: _Modes
    objects: dict[str, _Object]
    parameters: dict[ParameterName, _Parameter] = Field(default_factory=dict)


class RegisterMap:
    """A drive's objects by name, each with its registers, and its modes of operation (6060h).

    `parameters` names further registers that decide what set-points mean or how far the drive may go.
    """

    def __init__(self, file: _File, *, source: str) -> None:
        self.source = source
        self.title = file.title
        self.read_through_gaps = file.read_through_gaps
        self.write_through_gaps = file.write_through_gaps
        self.torque_mode = file.modes.torque
        self.speed_mode = file.modes.speed
        self.parameters = tuple(file.parameters)
        self._objects = {
            name: MappedObject(
                name=name,
                address=each.address,
                table=each.table,
                number_type=each.type,
                word_order=each.word_order or file.word_order,
                scale=each.scale,
                unit=each.unit,
                missing=each.missing,
            )
            for name, each in file.objects.items()
        } | {
            name: MappedObject(
                name=name,
                address=each.address,
                table=each.table,
                number_type=each.type,
                word_order=each.word_order or file.word_order,
                scale=each.scale,
                unit=unit_of_signal(name),
                missing=None,
            )
            for name, each in file.parameters.items()
        }

    def __contains__(self, name: str) -> bool:
        return name in self._objects

    def __getitem__(self, name: str) -> MappedObject:
        return self._objects[name]

    def those_of(self, *names: str) -> list[MappedObject]:
        """The named objects that this map has, in this order."""
        return [self._objects[name] for name in names if name in self._objects]


def load_map(name: str) -> RegisterMap:
    """The map of this name that comes with the plugin, or the file at this path (with a slash or ending in .toml).

    Raises `MapError`.
    """
    file: Traversable
    if "/" in name or name.endswith(".toml"):
        file, source = Path(name), name
    else:
        folder = importlib.resources.files("benchd_modbus") / "maps"
        file, source = folder / f"{name}.toml", f"{name}.toml"
        if not file.is_file():
            there = ", ".join(sorted(one.name.removesuffix(".toml") for one in folder.iterdir()))
            raise MapError(f'no register map is called "{name}": write one of {there}, or the path of a .toml file')
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise MapError(f"register map {source} cannot be read ({error}): check the path") from error
    return parse_map(text, source=source)


def parse_map(text: str, *, source: str) -> RegisterMap:
    """The map that a TOML text holds. Raises `MapError`, one sentence with `source` and the key."""
    try:
        file = _File.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise MapError(f"register map {source} is not TOML: {error}") from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        message = first["msg"].removeprefix("Value error, ")
        raise MapError(f"register map {source}, key {key}: {message[:1].lower()}{message[1:]}") from error
    for key, complaint in _complaints(file):
        raise MapError(f"register map {source}, key {key}: {complaint}")
    return RegisterMap(file, source=source)


def _complaints(file: _File) -> list[tuple[str, str]]:
    found = [
        (f"objects.{name}", "is missing, add its address, type, scale and unit")
        for name in REQUIRED
        if name not in file.objects
    ]
    for name, each in file.objects.items():
        key = f"objects.{name}"
        if name not in UNITS:
            found.append((key, f"is no object of a drive map, write one of {', '.join(UNITS)}"))
            continue
        if each.unit not in UNITS[name]:
            found.append((f"{key}.unit", f'"{each.unit}" does not fit, write {_either(UNITS[name])}'))
        if name in WRITTEN and each.table != "holding":
            found.append((f"{key}.table", "is written, and only holding registers can be: write holding"))
        if name in ONE_WORD and each.type != "u16":
            found.append((f"{key}.type", f"{each.type} holds no such word, write u16"))
    found += [
        (f"parameters.{name}", "is told by an object: write its register below [objects]")
        for name in file.parameters
        if name in UNITS or name in TOLD_AS.values()
    ]
    found += [
        (f"{key}.address", f"{one.address} leaves no register for the second word")
        for key, one in _registers(file)
        if one.address + _words(one) > 0x10000
    ]
    found += _overlaps(file)
    return found


def _overlaps(file: _File) -> list[tuple[str, str]]:
    holders: dict[tuple[str, int], str] = {}
    found = []
    for key, each in _registers(file):
        for address in range(each.address, each.address + _words(each)):
            other = holders.setdefault((each.table, address), key)
            if other != key:
                _, _, holds = other.partition(".")
                found.append(
                    (f"{key}.address", f"{each.table} register {address} also holds {holds}, give each its own")
                )
    return found


def _registers(file: _File) -> Iterator[tuple[str, _Object | _Parameter]]:
    yield from ((f"objects.{name}", each) for name, each in file.objects.items())
    yield from ((f"parameters.{name}", each) for name, each in file.parameters.items())


def _words(each: _Object | _Parameter) -> int:
    return WORDS[each.type]


def _either(words: frozenset[str]) -> str:
    return " or ".join(f'"{word}"' for word in sorted(words))
