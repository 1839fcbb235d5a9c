"""The page on a trip: first cause, what was doubted, how the bench came to rest, and the readings about the cause.

Everything is from the fault record and the events; a run that did not trip has no such page. It judges nothing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.report import soft
from benchd.report.blocks import Block, heading, pairs, paragraphs, picture, section
from benchd.report.happenings import first_cause
from benchd.report.local_time import LocalTime
from benchd.report.material import Fault, Material
from benchd.report.numbers import plain, unit_text, with_unit
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.stop_steps import steps
from benchd.report.time_record import thinned
from benchd.report.words import capital, name_of_test, sentence_words, small, words

TITLE = "What tripped"
PANEL_MM, LOWER_MM = 21.0, 17.0  # five panels and a long table find room on one page only when lower
PANELS: Sequence[tuple[str, Sequence[str]]] = (  # what belongs together, by the channels' names
    ("Speed", ("shaft_speed", "drive_speed", "motor_drive_speed")),
    ("Torque", ("shaft_torque", "drive_torque", "motor_drive_torque")),
    ("DC current", ("dc_current",)),
    ("DC voltage", ("dc_voltage", "link_voltage")),
)
REACTIONS = {
    "cut": "cut: energy is taken away as fast as the order of the stop allows",
    "ramp_down": "ramp down: set-points to zero on the bench's slopes, then everything off",
}
STATES = {6: "Execute", 3: "Starting", 7: "Stopping", 8: "Aborting", 9: "Aborted", 10: "Holding", 11: "Held",
          12: "Unholding", 1: "Clearing", 2: "Stopped", 15: "Resetting", 16: "Completing", 4: "Idle"}  # fmt: skip
NOT_PREDICTED = "not predicted: a friction is not stated"


def what_tripped(material: Material, at: LocalTime) -> dict[str, Any] | None:
    """The section, or None where nothing tripped."""
    events = material.events
    tripped = next((event for event in events if event.get("event") == "tripped"), {})
    fault = material.fault
    if not tripped and fault is None:
        return None
    cause = {**tripped, **({} if fault is None else fault.cause)}
    told_s = soft.number(tripped.get("time_mono_s"))
    trip_s = told_s if fault is None else fault.trip_mono_s
    sentence = first_cause(events) or soft.text(cause.get("cause"), "the record does not say the cause")
    blocks: list[Block] = [pairs(_about(material, sentence, cause, trip_s, at))]
    roles = soft.table(soft.table(soft.table(material.description.get("configuration")).get("bench")).get("roles"))
    table = None if trip_s is None else steps(events, trip_mono_s=trip_s, roles=roles, first_cause=sentence)
    blocks.append(heading("How the bench came to rest"))
    blocks.append(paragraphs("No step of the stop was recorded.") if table is None else table)
    drawn = None if fault is None else _drawn(fault)
    if drawn is not None:
        blocks += [heading("Readings about the cause"), picture(*drawn)]
    elif fault is None:
        blocks.append(paragraphs("There is no fault record in the run folder that can be read."))
    return section(TITLE, *blocks, page=True)


def _about(
    material: Material, sentence: str, cause: Mapping[str, Any], trip_s: float | None, at: LocalTime
) -> list[tuple[str, str]]:
    doubted = [words(one) for one in soft.sentences(cause.get("doubted"))]
    reaction = soft.text(cause.get("reaction"), "?")
    seen_first = soft.text(cause.get("seen_first")) or next(
        (soft.text(one.get("seen_first")) for one in material.events if one.get("event") == "explained"), ""
    )
    found = [("First cause", sentence_words(sentence))]
    if seen_first:
        found.append(("Seen first", sentence_words(seen_first)))
    found += [
        ("When", _when(material, cause, trip_s, at)),
        ("Reaction", REACTIONS.get(reaction, words(reaction))),
        ("Doubted", ", ".join(doubted) or "no device: all readings were believed"),
        ("Coasting time", _coasting(material.events, trip_s)),
    ]
    return found


def _when(material: Material, cause: Mapping[str, Any], trip_s: float | None, at: LocalTime) -> str:
    said = [at.clock(cause.get("utc")) or "time not recorded"]
    started_s = next((t for one in material.events if (t := soft.number(one.get("time_mono_s"))) is not None), None)
    if trip_s is not None and started_s is not None:
        said.append(f"{with_unit(plain(trip_s - started_s, 5), 's')} after the run's first event")
    place = ""
    for event in material.events:
        time_s = soft.number(event.get("time_mono_s"))
        if time_s is not None and trip_s is not None and time_s > trip_s:
            break
        if event.get("event") == "test_started":
            index = soft.whole(event.get("test"))
            place = f"in test {index}, {small(name_of_test('', event.get('title')))}"
        elif event.get("event") == "test_ended":
            place = "between two tests"
    return ", ".join([*said, *([place] if place else [])])


def _coasting(events: Sequence[Mapping[str, Any]], trip_s: float | None) -> str:
    """Predicted and measured, of the stop that followed the trip."""

    def after(name: str) -> Mapping[str, Any] | None:
        for event in events:
            time_s = soft.number(event.get("time_mono_s"))
            if event.get("event") == name and time_s is not None and (trip_s is None or time_s >= trip_s):
                return event
        return None

    began, ended = after("coasting_down"), after("coasted")
    if began is None:
        return "the shaft did not coast: it stood when everything was off" if after("standstill") else "not recorded"
    predicted_s, from_rpm = soft.number(began.get("predicted_s")), soft.number(began.get("from_rpm"))
    said = NOT_PREDICTED if predicted_s is None else f"predicted {with_unit(plain(predicted_s, 3), 's')}"
    took_s = None if ended is None else soft.number(ended.get("took_s"))
    measured = "standstill was not seen" if took_s is None else f"measured {with_unit(plain(took_s, 3), 's')}"
    start = "" if from_rpm is None else f", from {with_unit(plain(from_rpm, 4), 'r/min')} without torque"
    return f"{said}; {measured}{start}"


def _drawn(fault: Fault) -> tuple[dict[str, Any], str] | None:
    low_s, high_s = fault.from_s, max(fault.until_s, fault.from_s + 0.1)
    panels = [panel for title, names in PANELS if (panel := _panel(fault, title, names)) is not None]
    channel, limit = soft.text(fault.cause.get("channel")), soft.number(fault.cause.get("limit"))
    bounded = limit is not None and fault.cause.get("bound") in {"low", "high"}
    own = _panel(fault, f"{capital(words(channel))}, which tripped,", (channel,), limit=limit if bounded else None)
    panels += [] if own is None else [own]
    if not panels:
        return None
    chart = stacked(
        [replace(panel, height_mm=PANEL_MM) for panel in panels] if len(panels) <= len(PANELS) else panels,
        x=scale(low_s, high_s, most=9, room=0.0),
        x_title="Time after the first cause in s",
        alt=f"Readings from {plain(low_s, 3)} s to {plain(high_s, 3)} s about the first cause: "
        f"{'; '.join(panel.title for panel in panels)}.",
        top=[
            (since_s, until_s, [STATES.get(number, str(number))])
            for (since_s, number), until_s in zip(
                fault.states, [*(since_s for since_s, _ in fault.states[1:]), high_s], strict=True
            )
        ],
    )
    said = "Every reading as it arrived, from fault.parquet; above, the bench's states. "
    said += "The broken upright line is the first cause"
    if own is not None and bounded:
        said += ", the broken level line the limit that was crossed"
    if not fault.whole:
        said += f". The record ends {plain(fault.until_s, 3)} s after the cause: its folder was closed then"
    return chart, f"{said}."


def _panel(fault: Fault, title: str, names: Sequence[str], *, limit: float | None = None) -> Panel | None:
    lines = [line for ink, name in enumerate(names) if (line := _line(fault, name, ink)) is not None]
    if not lines:
        return None
    if limit is not None:
        ends = np.array([fault.from_s, max(fault.until_s, fault.from_s + 0.1)])
        lines.append(
            Line(label=f"limit {plain(limit, 4)}", x=ends, y=np.full(2, limit), ink=3, broken=True, thick_pt=1.0)
        )
    unit = unit_text(next(fault.channels[name].unit for name in names if name in fault.channels))
    named = f"{title} in {unit}" if unit else title
    return Panel(title=named, lines=lines, height_mm=LOWER_MM, moments=(0.0,))


def _line(fault: Fault, name: str, ink: int) -> Line | None:
    series = fault.channels.get(name)
    if series is None:
        return None
    seen = np.where(series.good & (np.abs(series.value) < soft.ABSURD), series.value, np.nan)
    if not np.isfinite(seen).any():
        return None
    x, y = thinned(series.time_s, seen)
    return Line(label=words(name), x=x, y=y, ink=ink, plain=True, thick_pt=0.7)
