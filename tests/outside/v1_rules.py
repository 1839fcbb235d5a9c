"""What version 1 of the MQTT interface may become without breaking those who use it. Schemas in, sentences out.

Both ways the rule is: what was there stays as it was, and only what nobody had to know may be added.

Messages of the bench (an older reader must understand a newer bench, and a newer reader an older bench):
- a key may be added if it is not required; none may be removed, become required or cease to be;
- a key's type, bounds, pattern, format, constant and default stay; nothing becomes null that was not, or the reverse;
- a list of words (enum) keeps its words and gains none, unless it is declared open (`OPEN_WORDS`: readers are told to
  expect others);
- a choice between objects that are told apart by a constant `kind` may gain a choice of another kind, and loses none;
- unknown keys stay permitted.

Commands (an older client must be obeyed by a newer bench):
- an argument may be added if it is not required; none may be removed, become required or cease to be;
- whatever bounds an argument stays, also where it could be loosened: loosening is another argument's job;
- unknown keys stay refused.

Besides (`facts`): topics, quality of service and retain flags stay; a command may be added; a command that needs no
control never begins to need it, and Stop and Abort stay free; the longest command does not become shorter.
Titles, descriptions and examples are words for people and may change.
"""

from collections.abc import Iterator
from typing import Any

from benchd.outside import interface
from benchd.outside.commands import FENCED, FREE_STOPS, LONGEST_COMMAND_BYTES

OPEN_WORDS = frozenset({"Code"})
_WORDS_FOR_PEOPLE = frozenset({"title", "description", "examples", "$schema", "$defs"})


def broken(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """One sentence for each thing in which `new` is no longer `old`, grown; both are whole schemas."""
    return list(_compared(old, new, old, new, "message", open_words=False))


def broken_facts(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """The same for what no schema says."""
    sentences = []
    for name, operation in old["operations"].items():
        if name not in new["operations"]:
            sentences.append(f"{name} is gone")
        elif operation != new["operations"][name]:
            sentences.append(f"{name} was {operation} and is {new['operations'][name]}")
    gained = set(new["fenced"]) - set(old["fenced"])
    sentences += [f"{name} needs control now" for name in sorted(gained) if f"receive-{name}" in old["operations"]]
    sentences += [f"{name} is no free stop any more" for name in old["free_stops"] if name not in new["free_stops"]]
    if new["longest_command_bytes"] < old["longest_command_bytes"]:
        sentences.append("a command that was short enough is too long now")
    return sentences


def facts() -> dict[str, Any]:
    """What no schema says, as it is now."""
    document = interface.document()
    return {
        "operations": {
            name: {
                "action": operation["action"],
                "address": document["channels"][operation["channel"]["$ref"].rpartition("/")[2]]["address"],
                "qos": operation["bindings"]["mqtt"]["qos"],
                "retain": operation["bindings"]["mqtt"]["retain"],
            }
            for name, operation in document["operations"].items()
        },
        "fenced": sorted(FENCED),
        "free_stops": sorted(FREE_STOPS),
        "longest_command_bytes": LONGEST_COMMAND_BYTES,
    }


def _compared(
    old: Any, new: Any, old_whole: dict[str, Any], new_whole: dict[str, Any], place: str, *, open_words: bool
) -> Iterator[str]:
    old, old_name = _resolved(old, old_whole)
    new, new_name = _resolved(new, new_whole)
    open_words = open_words or (old_name in OPEN_WORDS and new_name in OPEN_WORDS)
    for key in sorted((old.keys() | new.keys()) - _WORDS_FOR_PEOPLE):
        was, is_ = old.get(key), new.get(key)
        if key == "properties":
            yield from _keys(old, new, old_whole, new_whole, place)
        elif key == "required":
            yield from _required(old, new, place)
        elif key == "enum":
            yield from _words(was, is_, place, open_words=open_words)
        elif key in {"anyOf", "oneOf", "allOf"}:
            yield from _choices(key, was or [], is_ or [], old_whole, new_whole, place)
        elif key in {"items", "additionalProperties"} and isinstance(was, dict) and isinstance(is_, dict):
            yield from _compared(was, is_, old_whole, new_whole, f"{place}[]", open_words=False)
        elif was != is_ or type(was) is not type(is_):
            yield f"{place}: {key} was {was!r} and is {is_!r}"


def _keys(
    old: dict[str, Any], new: dict[str, Any], old_whole: dict[str, Any], new_whole: dict[str, Any], place: str
) -> Iterator[str]:
    was, is_ = old.get("properties", {}), new.get("properties", {})
    for name, schema in was.items():
        if name in is_:
            yield from _compared(schema, is_[name], old_whole, new_whole, f"{place}.{name}", open_words=False)
        else:
            yield f"{place}.{name} is gone"


def _required(old: dict[str, Any], new: dict[str, Any], place: str) -> Iterator[str]:
    was, is_ = set(old.get("required", ())), set(new.get("required", ()))
    for name in sorted(is_ - was):
        yield f"{place}.{name} is required now"
    for name in sorted((was - is_) & new.get("properties", {}).keys()):
        yield f"{place}.{name} may be left out now"


def _words(was: Any, is_: Any, place: str, *, open_words: bool) -> Iterator[str]:
    if was is None or is_ is None:
        yield f"{place}: the words were {was!r} and are {is_!r}"
        return
    for word in was:
        if word not in is_:
            yield f"{place}: the word {word!r} is gone"
    for word in is_:
        if word not in was and not open_words:
            yield f"{place}: the word {word!r} is new, and readers were not told to expect others"


def _choices(
    key: str, was: list[Any], is_: list[Any], old_whole: dict[str, Any], new_whole: dict[str, Any], place: str
) -> Iterator[str]:
    named_was, named_is = _by_name(was, old_whole), _by_name(is_, new_whole)
    for name, choice in named_was.items():
        if name in named_is:
            yield from _compared(choice, named_is[name], old_whole, new_whole, f"{place}<{name}>", open_words=False)
        else:
            yield f"{place}: the choice {name} of {key} is gone"
    for name in named_is:
        if name not in named_was and not (key == "oneOf" and name.startswith("kind ")):
            yield f"{place}: the choice {name} of {key} is new"


def _by_name(choices: list[Any], whole: dict[str, Any]) -> dict[str, Any]:
    """Choices by what tells them apart: the constant `kind`, else the type and, for objects, the name."""
    named = {}
    for choice in choices:
        schema, name = _resolved(choice, whole)
        kind = schema.get("properties", {}).get("kind", {}).get("const")
        label = f"kind {kind}" if kind else str(schema.get("type", name or sorted(schema)))
        while label in named:
            label += "'"
        named[label] = choice
    return named


def _resolved(schema: Any, whole: dict[str, Any]) -> tuple[dict[str, Any], str | None]:
    """A schema with its reference replaced by what it refers to, and that one's name."""
    if not isinstance(schema, dict) or "$ref" not in schema:
        return schema, None
    name = schema["$ref"].removeprefix("#/$defs/")
    return {**whole["$defs"][name], **{key: value for key, value in schema.items() if key != "$ref"}}, name
