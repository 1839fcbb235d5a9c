"""Composes and parses SCPI program and response messages.

Text and bytes only: this file must never open, wait, or know which instrument it talks to. Whatever cannot be
understood raises `Garbled`; nothing is guessed.

Sources: IEEE 488.2 (message syntax, numeric response data), SCPI-99 volume 1 (headers, infinities, error queue).
"""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

POSITIVE_OVERLOAD = 9.9e37  # SCPI-99 volume 1, 7.2.1.4: INFinity
NEGATIVE_OVERLOAD = -9.9e37  # NINFinity
NOT_A_NUMBER = 9.91e37  # 7.2.1.5: NAN

_LARGEST = 9.9e37  # SCPI-99 allows no larger magnitude for a number
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]+)?", re.ASCII)
_ERROR_ENTRY = re.compile(r'([+-]?[0-9]+),"((?:[^"]|"")*)"', re.ASCII)


class Garbled(ValueError):
    """A response message that is not what its query asks for; the text says what was expected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorEntry:
    """One entry of an instrument's error queue; number 0 is an empty queue."""

    number: int
    words: str

    def __str__(self) -> str:
        kind = error_kind(self.number)
        return f'{kind} {self.number}, "{self.words}"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A query whose answer proves that something was set."""

    query: str
    wanted: str  # for people
    holds: Callable[[str], bool]  # raises `Garbled`
    fault: bool = False  # a failed check is a fault of the device, not of the message


def compose(*units: str) -> bytes:
    """One program message of several units, each header from the root, ended by a line feed.

    A unit after `;` starts at the last one's place in the header tree (IEEE 488.2, A.1.1; SCPI-99 volume 1, 6.2.4), so
    every one but the first and the common commands gets a leading colon.
    """
    first, *rest = units
    joined = [first, *(unit if unit.startswith(("*", ":")) else f":{unit}" for unit in rest)]
    return (";".join(joined) + "\n").encode("ascii")


def decimal(value: float) -> str:
    """A finite number as decimal numeric program data (NRf), nine significant digits."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent as a number")
    return f"{value:.9g}"


def text_of(reply: bytes) -> str:
    """The response message without its line end. Raises `Garbled` where it is not printable ASCII."""
    text = reply.removesuffix(b"\n").removesuffix(b"\r")
    try:
        decoded = text.decode("ascii")
    except UnicodeDecodeError:
        decoded = ""
    if not decoded.isprintable() or (text and not decoded):
        raise Garbled("expected printable ASCII")
    return decoded


def parts_of(text: str, count: int) -> list[str]:
    """The `count` response units of a response message. Raises `Garbled` for any other count.

    The last unit may hold semicolons of its own (arbitrary ASCII, as of *IDN?, must come last: IEEE 488.2, 8.7.11).
    """
    parts = text.split(";", count - 1)
    if len(parts) != count or any(not part.strip() for part in parts):
        raise Garbled(f"expected {count} answers, got {sum(bool(part.strip()) for part in parts)}")
    return parts


def number(text: str) -> float:
    """A finite number. Raises `Garbled` for anything else, overload and "not a number" included."""
    value = number_or_special(text)
    if not math.isfinite(value):
        raise Garbled(f"expected a number, got {text!r}, which stands for overload or not a number")
    return value


def number_or_special(text: str) -> float:
    """A number, or plus or minus infinity for an overload, or NaN for "not a number". Raises `Garbled`."""
    stripped = text.strip()
    if not _NUMBER.fullmatch(stripped):
        raise Garbled(f"expected a number, got {text!r}")
    value = float(stripped)
    if abs(value) < _LARGEST:
        return value
    if value == NOT_A_NUMBER:
        return math.nan
    if abs(value) == _LARGEST:
        return math.copysign(math.inf, value)
    raise Garbled(f"expected a number, got {text!r}, which is beyond what SCPI allows")


def flag(text: str) -> bool:
    """A boolean: 1, 0, ON or OFF. Raises `Garbled`."""
    match text.strip().upper():
        case "1" | "ON":
            return True
        case "0" | "OFF":
            return False
        case _:
            raise Garbled(f"expected 0 or 1, got {text!r}")


def same_keyword(text: str, keyword: str) -> bool:
    """Whether a character response is this keyword (such as VOLTage) in its short or long form."""
    short = "".join(letter for letter in keyword if not letter.islower())
    return text.strip().upper() in {short.upper(), keyword.upper()}


def two_numbers_two_flags(text: str) -> tuple[float, float, bool, bool]:
    """What a look at a supply or sink answers. Raises `Garbled`."""
    first, second, third, fourth = parts_of(text, 4)
    return number(first), number(second), flag(third), flag(fourth)


def three_numbers_one_flag(text: str) -> tuple[float, float, float, bool]:
    """What a supply answers about its settings. Raises `Garbled`."""
    first, second, third, fourth = parts_of(text, 4)
    return number(first), number(second), number(third), flag(fourth)


def two_numbers_flag_keyword(text: str) -> tuple[float, float, bool, str]:
    """What a sink answers about its settings. Raises `Garbled`."""
    first, second, third, fourth = parts_of(text, 4)
    return number(first), number(second), flag(third), fourth


def error_entry(text: str) -> ErrorEntry:
    """An answer to SYSTem:ERRor?, such as -222,"Data out of range". Raises `Garbled`."""
    found = _ERROR_ENTRY.fullmatch(text.strip())
    if not found:
        raise Garbled(f"expected an error number and words, got {text!r}")
    return ErrorEntry(number=int(found[1]), words=found[2].replace('""', '"'))


def error_kind(number: int) -> str:
    """The class of an error number (SCPI-99 volume 2, 21.8)."""
    if number == 0:
        return "no error"
    classes = {-1: "command error", -2: "execution error", -3: "device error", -4: "query error"}
    return classes.get(-(-number // 100), "device error")


def identity_fits(expected: str, answer: str) -> bool:
    """Whether an answer to *IDN? starts with the expected fields (manufacturer, model, serial number).

    Whole fields are compared: model QS80 is not model QS80-60.
    """
    wanted = [field.strip() for field in expected.split(",")]
    got = [field.strip() for field in answer.split(",")]
    return got[: len(wanted)] == wanted


def is_number(query: str, value: float, *, within: float, unit: str) -> Check:
    """The query's answer is `value`, give or take the device's resolution."""
    bound = within * 1.000001  # the last binary digit of a decimal number must not fail a device that is right

    def holds(text: str) -> bool:
        return abs(number(text) - value) <= bound

    return Check(query=query, wanted=f"{value:g} {unit}", holds=holds)


def is_flag(query: str, value: bool, *, fault: bool = False) -> Check:  # noqa: FBT001 - the value that is wanted
    """The query's answer is this boolean."""

    def holds(text: str) -> bool:
        return flag(text) is value

    return Check(query=query, wanted=str(int(value)), holds=holds, fault=fault)


def is_keyword(query: str, keyword: str) -> Check:
    """The query's answer is this keyword in its short or long form."""

    def holds(text: str) -> bool:
        return same_keyword(text, keyword)

    return Check(query=query, wanted=keyword.upper(), holds=holds)


def failed_checks(checks: Sequence[Check], parts: Sequence[str]) -> list[tuple[Check, str]]:
    """The checks that do not hold, each with its answer. Raises `Garbled`."""
    return [(check, part) for check, part in zip(checks, parts, strict=True) if not check.holds(part)]
