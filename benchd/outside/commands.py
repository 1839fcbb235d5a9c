"""What a client may ask and how it is answered, version 1: models only. It obeys nothing.

A command is a JSON object on `command/<name>`; the answers come on the response topic, else on `reply/<client>`, with
the correlation data that was given. Unknown keys are refused: a misspelt argument must not be a default.
"""

import datetime as dt
import enum
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from benchd.outside.messages import LimitMeta, Published
from benchd.outside.topics import LONGEST_NAME, NAME_PATTERN

LONGEST_COMMAND_BYTES = 16_384
LONGEST_TTL_S = 60.0
HAND_TTL_S = 2.0  # of what is ordered by hand, at most
SHORTEST_LEASE_S, LONGEST_LEASE_S, USUAL_LEASE_S = 5.0, 600.0, 30.0

Name = Annotated[str, StringConstraints(pattern=rf"^{NAME_PATTERN}$", max_length=LONGEST_NAME)]
# What people write: one line, at least one character that is no space, nothing that moves a terminal's cursor or turns
# the direction of writing.
_LINE = r"[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]"
WORDS_PATTERN = rf"^ *{_LINE.replace('x1f', 'x20')}{_LINE}*$"
Words = Annotated[
    str,
    StringConstraints(min_length=1, max_length=128, pattern=WORDS_PATTERN),
    AfterValidator(lambda text: text.strip(" ")),
]
# RFC 3339, section 5.6, without leap seconds; as a pattern too, since JSON Schema leaves `format` to the reader's wish.
TIME_PATTERN = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]([.][0-9]{1,9})?"
    r"(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$"
)
_TIME = re.compile(TIME_PATTERN)
GREATEST_FENCE = 2**53 - 1  # RFC 8259, section 6: what every reader of JSON keeps exact


def _is_time(given: object) -> object:
    """Raises ValueError for the number of seconds that would do for a time otherwise."""
    if isinstance(given, dt.datetime) or (isinstance(given, str) and _TIME.fullmatch(given)):
        return given
    raise ValueError("it must be a time with its offset from UTC, such as 2026-11-05T09:30:00Z")


def _whole(given: object) -> object:
    """JSON Schema calls 7.0 an integer, and some languages write it so."""
    return int(given) if isinstance(given, float) and given.is_integer() else given


Instant = Annotated[AwareDatetime, BeforeValidator(_is_time), Field(json_schema_extra={"pattern": TIME_PATTERN})]
Fence = Annotated[int, Field(strict=True, ge=0, le=GREATEST_FENCE), BeforeValidator(_whole)]


GREATEST = 1e6  # of any number by hand; what a bench bears is far below
Most = Annotated[float, Field(strict=True, gt=0.0, le=GREATEST)]
Set = Annotated[float, Field(strict=True, ge=-GREATEST, le=GREATEST)]


