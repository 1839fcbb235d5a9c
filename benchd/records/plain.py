"""Turns values into JSON that every reader accepts, and back. It must never refuse a value that an event carries."""

import dataclasses
import enum
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from benchd.records.errors import RecordsError
from benchd.records.formats import check_schema

_DEEPEST = 32
_LONGEST_INTEGER_BITS = 1024  # longer ones do not fit the number type of other JSON readers


def plain(value: object, *, depth: int = 0) -> Any:
    """`value` as strings, finite numbers, booleans, None, lists and dicts with string keys.

    A number that JSON lacks becomes the string "NaN", "Infinity" or "-Infinity" (as in the JSON mapping of Protocol
    Buffers); enums become their values, dataclasses dicts, sets sorted lists; anything unknown becomes its text.
    """
    if value is None or isinstance(value, bool):
        return value
    for kinds, spell in _SPELLINGS:
        if isinstance(value, kinds):
            return spell(value)
    return _plain_container(value, depth=depth + 1) if depth < _DEEPEST else str(value)


def _plain_integer(value: int) -> int | str:
    return int(value) if value.bit_length() <= _LONGEST_INTEGER_BITS else hex(value)


def _plain_float(value: float) -> float | str:
    if math.isfinite(value):
        return float(value)
    if math.isnan(value):
        return "NaN"
    return "Infinity" if value > 0 else "-Infinity"


_SPELLINGS: Sequence[tuple[Any, Callable[[Any], Any]]] = (  # the first that fits; enums before what they derive from
    (enum.Flag, str),
    (enum.Enum, lambda value: plain(value.value)),
    (str, str),
    (int, _plain_integer),
    (float, _plain_float),
    (date, lambda value: value.isoformat()),  # and datetime
    ((bytes, bytearray), lambda value: value.hex()),
    (Path, str),
)


def _plain_container(value: object, *, depth: int) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name), depth=depth) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {_key(key): plain(inner, depth=depth) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner, depth=depth) for inner in value]
    if isinstance(value, set | frozenset):
        return sorted((plain(inner, depth=depth) for inner in value), key=repr)
    if hasattr(value, "tolist"):  # numpy arrays and scalars, without importing numpy here
        return plain(value.tolist(), depth=depth)
    return str(value)


def _key(key: object) -> str:
    made = plain(key)
    return made if isinstance(made, str) else json.dumps(made)


def line(value: object) -> bytes:
    """`value` as one line of UTF-8 JSON without the line's end."""
    made = plain(value)
    try:
        return json.dumps(made, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
    except UnicodeEncodeError:  # a lone surrogate, as in a file name that is not UTF-8
        return json.dumps(made, separators=(",", ":"), allow_nan=False).encode()


def canonical(value: object) -> bytes:
    """The one spelling of `value` that is hashed: keys sorted, no spaces, ASCII."""
    return json.dumps(plain(value), sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def page(value: object) -> bytes:
    """`value` as JSON for people: indented, one line's end at the end."""
    made = plain(value)
    try:
        return json.dumps(made, indent=2, ensure_ascii=False, allow_nan=False).encode() + b"\n"
    except UnicodeEncodeError:
        return json.dumps(made, indent=2, allow_nan=False).encode() + b"\n"


def read_page(path: Path) -> dict[str, Any]:
    """The object in a JSON file of a known schema; raises `RecordsError` when it is missing, damaged or newer."""
    try:
        found = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise RecordsError(f"{path} is missing: the folder is incomplete.") from None
    except OSError as error:
        raise RecordsError(f"{path} cannot be read ({error.strerror}): check the disk.") from error
    except ValueError:  # both a wrong byte and wrong JSON
        raise RecordsError(f"{path} is damaged and cannot be read as JSON: take it from a copy.") from None
    if not isinstance(found, dict):
        raise RecordsError(f"{path} is damaged: it holds no object; take it from a copy.")
    check_schema(found.get("schema"), where=str(path))
    return found
