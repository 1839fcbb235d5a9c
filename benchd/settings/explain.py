"""Turns what pydantic found wrong into sentences with line and key. It must never decide what is allowed."""

import datetime as dt
import difflib
import types
import typing
from collections.abc import Iterable, Mapping
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from benchd.settings.document import Document
from benchd.settings.errors import Problem, key_name
from benchd.settings.toml_lines import KeyPath

_WANTED = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a smaller whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "a text in quotes",
    "date_type": "a date such as 2026-03-31",
    "date_from_datetime_parsing": "a date such as 2026-03-31",
    "date_from_datetime_inexact": "a date without a time, such as 2026-03-31",
    "date_parsing": "a date such as 2026-03-31",
    "tuple_type": "a list in square brackets",
    "list_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "mapping_type": "a table",
    "finite_number": "a finite number",
}
_REFUSED = {
    "greater_than": "must be above {gt}, not {told}; correct it",
    "greater_than_equal": "must be at least {ge}, not {told}; correct it",
    "less_than": "must be below {lt}, not {told}; correct it",
    "less_than_equal": "must be at most {le}, not {told}; correct it",
    "too_short": "has {actual_length} entries and needs at least {min_length}; add what is missing",
    "too_long": "has {actual_length} entries and may have at most {max_length}; take out the rest",
    "string_too_short": "must not be empty; write the text that is meant",
    "string_pattern_mismatch": "is {told}, which does not have the form {pattern}; write it in that form",
    "literal_error": "must be {expected}, not {told}; write what is meant",
    "enum": "must be {expected}, not {told}; write what is meant",
}
_CALLED: Mapping[type, str] = {
    dt.datetime: "a date with a time",
    dt.time: "a time of day",
    dict: "a table",
    list: "a list",
    tuple: "a list",
}


def problems_in(
    error: ValidationError, model: type[BaseModel], document: Document, *, within: KeyPath = ()
) -> list[Problem]:
    """Every problem that validating `document.data` at `within` against `model` found, in words.

    A key that is missing because it is misspelt is one problem and not two, and so is a list that is too short because
    of a wrong entry.
    """
    found = [
        (_path_in_data(document.data, within, detail["loc"]), detail) for detail in error.errors(include_url=False)
    ]
    echoes: set[tuple[str, KeyPath]] = set()
    for path, detail in found:
        if detail["type"] == "extra_forbidden":
            meant = _nearest(str(path[-1]), _keys_at(model, path[len(within) : -1]))
            echoes |= {("missing", (*path[:-1], meant))} if meant else set()
        echoes |= {("too_short", path[:length]) for length in range(len(path))}
    return [
        document.problem(path, _says(path, detail, model, within))
        for path, detail in found
        if (detail["type"], path) not in echoes
    ]


def nearest(word: str, known: Iterable[str]) -> str:
    """The advice what to write instead of an unknown `word`: the nearest known one, or all of them."""
    names = sorted(known)
    close = _nearest(word, names)
    if close == word:  # of another shape or kind that may stand there
        return "it does not go with what else stands in this table; take it out"
    if close:
        return f"did you mean {close}?"
    return f"known are {', '.join(names)}" if names else "none are known"


def _nearest(word: str, known: Iterable[str]) -> str | None:
    by_lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[close[0]] if close else None


def _says(path: KeyPath, detail: ErrorDetails, model: type[BaseModel], within: KeyPath) -> str:
    kind = detail["type"]
    if kind == "missing":
        return _missing(path, _annotation_at(model, path[len(within) :]))
    if kind == "extra_forbidden":
        return f"is not a key that is known here; {nearest(str(path[-1]), _keys_at(model, path[len(within) : -1]))}"
    if kind in {"tuple_type", "list_type"} and isinstance(detail["input"], dict):
        return f"must be a list of tables, not one table; write [[{key_name(path)}]] instead of [{key_name(path)}]"
    if kind in _WANTED:
        return f"must be {_WANTED[kind]}, not {_told(detail['input'])}; correct it"
    return _value_refused(kind, detail)


def _value_refused(kind: str, detail: ErrorDetails) -> str:
    """Why a value of the right type is refused."""
    context = detail.get("ctx", {})
    told = _told(detail["input"])
    if kind in _REFUSED:
        words = {name: f"{value:g}" if isinstance(value, float) else str(value) for name, value in context.items()}
        return _REFUSED[kind].format_map({**words, "told": told}).replace("'", '"')
    if kind == "value_error":
        return f"is refused: {str(context.get('error', detail['msg'])).rstrip('.')}"
    message = detail["msg"].rstrip(".")
    return f"is {told} and refused: {message[:1].lower()}{message[1:]}"


def _missing(path: KeyPath, annotation: object) -> str:
    name = key_name(path)
    above = key_name(path[:-1])
    if len(path) > 1 and isinstance(path[-2], int):
        above = f"[{key_name(path[:-2])}]"
    inner = _plain(annotation)
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        return f"is missing; add a table [{name}]"
    if get_origin(inner) is tuple and (_is_model(get_args(inner)[0]) or get_origin(get_args(inner)[0]) is dict):
        return f"is missing; add at least one table [[{name}]]"
    return f"is missing; add it {f'to [{above}]' if above else 'above the first table'}"


def _path_in_data(data: object, within: KeyPath, loc: KeyPath) -> KeyPath:
    """The part of pydantic's location that stands in the data: tags of unions and of functions are left out."""
    value: Any = data
    for step in within:
        inner: Any = {}  # a table that was left out counts as an empty one
        if isinstance(value, Mapping):
            inner = value.get(step, {})
        elif isinstance(value, list) and isinstance(step, int):
            inner = value[step]
        value = inner
    path = within
    for place, step in enumerate(loc):
        inside_table = isinstance(value, Mapping) and step in value
        inside_list = isinstance(value, list) and isinstance(step, int) and step < len(value)
        if inside_table or inside_list:
            value = value[step]
            path = (*path, step)
        elif isinstance(value, Mapping) and isinstance(step, str) and place == len(loc) - 1:
            return (*path, step)  # a missing key
    return path


# --- what the model says about a place


def _keys_at(model: type[BaseModel], path: KeyPath) -> list[str]:
    found = _plain(_annotation_at(model, path))
    return list(found.model_fields) if _is_model(found) else []


def _annotation_at(model: type[BaseModel], path: KeyPath) -> Any:
    annotation: Any = model
    for step in path:
        annotation = _step_into(_plain(annotation), step)
    return annotation


def _step_into(annotation: Any, step: str | int) -> Any:
    if _is_model(annotation):
        field = annotation.model_fields.get(step)
        return None if field is None else field.annotation
    arguments = get_args(annotation)
    if isinstance(step, int):
        return arguments[0] if arguments else None
    return arguments[1] if len(arguments) == 2 else None


def _plain(annotation: Any) -> Any:
    """The annotation without `Annotated` and without "or None"."""
    while True:
        if get_origin(annotation) is typing.Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in {typing.Union, types.UnionType}:
            annotation = next((one for one in get_args(annotation) if one is not types.NoneType), None)
        else:
            return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


# --- words


def _told(value: object) -> str:
    """A value as the file's author would call it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value if len(value) <= 40 else value[:37] + "..."}"'
    if isinstance(value, (int, float)):
        return str(value) if abs(value) < 1e18 else "a huge number"
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return f"the date {value}"
    return next((words for kind, words in _CALLED.items() if isinstance(value, kind)), "this value")
