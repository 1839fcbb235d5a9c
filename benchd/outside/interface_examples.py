"""The interface document's examples: one bench, one morning, real messages of the models. Values only."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from benchd.outside.commands import (
    FENCED,
    LONGEST_COMMAND_BYTES,
    AnswerCommand,
    AnswerGiven,
    CheckCommand,
    Code,
    CommandName,
    ControlCommand,
    ControlGiven,
    DemandOfTest,
    FileBrief,
    FitQuestion,
    Fits,
    KeepCommand,
    KnownFiles,
    LoadCommand,
    ManualChoice,
    ManualCommand,
    PlainCommand,
    Reply,
    RunChoice,
    SetCommand,
    SetGiven,
    TakeControl,
)
from benchd.outside.messages import (
    BenchState,
    ChannelMeta,
    Control,
    Data,
    Event,
    GroupMeta,
    Interlocks,
    LimitMeta,
    Meta,
    OpenQuestion,
    Progress,
    ResultBrief,
    RunAnnouncement,
    RunBrief,
)

_MORNING = dt.datetime(2026, 11, 5, 9, 30, 12, 250_000, tzinfo=dt.UTC)
_SESSION = "20261105T081500Z"
_FENCE = 41
_RUN = "20261105T093012Z_pump_acceptance"
_CLIENT = "ines-shell"

PARAMETERS: Mapping[str, str] = {"bench": "vineyard", "group": "shaft", "run": _RUN, "client": _CLIENT}

_LIMIT = LimitMeta(
    channel="shaft_speed",
    bound="high",
    value=3600.0,
    delay_s=0.02,
    reaction="ramp_down",
    origin="pump_48v.toml, ratings",
    hysteresis=50.0,
)
_BRIEF = RunBrief(
    run=_RUN,
    programme="pump_acceptance",
    motor="pump_48v",
    setup="pump",
    order="2026-0117",
    serial="VP-0042",
    operator="Ines Halvorsen-Ruud",
    tests=("winding resistance", "zero of the torque", "no load", "load", "rated point"),
    duration_s=104.0,
)
_INTERLOCKS = Interlocks(
    guard_closed=True,
    estop_released=True,
    torque_enabled=True,
    permit=True,
    remote_selected=True,
    release_pressed=False,
)
OFFLINE = BenchState(online=False, utc=_MORNING, session=_SESSION)

PUBLISHED: Mapping[str, dict[str, BaseModel]] = {
    "meta": {
        "the bench of the vineyard pumps": Meta(
            bench="vineyard",
            session=_SESSION,
            software="benchd 0.2.0",
            started_utc=_MORNING - dt.timedelta(minutes=75),
            tick_hz=100.0,
            channels=(
                ChannelMeta(name="shaft_torque", unit="N·m", device="measuring_unit", zeroed=True),
                ChannelMeta(name="shaft_speed", unit="r/min", device="measuring_unit"),
            ),
            groups=(GroupMeta(name="shaft", rate_hz=10.0, channels=("shaft_torque", "shaft_speed")),),
            limits=(_LIMIT,),
            commands=tuple(CommandName),
            longest_command_bytes=LONGEST_COMMAND_BYTES,
        )
    },
    "state": {
        "a run is being played": BenchState(
            online=True,
            utc=_MORNING,
            session=_SESSION,
            state="Execute",
            state_number=6,
            mode="production",
            permit=True,
            remote_selected=True,
            run=_BRIEF,
            progress=Progress(test=3, tests=5, title="load", doing="averaging at 1.2 N·m", done_ratio=0.4, left_s=51.0),
            control=Control(holder=_CLIENT, fence=_FENCE, until_utc=_MORNING + dt.timedelta(seconds=30)),
            interlocks=_INTERLOCKS,
        ),
        "the operator is asked": BenchState(
            online=True,
            utc=_MORNING,
            session=_SESSION,
            state="Starting",
            state_number=3,
            mode="production",
            permit=True,
            remote_selected=True,
            run=_BRIEF,
            control=Control(holder=_CLIENT, fence=_FENCE, until_utc=_MORNING + dt.timedelta(seconds=30)),
            interlocks=_INTERLOCKS,
            question=OpenQuestion(
                id="5f3a9c-1",
                text="Is the coupling guard closed?",
                answers=("yes", "no"),
                test=0,
                title="no load",
                left_s=292.0,
                meanwhile="rest",
            ),
        ),
        "the last will": OFFLINE,
    },
    "data": {
        "torque and speed": Data(
            utc=_MORNING,
            seq=8123,
            values={"shaft_torque": 1.203, "shaft_speed": None},
            ages_s={"shaft_torque": 0.004, "shaft_speed": None},
            quality={"shaft_speed": "missing"},
        )
    },
    "event": {
        "a warning": Event(
            id=f"{_SESSION}-212",
            utc=_MORNING,
            event="warning",
            run=_RUN,
            fields={"channel": "winding_temperature", "value": 96.4, "limit": 95.0},
        )
    },
    "run": {
        "results are there": RunAnnouncement(
            id=f"{_RUN}-evaluated",
            utc=_MORNING + dt.timedelta(minutes=3),
            run=_RUN,
            phase="evaluated",
            brief=_BRIEF,
            folder=f"order=2026-0117/serial=VP-0042/{_RUN}",
            ending="complete",
            decision="accepted",
            sentence="The efficiency at the rated point lies above its lower limit by more than its uncertainty.",
            results=(ResultBrief(quantity="efficiency", value=0.871, unit="1", expanded_uncertainty=0.006),),
            report="report.pdf",
        )
    },
    "reply": {
        "control was given": Reply(
            id="c1",
            command="control",
            stage="done",
            state="Stopped",
            utc=_MORNING,
            result=ControlGiven(fence=_FENCE, until_utc=_MORNING + dt.timedelta(seconds=30)),
        ),
        "somebody else commands": Reply(
            id="s1",
            command="start",
            stage="rejected",
            code=Code.CONTROL_HELD,
            sentence="night-shift holds control: only Stop and Abort are open to others.",
            state="Idle",
            utc=_MORNING,
        ),
        "what may be named": Reply(
            id="p1",
            command="programmes",
            stage="done",
            state="Idle",
            utc=_MORNING,
            result=KnownFiles(
                programmes=(FileBrief(name="pump_acceptance", title="pump acceptance"),),
                motors=(FileBrief(name="pump_48v"),),
                setups=(FileBrief(name="pump"),),
            ),
        ),
        "it fits": Reply(
            id="k1",
            command="check",
            stage="done",
            state="Idle",
            utc=_MORNING,
            result=Fits(
                duration_s=104.0,
                tests=(
                    DemandOfTest(
                        title="load",
                        speed_rpm=3000.0,
                        torque_nm=2.4,
                        voltage_v=48.0,
                        current_a=19.0,
                        power_w=754.0,
                        duration_s=38.0,
                    ),
                ),
                limits=(_LIMIT,),
            ),
        ),
    },
}


def _plain(name: CommandName) -> PlainCommand:
    if name not in FENCED:
        return PlainCommand(id=f"{name}-1", client=_CLIENT, issued_at=_MORNING)
    return PlainCommand(id=f"{name}-1", client=_CLIENT, issued_at=_MORNING, fence=_FENCE)


COMMANDS: Mapping[CommandName, dict[str, BaseModel]] = {
    **{name: {f"{name}": _plain(name)} for name in CommandName},
    CommandName.CONTROL: {
        "take control": ControlCommand(id="c1", client=_CLIENT, issued_at=_MORNING),
        "keep control for a minute": ControlCommand(
            id="c2", client=_CLIENT, issued_at=_MORNING, fence=_FENCE, arguments=TakeControl(lease_s=60.0)
        ),
    },
    CommandName.CHECK: {
        "does it fit": CheckCommand(
            id="k1",
            client=_CLIENT,
            issued_at=_MORNING,
            arguments=FitQuestion(programme="pump_acceptance", motor="pump_48v", setup="pump"),
        )
    },
    CommandName.LOAD: {
        "one pump": LoadCommand(
            id="l1",
            client=_CLIENT,
            issued_at=_MORNING,
            ttl_s=5.0,
            fence=_FENCE,
            arguments=RunChoice(
                programme="pump_acceptance",
                motor="pump_48v",
                setup="pump",
                order="2026-0117",
                serial="VP-0042",
                operator="Ines Halvorsen-Ruud",
            ),
        )
    },
    CommandName.ANSWER: {
        "it is": AnswerCommand(
            id="a1",
            client=_CLIENT,
            issued_at=_MORNING,
            fence=_FENCE,
            arguments=AnswerGiven(question="5f3a9c-1", answer="yes"),
        )
    },
    CommandName.MANUAL: {
        "one pump, slowly": ManualCommand(
            id="m1",
            client=_CLIENT,
            issued_at=_MORNING,
            fence=_FENCE,
            arguments=ManualChoice(
                motor="pump_48v",
                setup="pump",
                order="2026-0117",
                serial="VP-0042",
                operator="Ines Halvorsen-Ruud",
                max_speed_rpm=1500.0,
            ),
        )
    },
    CommandName.SET: {
        "a voltage, gently": SetCommand(
            id="o1",
            client=_CLIENT,
            issued_at=_MORNING,
            fence=_FENCE,
            arguments=SetGiven(what="voltage_v", value=48.0, slope_per_s=5.0),
        ),
        "a little more torque": SetCommand(
            id="o2",
            client=_CLIENT,
            issued_at=_MORNING,
            fence=_FENCE,
            arguments=SetGiven(what="torque_nm", value=0.1, relative=True),
        ),
        "leave": SetCommand(
            id="o3", client=_CLIENT, issued_at=_MORNING, fence=_FENCE, arguments=SetGiven(what="leave")
        ),
    },
    CommandName.KEEP: {"still there": KeepCommand(id="h1", client=_CLIENT, issued_at=_MORNING, fence=_FENCE)},
}


def sparse(message: BaseModel) -> dict[str, Any]:
    """A message as JSON carries it, without what is as it is by default."""
    given: dict[str, Any] = message.model_dump(mode="json", exclude_unset=True)
    return given
