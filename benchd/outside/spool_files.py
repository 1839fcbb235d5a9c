"""The spool's files: numbered messages in segments, and how far the broker has taken them.

Blocking calls, for one thread: it must never be called from the event loop.

`<number of its first message>.spool` holds a line a message: CRC-32 of the rest in hexadecimal, number, JSON of topic,
id and payload. `cursor` holds the number of the last message that was taken. A line whose sum is wrong (torn by a kill,
or damaged) is left out.
"""

import contextlib
import json
import os
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

SEGMENTS = 8  # how many make up the whole bound: one of them is what goes at a time


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kept:
    """One message on its way. `number` is 0 for one that is in memory only."""

    number: int
    topic: str
    id: str
    payload: bytes


@dataclass(slots=True, kw_only=True)
class _Segment:
    path: Path
    last: int  # number of its last message
    size: int


class SpoolFiles:
    """The files of one spool; nothing is touched before `open`."""

    def __init__(self, directory: Path, *, at_most_bytes: int) -> None:
        self.last = 0  # the greatest number on the disk or taken
        self._directory = directory
        self._at_most_bytes = at_most_bytes
        self._segments: list[_Segment] = []
        self._handle = -1
        self._cursor = 0
        self._cursor_handle = -1
        self._place = (Path(), 0, 0)  # of the line read last: its segment, number, end

    def open(self) -> tuple[int, int]:
        """Find what an earlier life left: the number taken last, and how many messages are still to be sent.

        Raises OSError where the directory cannot be written.
        """
        self.close()
        self._directory.mkdir(parents=True, exist_ok=True)
        self._open_cursor()
        self._cursor = _cursor_in(os.pread(self._cursor_handle, 64, 0))
        self._segments = []
        self.last = self._cursor
        waiting = 0
        for path in sorted(self._directory.glob("*.spool")):
            end = last = 0
            for number, _, line_end in _lines(path):
                end, last = line_end, number
                waiting += number > self._cursor
            self._segments.append(_Segment(path=path, last=last, size=end))
            self.last = max(self.last, last)
        self._remove_taken()
        if self._segments:
            self._append_to(self._segments[-1])
        return self._cursor, waiting

    def write(self, messages: Sequence[Kept], *, spared_to: int) -> int:
        """Append and bring to the disk; how many older ones had to go for it, those up to `spared_to` not counted.

        Raises OSError with none of them added. Messages that are on the disk already are left out.
        """
        new = [one for one in messages if one.number > self.last]
        if not new:
            return 0
        content = b"".join(_line(one) for one in new)
        gone = self._make_room(len(content), spared_to=spared_to)
        if (
            self._handle < 0
            or os.fstat(self._handle).st_nlink == 0  # somebody removed the file
            or self._segments[-1].size + len(content) > self._at_most_bytes // SEGMENTS
        ):
            self._begin(new[0].number)
        segment = self._segments[-1]
        try:
            _write_at(self._handle, content, segment.size)
            os.fdatasync(self._handle)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, segment.size)
            raise
        segment.size += len(content)
        segment.last = self.last = new[-1].number
        return gone

    def taken(self, number: int) -> None:
        """The broker has everything up to `number`. Raises OSError.

        Not synchronised: a killed daemon loses nothing by it, and a loss of power only makes the last ones go twice.
        """
        if number <= self._cursor:
            return
        if self._cursor_handle < 0 or os.fstat(self._cursor_handle).st_nlink == 0:
            self._open_cursor()
        _write_at(self._cursor_handle, _cursor_text(number), 0)
        self._cursor = number
        self._remove_taken()

    def read_after(self, number: int, *, at_most: int, at_most_bytes: int) -> list[Kept]:
        """The next messages after `number`, in order, at least one if there is one. Raises OSError."""
        found: list[Kept] = []
        size = 0
        for segment in self._segments:
            if segment.last <= number:
                continue
            path, place_number, place = self._place
            start = place if path == segment.path and place_number == number else 0
            for line_number, content, end in _lines(segment.path, start=start, end=segment.size):
                if line_number <= number:
                    continue
                size += len(content)
                if found and (len(found) >= at_most or size > at_most_bytes):
                    return found
                self._place = (segment.path, line_number, end)
                with contextlib.suppress(ValueError, TypeError):
                    topic, id_, text = json.loads(content)
                    payload = text.encode("utf-8", "surrogateescape")
                    found.append(Kept(number=line_number, topic=topic, id=id_, payload=payload))
        return found

    def close(self) -> None:
        """Let go of the files; legal twice."""
        for handle in (self._handle, self._cursor_handle):
            if handle >= 0:
                os.close(handle)
        self._handle = self._cursor_handle = -1

    def _open_cursor(self) -> None:
        self._directory.mkdir(parents=True, exist_ok=True)
        handle = os.open(self._directory / "cursor", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        if self._cursor_handle >= 0:
            os.close(self._cursor_handle)
        self._cursor_handle = handle

    def _begin(self, number: int) -> None:
        path = self._directory / f"{number:020d}.spool"
        self._directory.mkdir(parents=True, exist_ok=True)
        self._append_to(_Segment(path=path, last=number - 1, size=0))
        handle = os.open(self._directory, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def _append_to(self, segment: _Segment) -> None:
        handle = os.open(segment.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        if self._handle >= 0:
            os.close(self._handle)
        self._handle = handle
        if segment not in self._segments:
            self._segments.append(segment)
        os.ftruncate(handle, segment.size)  # whatever was torn

    def _make_room(self, size: int, *, spared_to: int) -> int:
        gone = 0
        while len(self._segments) > 1 and sum(one.size for one in self._segments) + size > self._at_most_bytes:
            oldest = self._segments.pop(0)
            after = max(self._cursor, spared_to)
            if oldest.last > after:
                with contextlib.suppress(OSError):
                    gone += sum(number > after for number, _, _ in _lines(oldest.path, end=oldest.size))
            oldest.path.unlink(missing_ok=True)
        return gone

    def _remove_taken(self) -> None:
        while self._segments and self._segments[0].last <= self._cursor:
            if len(self._segments) == 1 and self._handle >= 0:
                os.close(self._handle)
                self._handle = -1
            self._segments.pop(0).path.unlink(missing_ok=True)


def _lines(path: Path, *, start: int = 0, end: int | None = None) -> Iterator[tuple[int, bytes, int]]:
    """Number, JSON and end in the file of each sound line, in rising order."""
    at, last = start, 0
    with path.open("rb") as file:
        file.seek(start)
        for line in file:
            at += len(line)
            if end is not None and at > end:
                return
            sum_, _, rest = line.rstrip(b"\n").partition(b" ")
            number, _, content = rest.partition(b" ")
            if not line.endswith(b"\n") or sum_ != b"%08x" % zlib.crc32(rest) or not number.isdigit():
                continue
            if int(number) > last:
                last = int(number)
                yield last, content, at


def _line(message: Kept) -> bytes:
    text = message.payload.decode("utf-8", "surrogateescape")
    rest = b"%d %s" % (message.number, json.dumps([message.topic, message.id, text]).encode())
    return b"%08x %s\n" % (zlib.crc32(rest), rest)


def _cursor_text(number: int) -> bytes:
    digits = b"%020d" % number
    return b"%s %08x\n" % (digits, zlib.crc32(digits))


def _cursor_in(content: bytes) -> int:
    """0 where it cannot be told: then everything on the disk goes once more."""
    digits = content[:20]
    return int(digits) if digits.isdigit() and content == _cursor_text(int(digits)) else 0


def _write_at(handle: int, content: bytes, at: int) -> None:
    rest = memoryview(content)
    while rest:
        written = os.pwrite(handle, rest, at)
        rest = rest[written:]
        at += written
