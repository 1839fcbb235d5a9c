"""Numbers in registers: encoding, decoding and which registers go into one request. Pure; it reads no device.

Registers are 16-bit numbers, most significant byte first on the wire (Modbus Application Protocol V1.1b3, 4.2); the
order of the words of a 32-bit number is the maker's choice and stands in the map.
"""

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

NumberType = Literal["u16", "i16", "u32", "i32", "f32"]
WordOrder = Literal["high_first", "low_first"]
Table = Literal["holding", "input"]

LONGEST_READ = 125  # registers in one request, Modbus Application Protocol V1.1b3, 6.3
LONGEST_WRITE = 123  # 6.12
WORDS: Mapping[NumberType, int] = {"u16": 1, "i16": 1, "u32": 2, "i32": 2, "f32": 2}
_INTEGERS: Mapping[NumberType, tuple[int, int]] = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    "u32": (0, 0xFFFFFFFF),
    "i32": (-0x80000000, 0x7FFFFFFF),
}
_HIGHEST_F32 = 3.4028234663852886e38
_ROUNDING = 1e-9  # a bound that is a whole number but for binary fractions must not lose a step
_F32 = struct.Struct(">f")


def encode(raw: float, *, number_type: NumberType, word_order: WordOrder = "high_first") -> tuple[int, ...]:
    """The registers that carry `raw`. Raises `ValueError` for a number that the type cannot hold."""
    if number_type == "f32":
        if not abs(raw) <= _HIGHEST_F32:
            raise ValueError(f"{raw} does not fit f32")
        pattern = int.from_bytes(_F32.pack(raw), "big")
    else:
        low, high = _INTEGERS[number_type]
        if not low <= raw <= high or raw != int(raw):
            raise ValueError(f"{raw} does not fit {number_type}")
        pattern = int(raw)
    if WORDS[number_type] == 1:
        return (pattern & 0xFFFF,)
    words = ((pattern >> 16) & 0xFFFF, pattern & 0xFFFF)
    return words if word_order == "high_first" else words[::-1]


def decode(words: Sequence[int], *, number_type: NumberType, word_order: WordOrder = "high_first") -> float:
    """The number in one or two registers: an int for the integer types, a float for f32."""
    if len(words) == 1:
        pattern = words[0]
        return pattern - 0x10000 if number_type == "i16" and pattern & 0x8000 else pattern
    high, low = words if word_order == "high_first" else (words[1], words[0])
    pattern = high << 16 | low
    if number_type == "i32" and pattern & 0x80000000:
        return pattern - 0x100000000
    if number_type == "f32":
        return float(_F32.unpack(pattern.to_bytes(4, "big"))[0])
    return pattern


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedObject:
    """One object of a device and the registers that hold it: value = scale · raw, in `unit`."""

    name: str
    address: int
    table: Table
    number_type: NumberType
    word_order: WordOrder
    scale: float
    unit: str
    missing: int | None  # the raw number that stands for "no sensor"

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return WORDS[self.number_type]

    def encode(self, raw: float) -> tuple[int, ...]:
        """Its registers for a raw number. Raises `ValueError` when it does not fit."""
        return encode(raw, number_type=self.number_type, word_order=self.word_order)

    def nearest(self, value: float) -> float:
        """The raw number closest to `value`."""
        raw = value / self.scale
        return raw if self.number_type == "f32" else round(raw)

    def at_most(self, magnitude: float) -> float:
        """The greatest raw number that is no more than `magnitude`, which is not negative."""
        raw = magnitude / self.scale
        if self.number_type == "f32":
            return min(raw, _HIGHEST_F32)
        return min(math.floor(raw + _ROUNDING), _INTEGERS[self.number_type][1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Registers that go into one request, and the objects in them with their offsets."""

    table: Table
    address: int
    count: int
    places: tuple[tuple[MappedObject, int], ...]

    def decode(self, words: Sequence[int]) -> dict[str, float]:
        """Each object's raw number by name."""
        return {
            each.name: decode(words[at : at + each.words], number_type=each.number_type, word_order=each.word_order)
            for each, at in self.places
        }

    def encode(self, raw: Mapping[str, float]) -> list[int]:
        """The registers for these raw numbers, 0 in the gaps."""
        words = [0] * self.count
        for each, at in self.places:
            words[at : at + each.words] = each.encode(raw[each.name])
        return words


def spans(objects: Sequence[MappedObject], *, through_gaps: bool, longest: int) -> tuple[Span, ...]:
    """The fewest requests that cover these objects, in the order in which the objects are given.

    `through_gaps` says whether a request may run through registers that the map does not name.
    """
    groups: list[list[MappedObject]] = []
    for each in sorted(objects, key=lambda one: (one.table, one.address)):
        if groups:
            first, last = groups[-1][0], groups[-1][-1]
            adjacent = through_gaps or each.address == last.address + last.words
            fits = each.address + each.words - first.address <= longest
            if each.table == first.table and adjacent and fits:
                groups[-1].append(each)
                continue
        groups.append([each])
    groups.sort(key=lambda group: min(objects.index(each) for each in group))
    return tuple(
        Span(
            table=group[0].table,
            address=group[0].address,
            count=group[-1].address + group[-1].words - group[0].address,
            places=tuple((each, each.address - group[0].address) for each in group),
        )
        for group in groups
    )