class Asked(BaseModel):
    """A message of a client: immutable, finite numbers, unknown keys refused, no conversion of types."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Nothing(Asked):
    """A command without arguments."""


class TakeControl(Asked):
    """Take control of the bench, or keep it: one client at a time, until `lease_s` from now."""

    lease_s: Annotated[float, Field(strict=True, ge=SHORTEST_LEASE_S, le=LONGEST_LEASE_S)] = USUAL_LEASE_S


class RunChoice(Asked):
    """Which run: names of files that the daemon knows (`programmes` lists them), never paths."""

    programme: Name
    motor: Name
    setup: Name
    order: Words
    serial: Words
    operator: Words


class FitQuestion(Asked):
    """Whether files fit each other and this bench."""

    programme: Name
    motor: Name
    setup: Name


class AnswerGiven(Asked):
    """The answer to the open question."""

    question: Annotated[Name, Field(description="The `id` of the open question.")]
    answer: Annotated[Words, Field(description="One of its `answers`.")]


class ManualChoice(Asked):
    """A manual session: of which motor in which set-up, and how far a hand may go.

    What is left out is the rating plate's. The rest tightens the limits; the voltage alone may be more than rated.
    """

    motor: Name
    setup: Name
    order: Words
    serial: Words
    operator: Words
    max_speed_rpm: Most | None = None
    max_torque_nm: Most | None = None
    max_voltage_v: Most | None = None
    max_current_a: Most | None = None


class SetGiven(Asked):
    """One order by hand. What is beyond a clamp or a limit of the run is refused, and nothing changes then."""

    what: Annotated[
        Literal["speed_rpm", "torque_nm", "voltage_v", "current_a", "jog_rpm", "speed_by", "zero", "leave"],
        Field(
            description="`jog_rpm` turns the shaft only as long as it is ordered again; `speed_by` says who holds the "
            "speed, `zero` takes every set-point to zero, `leave` ends the session through standstill."
        ),
    ]
    value: Annotated[Set | None, Field(description="In the unit that `what` carries.")] = None
    relative: Annotated[bool, Field(strict=True, description="Added to what was ordered before.")] = False
    slope_per_s: Annotated[Most | None, Field(description="Gentler than the bench's own.")] = None
    speed_by: Literal["motor", "load"] | None = None


class CommandName(enum.StrEnum):
    """Every command. The last seven are those of ISA-TR88.00.02."""

    CONTROL = "control"
    RELEASE = "release"
    PROGRAMMES = "programmes"
    CHECK = "check"
    LOAD = "load"
    ANSWER = "answer"
    MANUAL = "manual"
    SET = "set"
    KEEP = "keep"
    RESET = "reset"
    START = "start"
    HOLD = "hold"
    UNHOLD = "unhold"
    STOP = "stop"
    ABORT = "abort"
    CLEAR = "clear"


# Stop and Abort take energy away: whoever asks is obeyed, whatever his clock says, and nobody needs control for it.
FREE_STOPS = frozenset({CommandName.STOP, CommandName.ABORT})
# These change nothing.
QUESTIONS = frozenset({CommandName.PROGRAMMES, CommandName.CHECK})
# These need the fencing number of whoever holds control.
FENCED = frozenset(CommandName) - FREE_STOPS - QUESTIONS - {CommandName.CONTROL}
# These need none while the daemon plays a run of its own command line, which nobody can take control of.
OPEN_TO_ALL_THEN = frozenset({CommandName.ANSWER})


HandTime = Annotated[
    float, Field(strict=True, gt=0.0, le=HAND_TTL_S, description="Refused when it comes later than this.")
]


class _Envelope(Asked):
    """What every command carries."""

    id: Annotated[Name, Field(description="New for every command; the same id gets the same answer and acts once.")]
    client: Annotated[Name, Field(description="Who asks; also where the answer goes without a response topic.")]
    issued_at: Annotated[Instant, Field(description="When it was asked, with its offset from UTC (RFC 3339).")]
    ttl_s: Annotated[
        float, Field(strict=True, gt=0.0, le=LONGEST_TTL_S, description="Refused when it comes later than this.")
    ] = 10.0
    fence: Annotated[Fence | None, Field(description="The number that `control` gave.")] = None


class PlainCommand(_Envelope):
    """release, programmes, reset, start, hold, unhold, stop, abort, clear."""

    arguments: Nothing = Nothing()


class ControlCommand(_Envelope):
    """control."""

    arguments: TakeControl = TakeControl()


class CheckCommand(_Envelope):
    """check."""

    arguments: FitQuestion


class LoadCommand(_Envelope):
    """load."""

    arguments: RunChoice


class AnswerCommand(_Envelope):
    """answer."""

    arguments: AnswerGiven


class ManualCommand(_Envelope):
    """manual."""

    arguments: ManualChoice


class SetCommand(_Envelope):
    """set. It is soon too late: nothing may turn long after somebody asked."""

    ttl_s: HandTime = HAND_TTL_S
    arguments: SetGiven


class KeepCommand(_Envelope):
    """keep. One that comes late says nothing of now."""

    ttl_s: HandTime = HAND_TTL_S
    arguments: Nothing = Nothing()


AnyCommand: TypeAlias = (
    PlainCommand
    | ControlCommand
    | CheckCommand
    | LoadCommand
    | AnswerCommand
    | ManualCommand
    | SetCommand
    | KeepCommand
)

MODELS: Mapping[CommandName, type[AnyCommand]] = MappingProxyType(
    {
        **dict.fromkeys(CommandName, PlainCommand),
        CommandName.CONTROL: ControlCommand,
        CommandName.CHECK: CheckCommand,
        CommandName.LOAD: LoadCommand,
        CommandName.ANSWER: AnswerCommand,
        CommandName.MANUAL: ManualCommand,
        CommandName.SET: SetCommand,
        CommandName.KEEP: KeepCommand,
    }
)


class Code(enum.StrEnum):
    """Why a command was refused or failed, for programs; the sentence is for people."""

    OK = "ok"
    MALFORMED = "malformed"
    OVERSIZED = "oversized"
    UNKNOWN_COMMAND = "unknown_command"
    RETAINED = "retained"
    LATE = "late"
    FUTURE = "future"
    ID_REUSED = "id_reused"
    BUSY = "busy"
    CONTROL_HELD = "control_held"  # somebody else commands
    NOT_IN_CONTROL = "not_in_control"  # no fencing number, or one of an earlier lease
    NOT_ALLOWED = "not_allowed"  # means nothing in the present state
    NOTHING_CHOSEN = "nothing_chosen"
    UNKNOWN_FILE = "unknown_file"
    UNFIT = "unfit"
    FAILED = "failed"
    TRIPPED = "tripped"
    NO_QUESTION = "no_question"  # not open: never asked, answered already, or too late
    NO_SUCH_ANSWER = "no_such_answer"
    NOT_FOLLOWED = "not_followed"  # an order by hand that is beyond a bound, or that the moment forbids


class ControlGiven(Published):
    """The answer to `control`."""

    kind: Literal["control"] = "control"
    fence: int
    until_utc: AwareDatetime


class FileBrief(Published):
    """One file that a run may name."""

    name: str
    title: str = ""


class KnownFiles(Published):
    """The answer to `programmes`."""

    kind: Literal["programmes"] = "programmes"
    programmes: tuple[FileBrief, ...]
    motors: tuple[FileBrief, ...]
    setups: tuple[FileBrief, ...]


class DemandOfTest(Published):
    """What one test will ask of the bench at most."""

    title: str
    speed_rpm: float | None
    torque_nm: float | None
    voltage_v: float | None
    current_a: float | None
    power_w: float | None
    duration_s: float


class Fits(Published):
    """The answer to `check`, `load` and `manual`: it fits, and so."""

    kind: Literal["fits"] = "fits"
    duration_s: float
    tests: tuple[DemandOfTest, ...]
    limits: tuple[LimitMeta, ...]
    warnings: tuple[str, ...] = ()


Result: TypeAlias = Annotated[ControlGiven | KnownFiles | Fits, Field(discriminator="kind")]


class Reply(Published):
    """One stage of an answer. `accepted` may be followed by `progress`; `rejected`, `done` and `failed` are the last.

    A command that could not be read is answered with an `id` of "".
    """

    id: str
    command: str
    stage: Literal["accepted", "progress", "rejected", "done", "failed"]
    code: Code = Code.OK
    sentence: str = ""
    state: str
    utc: AwareDatetime
    result: Result | None = None

    @property
    def last(self) -> bool:
        """Whether nothing follows."""
        return self.stage in {"rejected", "done", "failed"}
