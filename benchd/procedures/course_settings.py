"""How a programme describes a course of speed and of torque in step. It holds and checks form; it asks nothing.

The unit stands in the name of the table that a shape is in: within `speed_rpm` values are r/min, rates r/min per
second; within `torque_nm` N·m and N·m per second.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationInfo, model_validator

from benchd.rules.course_plain import SPEED, TORQUE
from benchd.rules.moves import LONGEST_QUESTION_S

TABLES_BESIDE = "tables_beside"  # in the context of validation: reads a table by the name of its file

Positive = Annotated[FiniteFloat, Field(gt=0.0)]
NotNegative = Annotated[FiniteFloat, Field(ge=0.0)]


ChannelName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]


class _Rows(Protocol):
    """What a table's file gives."""

    @property
    def times_s(self) -> Sequence[float]: ...
    @property
    def values(self) -> Mapping[str, Sequence[float]]: ...


TablesBeside = Callable[[str, Sequence[str]], _Rows]


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LinearShape(_Settings):
    """A straight line."""

    shape: Literal["linear"]
    start: FiniteFloat | None = None  # left out: where the part before ended
    end: FiniteFloat
    time_s: Positive | None = None  # left out: as long as the other quantity's shape


class HoldShape(_Settings):
    """The same value throughout."""

    shape: Literal["hold"]
    at: FiniteFloat | None = None  # left out: where the part before ended
    time_s: Positive | None = None


class SShapedShape(_Settings):
    """From rest to rest with bounded jerk, as quickly as the three bounds allow."""

    shape: Literal["s_shaped"]
    start: FiniteFloat | None = None
    end: FiniteFloat
    rate_per_s: Positive
    acceleration_per_s2: Positive
    jerk_per_s3: Positive


class StaircaseShape(_Settings):
    """Levels evenly spaced, each held, with a ramp from one to the next."""

    shape: Literal["staircase"]
    start: FiniteFloat | None = None
    end: FiniteFloat
    levels: Annotated[int, Field(ge=2, le=10_000)]
    hold_s: Positive
    ramp_s: NotNegative = 0.0


class SineShape(_Settings):
    """A sine about `offset`, upwards first where the amplitude is positive."""

    shape: Literal["sine"]
    offset: FiniteFloat | None = None
    amplitude: FiniteFloat
    period_s: Positive
    cycles: Positive = 1.0


Shape = Annotated[LinearShape | HoldShape | SShapedShape | StaircaseShape | SineShape, Field(discriminator="shape")]


class SettledWait(_Settings):
    """A channel's mean and trend stay within their bands over a window."""

    until: Literal["settled"]
    channel: ChannelName
    around: FiniteFloat | None = None  # left out for shaft_speed and shaft_torque: the course's own value
    mean_band: Positive  # half width, in the channel's unit
    trend_band_per_s: Positive
    window_s: Positive
    within_s: Positive
    too_late: Literal["end_run", "end_test"] = "end_run"


class TemperatureWait(_Settings):
    """A temperature is below or above a value."""

    until: Literal["temperature"]
    channel: ChannelName
    below_degc: FiniteFloat | None = None
    above_degc: FiniteFloat | None = None
    within_s: Positive
    too_late: Literal["end_run", "end_test"] = "end_run"


class AnswerWait(_Settings):
    """The operator has said that it may go on."""

    until: Literal["answer"]
    text: Annotated[str, Field(min_length=1, max_length=200)]
    within_s: Annotated[FiniteFloat, Field(gt=0.0, le=LONGEST_QUESTION_S)] = 300.0
    meanwhile: Literal["rest", "stay"] = "rest"
    unanswered: Literal["end_run", "end_test"] = "end_run"


Wait = Annotated[SettledWait | TemperatureWait | AnswerWait, Field(discriminator="until")]


class TableRows(_Settings):
    """The rows of a CSV file beside the programme, as they were read when the programme was loaded."""

    file: str
    time_s: tuple[FiniteFloat, ...]
    speed_rpm: tuple[FiniteFloat, ...]
    torque_nm: tuple[FiniteFloat, ...]

    @model_validator(mode="before")
    @classmethod
    def _read(cls, given: Any, info: ValidationInfo) -> Any:
        """A programme gives the file's name; whoever loads it brings along what reads files beside it."""
        read: TablesBeside | None = (info.context or {}).get(TABLES_BESIDE)
        if read is None:
            return given
        if not isinstance(given, str):
            says = "a table is given as the name of a CSV file beside the programme, in quotes"
            raise ValueError(says)  # noqa: TRY004 - pydantic makes a problem of it
        rows = read(given, (SPEED, TORQUE))
        return {"file": given, "time_s": rows.times_s, **{name: rows.values[name] for name in (SPEED, TORQUE)}}


class Part(_Settings):
    """What speed and torque do together for a while, or what they wait for."""

    speed_rpm: Shape | None = None
    torque_nm: Shape | None = None
    table: TableRows | None = None  # a CSV file with time_s, speed_rpm and torque_nm
    between: Literal["linear", "stepwise", "cubic"] = "linear"
    wait: Wait | None = None

    @model_validator(mode="after")
    def _one_of_three(self) -> "Part":
        shapes = (self.speed_rpm is not None, self.torque_nm is not None)
        kinds = (any(shapes), self.table is not None, self.wait is not None)
        if sum(kinds) != 1:
            raise ValueError("a part has either speed_rpm and torque_nm, or a table, or a wait")
        if any(shapes) and not all(shapes):
            missing = TORQUE if shapes[0] else SPEED
            raise ValueError(f'{missing} is missing beside the other one; what stays may be {{ shape = "hold" }}')
        if self.table is None and self.between != "linear":
            raise ValueError("between is for a table; leave it out")
        return self
