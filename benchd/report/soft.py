"""Reads values that may be missing or of the wrong kind. It must never raise and never invent a value."""

from collections.abc import Mapping, Sequence
from typing import Any

ABSURD = 1e100  # beyond this nothing was measured, and sums of squares overflow


def table(value: object) -> Mapping[str, Any]:
    """The mapping, or an empty one."""
    return value if isinstance(value, Mapping) else {}


def rows(value: object) -> Sequence[Any]:
    """The list, or an empty one."""
    return value if isinstance(value, list | tuple) else ()


def tables(value: object) -> Sequence[Mapping[str, Any]]:
    """The mappings in the list."""
    return [one for one in rows(value) if isinstance(one, Mapping)]


def sentences(value: object) -> list[str]:
    """The texts in the list."""
    return [one for one in rows(value) if isinstance(one, str) and one.strip()]


def text(value: object, instead: str = "") -> str:
    """The text or number as text, else `instead`."""
    if isinstance(value, str):
        return value if value.strip() else instead
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    return instead


def number(value: object) -> float | None:
    """The finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        found = float(value)
    except OverflowError:
        return None
    return found if abs(found) < ABSURD else None


def whole(value: object) -> int | None:
    """The whole number, or None."""
    found = number(value)
    return int(found) if found is not None and found == int(found) else None
