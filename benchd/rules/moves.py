"""Moves: what a test asks of the bench until the next frame. Values only; they must never reach a device unclamped."""

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

LONGEST_QUESTION_S = 8.0 * 3600.0  # a shift


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


@dataclass(frozen=True, slots=True)
class Regulated:
    """This channel shall show this value: where the bench has a loop for it, the role's set-point is trimmed so far.

    The role's target stays what a model expects to be right (feed-forward); without a loop it is all there is.
    """

    channel: str  # such as "shaft_torque"
    value: float  # in the channel's unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """What each role shall do now. `point` is set while frames belong to an operating point's average."""

    targets: Mapping[Role, Target]
    doing: str  # for people, such as "settling at 0.2 N·m"
    regulated: Mapping[Role, Regulated] = field(default_factory=dict)  # by outer loops, through these roles' set-points
    done_ratio: float = 0.0
    point: Point | None = None
    capture_s: float = 0.0  # with a point: this much of the waveforms is kept from the point's first frame on
    dwell_s: float = 0.0  # for at least so long nothing changes of its own; a rehearsal may leap over it
    notes: tuple[str, ...] = field(default=())  # sentences for the record, such as a point that never settled


class Meanwhile(enum.Enum):
    """What set-points do while a question is open. Neither energises anything that is not energised already."""

    STAY = "stay"  # as they are
    REST = "rest"  # to zero, each by its slope; the machines stay enabled and stand


class Unanswered(enum.Enum):
    """What becomes of a question that is not answered in time. Nothing is ever taken for an answer."""

    END_RUN = "end_run"  # the run is ramped down, with the question as its cause
    END_TEST = "end_test"  # this test ends here, with a deviation; the next one begins


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A move that asks the operator instead of the devices; the answer comes with the next frame.

    The generator is sent nothing until then. `ending` are those answers that end it like no answer at all. Raises
    `ValueError` for a question that cannot be answered, or that each of its answers ends.
    """

    text: str  # one line, as it is shown
    answers: tuple[str, ...]
    within_s: float
    ending: tuple[str, ...] = ()
    meanwhile: Meanwhile = Meanwhile.REST
    unanswered: Unanswered = Unanswered.END_RUN

    def __post_init__(self) -> None:
        if not self.text.strip() or not all(self.text.isprintable() and one.isprintable() for one in self.answers):
            raise ValueError("A question has a text of one line, and so has each of its answers.")
        if len(set(self.answers)) != len(self.answers) or not set(self.ending) < set(self.answers):
            raise ValueError(f'The question "{self.text}" needs answers that differ, and one that does not end it.')
        if not 0.0 < self.within_s <= LONGEST_QUESTION_S:
            raise ValueError(f'The question "{self.text}" is open for up to {LONGEST_QUESTION_S:g} s.')
