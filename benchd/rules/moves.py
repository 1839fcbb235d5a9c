"""Moves: what a test asks of the bench until the next frame. Values only; they must never reach a device unclamped."""

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field


class CannotGoOn(Exception):
    """A test's own word, in one sentence, that what it should measure is not to be had: the run ends for it."""


class Role(enum.Enum):
    """The roles that can be given a target."""

    SUPPLY = "supply"
    MOTOR_DRIVE = "motor_drive"
    LOAD_DRIVE = "load_drive"
    RESISTANCE_METER = "resistance_meter"


@dataclass(frozen=True, slots=True)
class Voltage:
    """Hold this voltage at the supply output, never with more than this current."""

    voltage_v: float
    current_limit_a: float


@dataclass(frozen=True, slots=True)
class Torque:
    """Follow this torque (house sign), never beyond this speed in either direction."""

    torque_nm: float
    speed_limit_rpm: float


@dataclass(frozen=True, slots=True)
class Speed:
    """Follow this speed, never with more than this torque in either direction."""

    speed_rpm: float
    torque_limit_nm: float


@dataclass(frozen=True, slots=True)
class Winding:
    """Send this current through this pair of the winding's terminals (12, 23, 13); 0 is nothing connected."""

    pair: int
    current_a: float


Target = Voltage | Torque | Speed | Winding


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A settled operating point that is being averaged: its number in the test and what was asked for."""

    number: int
    direction: str  # "up", "down" or "" where it has none
    asked: Mapping[str, float]  # names carry units, such as torque_nm


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What each role shall do now. `point` is set while frames belong to an operating point's average."""

    targets: Mapping[Role, Target]
    doing: str  # for people, such as "settling at 0.2 N·m"
    done_ratio: float = 0.0
    point: Point | None = None
    capture_s: float = 0.0  # with a point: this much of the waveforms is kept from the point's first frame on
    notes: tuple[str, ...] = field(default=())  # sentences for the record, such as a point that never settled
