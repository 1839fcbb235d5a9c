"""Version 1 only grows: today's interface is compared with frozen copies of it, and each rule is seen to bite."""

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchd.outside import interface

from .v1_rules import broken, broken_facts, facts

FROZEN = Path(__file__).parent / "v1"
SCHEMAS = interface.schemas()
FREEZE = "If this is meant and harmless: `python tests/outside/freeze_v1.py`, which refuses what breaks version 1."


def frozen(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((FROZEN / name).read_text("utf-8"))
    return content


@pytest.mark.parametrize("file", sorted(file.name for file in FROZEN.glob("*.schema.json")))
def test_no_message_of_version_1_is_broken(file: str) -> None:
    name = file.removesuffix(".schema.json")
    assert name in SCHEMAS, f"{name} is gone from version 1"
    assert broken(frozen(file), SCHEMAS[name]) == []


def test_topics_and_control_of_version_1_are_not_broken() -> None:
    assert broken_facts(frozen("facts.json"), facts()) == []


def test_what_was_added_is_frozen_too() -> None:
    now = {f"{name}.schema.json": schema for name, schema in SCHEMAS.items()} | {"facts.json": facts()}
    assert {file.name for file in FROZEN.iterdir()} == set(now), FREEZE
    changed = [name for name, content in now.items() if frozen(name) != content]
    assert not changed, f"{changed} differ from their frozen copies. {FREEZE}"


def prop(schema: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = schema["properties"][name]
    return found


def alter(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(schema: dict[str, Any]) -> None:
        *parents, last = path.split("/")
        for parent in parents:
            schema = schema[int(parent)] if isinstance(schema, list) else schema[parent]
        if value is GONE:
            del schema[last]
        else:
            assert not isinstance(schema, dict) or schema.get(last) != value
            schema[int(last) if isinstance(schema, list) else last] = value

    return change


GONE = object()
NEW_RESULT = {"type": "object", "properties": {"kind": {"const": "map", "type": "string"}}}


def grown(path: str, *more: Any) -> Callable[[dict[str, Any]], None]:
    def change(schema: dict[str, Any]) -> None:
        found: Any = schema
        for part in path.split("/"):
            found = found[int(part)] if isinstance(found, list) else found[part]
        found.extend(more)

    return change


HARMLESS = {
    "an optional key of a message": ("state", alter("properties/ambient", {"type": "number"})),
    "an optional key within": ("state", alter("$defs/RunBrief/properties/batch", {"type": "string"})),
    "other words for people": ("state", alter("properties/online/description", "There.")),
    "an optional argument": ("command-load", alter("$defs/RunChoice/properties/remark", {"type": "string"})),
    "a new code": ("reply", grown("$defs/Code/enum", "too_hot")),
    "a new kind of result": ("reply", grown("properties/result/anyOf/0/oneOf", NEW_RESULT)),
}
BREAKING = {
    "a key gone": ("state", alter("properties/permit", GONE)),
    "a key gone within": ("state", alter("$defs/RunBrief/properties/serial", GONE)),
    "another type": ("state", alter("properties/online/type", "string")),
    "another type within a list": ("meta", alter("$defs/GroupMeta/properties/channels/items/type", "integer")),
    "another type of values": ("data", alter("properties/values/additionalProperties", {"type": "number"})),
    "no null any more": ("state", alter("properties/permit", {"type": "boolean", "default": None})),
    "another type beside": ("state", grown("properties/permit/anyOf", {"type": "string"})),
    "a default that only looks alike": (
        "meta",
        lambda s: s["$defs"]["ChannelMeta"]["properties"]["zeroed"].update(default=0),
    ),
    "null now": ("data", alter("properties/seq", {"anyOf": [{"type": "integer"}, {"type": "null"}]})),
    "a number that is whole now": ("meta", alter("properties/tick_hz/type", "integer")),
    "another bound": ("state", alter("$defs/Progress/properties/done_ratio/maximum", 100.0)),
    "a bound gone": ("state", alter("$defs/Progress/properties/left_s/minimum", GONE)),
    "another format": ("event", alter("properties/utc/format", "date")),
    "another default": ("state", alter("properties/because/default", "nothing")),
    "a default of another type": ("state", alter("$defs/RunBrief/properties/run/default", False)),
    "a key that is required now": ("event", grown("required", "run")),
    "a new key that is required": ("event", lambda s: (alter("properties/x", {})(s), s["required"].append("x"))),
    "a key that may be left out now": ("event", alter("required", ["id", "utc"])),
    "a word gone": ("run", alter("properties/phase/enum", ["started", "ended", "evaluated"])),
    "a word gone from an open list": ("reply", lambda s: s["$defs"]["Code"]["enum"].pop()),
    "a new word where none was announced": ("reply", grown("properties/stage/enum", "queued")),
    "any word now": ("reply", alter("properties/stage", {"type": "string"})),
    "a result gone": ("reply", lambda s: s["properties"]["result"]["anyOf"][0]["oneOf"].pop()),
    "another constant": ("reply", alter("$defs/ControlGiven/properties/kind/const", "lease")),
    "unknown keys refused": ("state", alter("additionalProperties", False)),
    "an argument gone": ("command-load", alter("$defs/RunChoice/properties/order", GONE)),
    "an argument that is required now": ("command-control", alter("$defs/TakeControl/required", ["lease_s"])),
    "a narrower argument": ("command-control", alter("$defs/TakeControl/properties/lease_s/maximum", 60.0)),
    "a looser argument": ("command-control", alter("$defs/TakeControl/properties/lease_s/maximum", 6000.0)),
    "an envelope's key required": ("command-start", grown("required", "fence")),
    "another pattern": ("command-start", alter("properties/id/pattern", "^[0-9]+$")),
    "a shorter name": ("command-start", alter("properties/client/maxLength", 8)),
    "unknown keys permitted": ("command-start", alter("additionalProperties", True)),
    "arguments refused now": ("command-start", alter("properties/arguments", GONE)),
}


@pytest.mark.parametrize("what", HARMLESS)
def test_what_nobody_has_to_know_may_be_added(what: str) -> None:
    name, change = HARMLESS[what]
    altered = copy.deepcopy(SCHEMAS[name])
    change(altered)
    assert altered != SCHEMAS[name]
    assert broken(SCHEMAS[name], altered) == []


@pytest.mark.parametrize("what", BREAKING)
def test_whatever_breaks_a_client_is_found(what: str) -> None:
    name, change = BREAKING[what]
    altered = copy.deepcopy(SCHEMAS[name])
    change(altered)
    assert broken(SCHEMAS[name], altered), what


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("operations/send-state", GONE),
        ("operations/send-state/retain", False),
        ("operations/send-data/qos", 1),
        ("operations/receive-start/address", "bench/v1/{bench}/command/go"),
        ("operations/receive-start/action", "send"),
        ("fenced", [*facts()["fenced"], "check"]),
        ("free_stops", ["stop"]),
        ("longest_command_bytes", 1024),
    ],
)
def test_topics_control_and_length_are_held_too(path: str, value: Any) -> None:
    now, altered = facts(), facts()
    alter(path, value)(altered)
    assert broken_facts(now, altered)


def test_a_new_command_may_come_even_one_that_needs_control() -> None:
    now, altered = facts(), facts()
    altered["operations"]["receive-jog"] = altered["operations"]["receive-start"] | {"address": "x"}
    altered["fenced"] = sorted([*altered["fenced"], "jog"])
    altered["longest_command_bytes"] *= 2
    assert broken_facts(now, altered) == []
