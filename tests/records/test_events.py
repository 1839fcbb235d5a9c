"""Events carry any value, survive a torn line, and never make the caller wait."""

import enum
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.records import ClockAnchor, EventLog, RecordsError, read_events, recover
from benchd.records.events import check_events

from .conftest import MakeRun, Record


class Colour(enum.Enum):
    RED = "red"


@dataclass(frozen=True)
class Crossing:
    channel: str
    value_nm: float


def told(folder: Any) -> list[dict[str, Any]]:
    """The lines as a plain JSON reader sees them that accepts nothing beyond RFC 8259."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    lines = (Path(folder) / "events.jsonl").read_bytes().decode("utf-8").split("\n")
    return [json.loads(line, parse_constant=refuse) for line in lines[:-1]]


def test_an_event_is_one_line_with_schema_time_utc_and_name(make_run: MakeRun) -> None:
    folder = make_run()
    events = EventLog(folder)
    events.append(
        "trip", time_mono_s=101.25, channel="shaft_torque", crossing=Crossing("a", math.inf), colour=Colour.RED
    )
    assert events.flush() == 1
    assert told(folder) == [
        {
            "schema": 1,
            "time_mono_s": 101.25,
            "utc": "2026-09-21T14:13:21.250000Z",
            "event": "trip",
            "channel": "shaft_torque",
            "crossing": {"channel": "a", "value_nm": "Infinity"},
            "colour": "red",
        }
    ]
    events.close()


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)
odd_values = st.one_of(
    st.floats(),
    st.binary(),
    st.sets(st.integers()),
    st.datetimes(),
    st.complex_numbers(),
    st.text(st.characters(categories=["Cs"])),
    st.just(np.float32(1.5)),
    st.just(np.array([1.0, math.nan])),
    st.just(Path("/x")),
    st.just(object()),
    st.just(10**5000),
    st.dictionaries(st.integers() | st.none() | st.tuples(st.integers()), st.floats()),
)
names = st.text(min_size=1).filter(lambda name: name not in {"schema", "utc", "event", "time_mono_s", "self"})
relaxed = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@relaxed
@given(
    events=st.lists(
        st.tuples(st.text(), st.floats(0, 1e9), st.dictionaries(names, json_values, max_size=5)), max_size=5
    )
)
def test_whatever_json_can_say_comes_back_unchanged(tmp_path_factory: pytest.TempPathFactory, events: Any) -> None:
    folder = tmp_path_factory.mktemp("events")
    log = EventLog(folder, clock=ClockAnchor(mono_s=0.0, utc_ns=0))
    for event, time_mono_s, fields in events:
        log.append(event, time_mono_s=time_mono_s, **fields)
    log.close()
    back = read_events(folder)
    assert [(b.pop("event"), b.pop("time_mono_s")) for b in back] == [(event, t) for event, t, _ in events]
    for found, (_, _, fields) in zip(back, events, strict=True):
        assert (found.pop("schema"), bool(found.pop("utc"))) == (1, True)
        assert found == fields
    assert len(told(folder)) == len(events)


@relaxed
@given(
    fields=st.dictionaries(names, odd_values | st.lists(odd_values, max_size=3), min_size=1, max_size=5), t=st.floats()
)
def test_no_value_is_so_odd_that_its_event_is_lost(tmp_path_factory: Any, fields: Any, t: float) -> None:
    folder = tmp_path_factory.mktemp("events")
    log = EventLog(folder, clock=ClockAnchor(mono_s=0.0, utc_ns=0))
    log.append("odd", time_mono_s=t, **fields)
    log.close()
    assert told(folder)[0]["event"] == "odd"
    assert set(read_events(folder)[0]) == {"schema", "time_mono_s", "utc", "event", *fields}


def test_a_value_that_holds_itself_does_not_lose_its_event(make_run: MakeRun) -> None:
    folder = make_run()
    log = EventLog(folder)
    endless: list[Any] = []
    endless.append(endless)
    log.append("odd", time_mono_s=100.0, endless=endless)
    log.close()
    assert told(folder)[0]["event"] == "odd"


class Sulking:
    def __str__(self) -> str:
        raise RuntimeError("no")

    __repr__ = __str__


def test_a_value_whose_own_code_fails_loses_neither_its_event_nor_those_behind_it(make_run: MakeRun) -> None:
    folder = make_run()
    log = EventLog(folder)
    log.append("sulking", time_mono_s=100.0, value=Sulking())
    log.append("next", time_mono_s=100.0)
    log.close()
    assert [(e["event"], e.get("fields")) for e in told(folder)] == [("sulking", "unreadable"), ("next", None)]


@pytest.mark.parametrize("name", ["schema", "utc", "event"])
def test_a_field_cannot_take_the_place_of_what_the_log_writes(make_run: MakeRun, name: str) -> None:
    log = EventLog(make_run())
    with pytest.raises(ValueError, match="must not be named"):
        log.append("x", time_mono_s=0.0, **{name: 1})
    log.close()


def test_a_torn_last_line_costs_that_line_only_and_is_said(record: Record) -> None:
    run = record(ended=False)
    path = run.path / "events.jsonl"
    raw = path.read_bytes()
    first = raw.index(b"\n") + 1
    for size in range(first, len(raw)):
        path.write_bytes(raw[:size])
        assert [event["event"] for event in read_events(run.path)] == ["state"]
        assert check_events(run.path) == (
            ["The last line of events.jsonl is torn and left out."] if size > first else []
        )
    recovery = recover(run.path)
    assert "The last line of events.jsonl is torn and left out." in recovery.sentences


def test_a_damaged_line_in_the_middle_costs_that_line_only(record: Record) -> None:
    run = record()
    path = run.path / "events.jsonl"
    path.write_bytes(b"{" + path.read_bytes())
    assert [event["event"] for event in read_events(run.path)] == ["trip"]
    assert check_events(run.path) == ["Line 1 of events.jsonl is damaged and left out."]


def test_an_event_of_a_newer_schema_is_refused_in_one_sentence(record: Record) -> None:
    run = record()
    path = run.path / "events.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"schema":1', b'"schema":3'))
    with pytest.raises(RecordsError, match="schema 3, and this benchd reads up to 1"):
        read_events(run.path)


def test_too_many_waiting_events_are_dropped_counted_and_told(make_run: MakeRun) -> None:
    folder = make_run()
    log = EventLog(folder, pending_events=3)
    for number in range(5):
        log.append(f"e{number}", time_mono_s=100.0)
    assert (log.events_pending, log.events_dropped) == (3, 2)
    log.close()
    assert [(e["event"], e.get("count")) for e in read_events(folder)] == [
        ("e0", None),
        ("e1", None),
        ("e2", None),
        ("events_dropped", 2),
    ]
    log.close()


def test_a_log_that_is_being_written_is_not_opened_twice(make_run: MakeRun) -> None:
    folder = make_run()
    log = EventLog(folder)
    with pytest.raises(RecordsError, match="being written by another process"):
        EventLog(folder)
    log.close()
