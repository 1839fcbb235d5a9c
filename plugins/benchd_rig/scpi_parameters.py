"""SCPI programme data: text to numbers, switches, choices and channel lists, and numbers to text.

Its one job is one parameter at a time; headers, errors kept and messages are the instrument's. Pure.

Source: IEEE 488.2 clause 7.7, SCPI-99 volume 1 clauses 7 and 8.3.2, volume 2 clause 21.8 (error numbers).
"""

import math
import re
from collections.abc import Sequence

POSITIVE_OVERLOAD = "9.9E37"
NEGATIVE_OVERLOAD = "-9.9E37"
NOT_A_NUMBER = "9.91E37"

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)")
_PREFIXES = {"": 1.0, "M": 1e-3, "K": 1e3}
_CHANNELS = re.compile(r"\(\s*@\s*([0-9:,\s]+)\)")
_LONGEST_LIST = 64

ERROR_TEXTS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}


class ScpiRefusal(Exception):
    """A command that the instrument does not carry out, by its SCPI-99 error number."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(f"{number},{ERROR_TEXTS[number]}{';' if detail else ''}{detail}")
        self.number = number
        self.detail = detail


def number(text: str, *, unit: str, low: float, high: float, default: float) -> float:
    """A number within [low, high], with or without unit (V, mV, kV), or MINimum, MAXimum, DEFault.

    Raises `ScpiRefusal`: -104 for no number, -131 for a foreign unit, -222 outside the range.
    """
    word = text.upper()
    if word in {"MIN", "MINIMUM"}:
        return low
    if word in {"MAX", "MAXIMUM"}:
        return high
    if word in {"DEF", "DEFAULT"}:
        return default
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiRefusal(-104)
    suffix = match[2].upper()
    if suffix and not (unit and suffix.endswith(unit)):
        raise ScpiRefusal(-131)
    factor = _PREFIXES.get(suffix.removesuffix(unit))
    if factor is None:
        raise ScpiRefusal(-131)
    value = float(match[1]) * factor
    if not (math.isfinite(value) and low <= value <= high):
        raise ScpiRefusal(-222)
    return value


def switch(text: str) -> bool:
    """ON, OFF or a number, on when it rounds to anything but 0 (SCPI-99 volume 1, 7.3)."""
    word = text.upper()
    if word in {"ON", "OFF"}:
        return word == "ON"
    match = _NUMBER.fullmatch(text)
    if match is None or match[2]:
        raise ScpiRefusal(-104)
    value = float(match[1])
    return not math.isfinite(value) or round(value) != 0


def short_form(mnemonic: str) -> str:
    """The short form of a mnemonic written with its short form in capitals."""
    return "".join(letter for letter in mnemonic if not letter.islower())


def choice(text: str, mnemonics: Sequence[str]) -> str:
    """The mnemonic meant, in either form and case. Raises `ScpiRefusal` -224 for any other word."""
    word = text.upper()
    for mnemonic in mnemonics:
        if word in {mnemonic.upper(), short_form(mnemonic)}:
            return mnemonic
    raise ScpiRefusal(-224)


def channel_list(text: str, *, first: int, last: int) -> tuple[int, ...]:
    """The channels of `(@1,2,5)` or `(@1:3)`, in the order asked.

    Raises `ScpiRefusal`: -104 for no channel list, -224 for a channel the instrument does not have.
    """
    match = _CHANNELS.fullmatch(text)
    if match is None:
        raise ScpiRefusal(-104)
    found: list[int] = []
    for part in match[1].split(","):
        ends = [end.strip() for end in part.split(":")]
        if len(ends) > 2 or not all(end.isdecimal() for end in ends):
            raise ScpiRefusal(-104)
        low, high = int(ends[0]), int(ends[-1])
        if not (first <= low <= last and first <= high <= last):
            raise ScpiRefusal(-224)
        found.extend(range(low, high + 1) if low <= high else range(low, high - 1, -1))
    if len(found) > _LONGEST_LIST:
        raise ScpiRefusal(-224)
    return tuple(found)


def definite_block(data: bytes, *, announced: int | None = None) -> bytes:
    """Binary data with its length before it, `#<digits><length><data>` (IEEE 488.2, 8.7.9); empty is `#10`.

    For tests, a length can be announced that is not the data's.
    """
    length = str(len(data) if announced is None else announced)
    return f"#{len(length)}{length}".encode() + data


def fixed(value: float, *, decimals: int) -> str:
    """A number with the instrument's resolution, never a negative zero."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def measured(value: float) -> str:
    """A measured value with seven digits; SCPI's numbers for overload and for not a number."""
    if math.isnan(value):
        return NOT_A_NUMBER
    if math.isinf(value):
        return POSITIVE_OVERLOAD if value > 0 else NEGATIVE_OVERLOAD
    return f"{value:.6E}"
