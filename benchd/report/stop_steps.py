"""What was done to bring the shaft to rest after a trip, step by step, in words. It must never leave out a step."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, rows
from benchd.report.event_words import event_words
from benchd.report.numbers import MINUS, with_unit
from benchd.report.words import words

MOST_STEPS = 40
BEFORE_S = 0.25  # what is told this long before the cause was latched belongs to it
STEPS: Mapping[str, str] = {
    "tripped": "stop begun",
    "crossed": "cause seen",
    "explained": "cause explained",
    "without_torque": "relieved",
    "braked": "braked",
    "braking_ended": "braking ended",
    "coasting": "let go in order",
    "coasting_down": "coasting",
    "coasted": "coasted",
    "permit_withdrawn": "permit withdrawn",
    "permit_not_withdrawn": "permit not withdrawn",
    "standstill": "standstill",
    "discharged": "discharged",
    "disarmed": "sink disarmed",
    "failed": "failed",
    "not_safe": "not safe",
    "recording_failed": "recording failed",
}
_OFF = {"supply": "supply off", "load_drive": "stage off", "motor_drive": "stage off", "sink": "sink off"}


def steps(
    events: Sequence[Mapping[str, Any]], *, trip_mono_s: float, roles: Mapping[str, Any], first_cause: str
) -> Block | None:
    """A table of the steps with their times after the cause; None where none was recorded.

    `roles` name the bench's ports; `first_cause` is the sentence that stands above the table already.
    """
    cells: list[list[str]] = []
    strong: list[int] = []
    for event in events:
        time_mono_s = soft.number(event.get("time_mono_s"))
        if time_mono_s is None or time_mono_s < trip_mono_s - BEFORE_S:
            continue
        name = soft.text(event.get("event"))
        if name == "state":
            told = soft.text(event.get("after"), "?")
            if told == "Starting":
                break  # the next run
        elif name == "made_safe":
            told = _off(soft.text(event.get("port")), roles)
        elif name in STEPS:
            told = STEPS[name]
        else:
            continue
        if name in {"permit_withdrawn", "permit_not_withdrawn", "failed"}:
            strong.append(len(cells))
        cells.append([_after(time_mono_s - trip_mono_s), told, _what(name, event, first_cause)])
    if not cells:
        return None
    columns = [
        Column(title="after the cause", unit="s", right=True),
        Column(title="step"),
        Column(title="what", wide=1.0),
    ]
    caption = "" if len(cells) <= MOST_STEPS else f"{len(cells) - MOST_STEPS} more stand in events.jsonl."
    return rows(columns, cells[:MOST_STEPS], size_pt=SMALL_PT, strong=strong, caption=caption)


def _off(port: str, roles: Mapping[str, Any]) -> str:
    for role, ports in roles.items():
        if port in ([ports] if isinstance(ports, str) else soft.sentences(ports)):
            return _OFF.get(str(role), "made safe")
    return "made safe"


def _after(seconds: float) -> str:
    """To the millisecond, with its sign: the clock tells no more."""
    return f"{seconds:+.3f}".replace("-", MINUS)


def _what(name: str, event: Mapping[str, Any], first_cause: str) -> str:
    """One line; what the page says above already is not said again."""
    if name == "crossed" and soft.text(event.get("cause")) == first_cause:
        return "the first cause, as above"
    say = _SAY.get(name)
    return (None if say is None else say(event)) or event_words(event)


def _port(event: Mapping[str, Any]) -> str:
    return words(soft.text(event.get("port"), "?").replace(".", ", "))


def _link(event: Mapping[str, Any]) -> str | None:
    link_v = soft.number(event.get("link_v"))
    return None if link_v is None else f"the DC link shows {with_unit(f'{link_v:.1f}', 'V')}"


def _order(event: Mapping[str, Any]) -> str:
    first, second = (soft.text(event.get(key), "?").replace(".", " ") for key in ("first", "second"))
    return f"{words(first)} first, then {words(second)}"


def _standstill(event: Mapping[str, Any]) -> str:
    by = ", ".join(map(words, soft.sentences(event.get("told_by"))))
    measured = event.get("measured") is not False
    how = "measured" if measured else "not measured (a doubted device tells it, or nothing tells one end)"
    return f"{how}; told by {by}" if by else how


_SAY: Mapping[str, Callable[[Mapping[str, Any]], str | None]] = {
    "state": lambda event: f"from {soft.text(event.get('before'), '?')}",
    "tripped": lambda event: f"reaction: {words(soft.text(event.get('reaction'), '?'))}",
    "made_safe": _port,
    "without_torque": lambda event: f"{_port(event)} makes no torque",
    "standstill": _standstill,
    "coasting": _order,
    "discharged": _link,
    "disarmed": _port,
}
