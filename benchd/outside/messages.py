"""What the daemon publishes, version 1: one model a kind of message. Values only; it sends nothing.

Version 1 may grow: whoever reads ignores keys it does not know. Nothing is taken away, renamed or given another
meaning. Numbers are in the unit that `meta` gives for their channel, `null` where there is none. Times are UTC.
"""

from typing import Annotated, Literal, TypeAlias

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

Quality: TypeAlias = Literal["good", "stale", "missing", "not a number", "over range"]
Reaction: TypeAlias = Literal["warn", "hold", "ramp_down", "cut"]
Mode: TypeAlias = Literal["production", "manual", "maintenance"]


class Published(BaseModel):
    """A message of the daemon: immutable, finite numbers, unknown keys ignored when read."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class ChannelMeta(Published):
    """One channel."""

    name: str
    unit: Annotated[str, Field(description='As people write it: "r/min", "N·m", "V"; "1" for a ratio.')]
    device: Annotated[str, Field(description='"derived" for one that is computed from other channels.')]
    zeroed: Annotated[bool, Field(description="The zero measured before a run is taken off.")] = False


class GroupMeta(Published):
    """One data group."""

    name: str
    rate_hz: float
    channels: tuple[str, ...]


class LimitMeta(Published):
    """One effective limit: the strictest of bench, devices, sensors, set-up, specimen and programme."""

    channel: str
    bound: Literal["low", "high", "stale"]
    value: Annotated[float, Field(description="In the channel's unit; for stale the greatest age, s.")]
    delay_s: float
    reaction: Reaction
    origin: Annotated[str, Field(description="Which file and key it came from.")]
    hysteresis: Annotated[
        float, Field(description="How far back on the allowed side a crossing ends, in the channel's unit.")
    ] = 0.0


class Meta(Published):
    """What the bench is; retained. Published anew when a run is chosen, since that changes the limits."""

    bench: str
    session: Annotated[str, Field(description="Another one after every start of the daemon.")]
    software: str
    started_utc: AwareDatetime
    tick_hz: float
    channels: tuple[ChannelMeta, ...]
    groups: tuple[GroupMeta, ...]
    limits: tuple[LimitMeta, ...]
    commands: tuple[str, ...]
    longest_command_bytes: int


class RunBrief(Published):
    """The run that is chosen, being played or was played last."""

    run: Annotated[str | None, Field(description="Its identifier; null until it starts.")] = None
    programme: str
    motor: str
    setup: str
    order: str
    serial: str
    operator: str
    tests: Annotated[tuple[str, ...], Field(description="The titles of its tests.")]
    duration_s: Annotated[float, Field(description="How long the tests take, start and stop not counted.")]


class Progress(Published):
    """Where a run is."""

    test: Annotated[int, Field(description="Counted from 0; -1 before the first one.")]
    tests: int
    title: str
    doing: str
    done_ratio: Annotated[float, Field(ge=0.0, le=1.0, description="Of the present test.")]
    left_s: Annotated[float, Field(ge=0.0, description="Of all tests, estimated.")]


class Control(Published):
    """Who commands."""

    holder: str
    fence: int
    until_utc: AwareDatetime


class Interlocks(Published):
    """The hardware safety chain's inputs as last read; benchd reads them and sets none."""

    guard_closed: bool
    estop_released: bool
    torque_enabled: Annotated[bool, Field(description="False while safe torque off is active.")]
    permit: Annotated[bool, Field(description="The chain's word that energy may flow.")]
    remote_selected: bool
    release_pressed: Annotated[bool | None, Field(description="The release of a start; null where there is none.")] = (
        None
    )


class OpenQuestion(Published):
    """What the operator is asked; answered with `answer`. No answer in time is never taken for a yes."""

    id: str
    text: str
    answers: tuple[str, ...]
    test: Annotated[int, Field(description="Counted from 0.")]
    title: Annotated[str, Field(description="Of the test that asks.")]
    left_s: Annotated[float, Field(ge=0.0, description="Until it is too late, as of this state.")]
    meanwhile: Annotated[Literal["stay", "rest"], Field(description="What the set-points do.")]


class BenchState(Published):
    """How the bench is; retained, on every change and once a second while something moves.

    The last will has `online` false and nothing else: what the bench does then is not known here.
    """

    online: bool
    utc: AwareDatetime
    session: str
    state: Annotated[str | None, Field(description="ISA-TR88.00.02, such as Execute.")] = None
    state_number: int | None = None
    mode: Mode | None = None
    because: str = ""
    permit: Annotated[bool | None, Field(description="Whether the safety chain lets energy flow, as read.")] = None
    permit_sentence: Annotated[str, Field(description="Why it does not.")] = ""
    remote_selected: bool | None = None
    cause: Annotated[str | None, Field(description="Why energy was taken away; latched until Clear.")] = None
    warnings: tuple[str, ...] = ()
    run: RunBrief | None = None
    progress: Progress | None = None
    control: Control | None = None
    silent_devices: tuple[str, ...] = ()
    interlocks: Annotated[Interlocks | None, Field(description="Null while the chain is silent.")] = None
    waits_for: Annotated[str, Field(description="What a start waits for somebody to do at the bench.")] = ""
    question: OpenQuestion | None = None


class Data(Published):
    """The latest values of one data group. What is not good says so in `quality`; its value may be null."""

    utc: AwareDatetime
    seq: Annotated[int, Field(ge=0, description="Counts every frame of this group; a gap is one that was dropped.")]
    values: dict[str, float | None]
    ages_s: Annotated[dict[str, float | None], Field(description="How old each value is.")]
    quality: Annotated[dict[str, Quality], Field(description="Of those channels that are not good.")] = {}


class Event(Published):
    """Something that happened: states, warnings, trips, zeros, points, deviations, commands, lost devices.

    Kept on disk until the broker has taken it; a repeated `id` is the same event.
    """

    id: str
    utc: AwareDatetime
    event: str
    run: str | None = None
    fields: dict[str, JsonValue] = {}


class ResultBrief(Published):
    """One headline quantity of a run, or why it is not determined."""

    quantity: str
    value: float | None
    unit: str
    expanded_uncertainty: Annotated[float | None, Field(description="For a coverage of 95 %.")] = None
    sentence: str = ""


class RunAnnouncement(Published):
    """What is announced of a run: that it started, that it ended, and what came out of it.

    Kept on disk until the broker has taken it; a repeated `id` is the same announcement.
    """

    id: str
    utc: AwareDatetime
    run: str
    phase: Literal["started", "ended", "evaluated", "not evaluated"]
    brief: RunBrief
    folder: str
    ending: Literal["complete", "stopped", "aborted"] | None = None
    why: str = ""
    decision: Literal["accepted", "rejected", "undecided", "none"] | None = None
    sentence: str = ""
    results: tuple[ResultBrief, ...] = ()
    report: str | None = None
