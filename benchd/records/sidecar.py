"""The sidecar's lines: one for each message of the sample stream, each line with a checksum of its own. No I/O.

A line is `<kind> <offset> <length> <crc> <first row> <rows> <dropped> <crc of the line>`: bytes, CRC-32 in hexadecimal,
rows counted from the start of the run, and how many rows were dropped so far because the disk did not take them.
"""

import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.records.formats import SCHEMA, SIDECAR, check_schema

Kind = Literal["schema", "batch", "end"]

_LINE = re.compile(rb"(schema|batch|end) (\d+) (\d+) ([0-9a-f]{8}) (\d+) (\d+) (\d+)")
_KINDS: Mapping[bytes, Kind] = {b"schema": "schema", b"batch": "batch", b"end": "end"}
_HEADER = re.compile(rb"benchd-samples-crc schema (\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One message of the stream: where it lies, its CRC-32, and the rows it holds."""

    kind: Kind
    offset: int
    length: int
    crc: int
    first_row: int
    rows: int
    dropped: int

    @property
    def end(self) -> int:
        """The byte behind the message."""
        return self.offset + self.length


def _sealed(text: bytes) -> bytes:
    return text + b" %08x\n" % zlib.crc32(text)


def header() -> bytes:
    """The sidecar's first line."""
    return _sealed(b"benchd-samples-crc schema %d" % SCHEMA)


def line_of(piece: Piece) -> bytes:
    """The sidecar's line for one message."""
    return _sealed(
        b"%s %d %d %08x %d %d %d"
        % (
            piece.kind.encode(),
            piece.offset,
            piece.length,
            piece.crc,
            piece.first_row,
            piece.rows,
            piece.dropped,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SidecarContent:
    """The pieces whose lines are sound, in their order, and sentences about the lines that are not."""

    pieces: Sequence[Piece]
    damage: Sequence[str]


def parse(content: bytes) -> SidecarContent:
    """Read a sidecar; a damaged or torn line costs only itself. Raises `RecordsError` for a newer schema."""
    lines = content.split(b"\n")
    torn = lines.pop()
    damage: list[str] = []
    pieces: list[Piece] = []
    for number, raw in enumerate(lines, start=1):
        text = _opened(raw)
        if number == 1:
            found = _HEADER.fullmatch(text) if text is not None else None
            if found is None:
                damage.append(f"The first line of {SIDECAR} is damaged.")
            else:
                check_schema(int(found[1]), where=SIDECAR)
            continue
        piece = _piece(text) if text is not None else None
        if piece is None:
            damage.append(f"Line {number} of {SIDECAR} is damaged: the samples it vouches for are left out.")
        else:
            pieces.append(piece)
    if torn:
        damage.append(f"The last line of {SIDECAR} is torn: the samples it vouches for are left out.")
    elif not lines:
        damage.append(f"{SIDECAR} is empty: no sample has a checksum.")
    return SidecarContent(pieces=pieces, damage=damage)


def _opened(raw: bytes) -> bytes | None:
    """The text before a line's own checksum, None when that does not fit."""
    text, _, seal = raw.rpartition(b" ")
    return text if seal == b"%08x" % zlib.crc32(text) else None


def _piece(text: bytes) -> Piece | None:
    found = _LINE.fullmatch(text)
    if found is None:
        return None
    return Piece(
        kind=_KINDS[found[1]],
        offset=int(found[2]),
        length=int(found[3]),
        crc=int(found[4], 16),
        first_row=int(found[5]),
        rows=int(found[6]),
        dropped=int(found[7]),
    )
