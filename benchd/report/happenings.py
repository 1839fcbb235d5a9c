"""A run's events in words: trips, warnings, deviations first, then the whole sequence. It must never hide a trip."""

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, heading, paragraphs, rows, section
from benchd.report.event_words import event_words
from benchd.report.local_time import LocalTime
from benchd.report.numbers import plain, with_unit
from benchd.report.words import words

GRAVE = ("tripped", "crossed", "warning", "explained", "deviation", "not_safe", "failed", "driver_broken", "stalled",
         "permit_withdrawn", "permit_not_withdrawn", "events_dropped", "unanswered")  # fmt: skip
SILENT = frozenset({"point_started", "point_ended", "limits_in_force"})  # told in the tests and the limits
MOST_ROWS = 400
NAMES = {
    "tripped": "TRIP",
    "crossed": "limit crossed",
    "explained": "cause explained",
    "not_safe": "not safe",
    "made_safe": "made safe",
    "drive_limits": "drive's own limits",
    "drive_parameters": "drive's parameters",
    "ladder": "voltage ladder",
    "plausible": "jog plausible",
    "implausible": "jog not plausible",
}


def first_cause(events: Sequence[Mapping[str, Any]]) -> str | None:
    """The cause of the run's trip, as the chain explained it where it did; None without a trip."""
    tripped = next((event for event in events if event.get("event") == "tripped"), None)
    if tripped is None:
        return None
    cause = soft.text(tripped.get("cause"), "the record does not say the cause")
    for event in events:
        if event.get("event") == "explained" and event.get("seen_first") == cause:
            return soft.text(event.get("cause"), cause)
    return cause


def told_in_tests(
    events: Sequence[Mapping[str, Any]], notes: Mapping[int, Sequence[str]]
) -> tuple[list[Mapping[str, Any]], list[Mapping[str, Any]]]:
    """The deviations, parted into those that the notes of their test (by its index) repeat, and the others."""
    told: list[Mapping[str, Any]] = []
    others: list[Mapping[str, Any]] = []
    for event in events:
        if event.get("event") == "deviation":
            index = soft.whole(event.get("test"))
            said = () if index is None else notes.get(index, ())
            (told if event.get("sentence") in said else others).append(event)
    return told, others


def happenings(
    events: Sequence[Mapping[str, Any]], at: LocalTime, *, notes: Mapping[int, Sequence[str]]
) -> dict[str, Any]:
    """The section of events, trips and deviations; what the tests' notes (by index) say of a deviation is enough."""
    told_there, _ = told_in_tests(events, notes)
    elsewhere = {id(event) for event in told_there}
    grave = [event for event in events if event.get("event") in GRAVE and id(event) not in elsewhere]
    told = {*SILENT, *(name for name in GRAVE if name != "tripped")}
    ordinary = [event for event in events if event.get("event") not in told]
    blocks: list[Block] = [heading("Trips, warnings and deviations")]
    if told_there:
        blocks.append(paragraphs(f"{_deviations(len(told_there))} in the remarks of the tests.", sticky=bool(grave)))
    if grave:
        blocks.append(_table(grave[:MOST_ROWS], at))
        blocks += _left_out(len(grave))
    elif not told_there:
        blocks.append(paragraphs("None was recorded." if events else "There are no events that can be read."))
    if ordinary:
        blocks.append(heading("Sequence of the run"))
        blocks.append(_table(ordinary[:MOST_ROWS], at))
        blocks += _left_out(len(ordinary))
    return section("Events, trips, deviations", *blocks)


def _deviations(count: int) -> str:
    return "One deviation stands" if count == 1 else f"{count} deviations stand"


def _left_out(count: int) -> list[Block]:
    if count <= MOST_ROWS:
        return []
    return [paragraphs(f"{count - MOST_ROWS} more stand in events.jsonl.")]


def _table(events: Sequence[Mapping[str, Any]], at: LocalTime) -> Block:
    columns = [Column(title="time"), Column(title="event"), Column(title="what happened", wide=1.0)]
    cells = [[at.clock(event.get("utc")), _name(event), event_words(event)] for event in events]
    trips = [number for number, event in enumerate(events) if event.get("event") == "tripped"]
    return rows(columns, cells, size_pt=SMALL_PT, strong=trips)


def _name(event: Mapping[str, Any]) -> str:
    name = soft.text(event.get("event"), "?")
    return NAMES.get(name, words(name))


def limits_in_force(events: Sequence[Mapping[str, Any]], units: Mapping[str, str]) -> Block | None:
    """The limits that held, from the event that lists them; None where it is missing."""
    event = next((event for event in events if event.get("event") == "limits_in_force"), None)
    listed = [] if event is None else soft.tables(event.get("limits"))
    if not listed:
        return None
    columns = [
        Column(title="channel", wide=1.1),
        Column(title="bound", right=True),
        Column(title="for at least", right=True),
        Column(title="reaction"),
        Column(title="said by", wide=1.6),
    ]
    return rows(columns, [_limit(one, units) for one in listed], size_pt=SMALL_PT)


_SIDES = {"low": "below", "high": "above", "stale": "silent for"}


def _limit(one: Mapping[str, Any], units: Mapping[str, str]) -> list[str]:
    channel, bound = soft.text(one.get("channel"), "?"), soft.text(one.get("bound"), "?")
    value, delay_s = soft.number(one.get("value")), soft.number(one.get("delay_s"))
    unit = "s" if bound == "stale" else units.get(channel, "")
    return [
        words(channel),
        f"{_SIDES.get(bound, bound)} {'?' if value is None else with_unit(plain(value), unit)}",
        "at once" if delay_s == 0.0 else "?" if delay_s is None else with_unit(plain(delay_s), "s"),
        words(soft.text(one.get("reaction"), "?")),
        soft.text(one.get("origin"), "?").rpartition("/")[2],
    ]
