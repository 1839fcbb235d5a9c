"""Writes and reads a run's events, one JSON object a line. It must never make the event loop wait for the disk.

`append` is for the event loop; `flush` and `close` are for an executor thread. Call `flush` at once after an event that
must survive (a trip, a state change), and at least every second.
"""

import json
import os
import threading
from collections import deque
from pathlib import Path
from typing import Any

from benchd.records.clock import ClockAnchor, utc_text
from benchd.records.durable import GrowingFile
from benchd.records.errors import RecordsError, cause_of
from benchd.records.formats import EVENTS, SCHEMA, check_schema
from benchd.records.plain import line
from benchd.records.run_folder import clock_of, read_description

_RESERVED = frozenset({"schema", "utc"})


class EventLog:
    """The events of one run. Everything up to the last `flush` that returned is on the disk."""

    def __init__(
        self, folder: str | os.PathLike[str], *, clock: ClockAnchor | None = None, pending_events: int = 10_000
    ) -> None:
        """Open the event file of a run folder; `clock` None takes the anchor from `run.json`. Raises `RecordsError`."""
        path = Path(folder)
        self._clock = clock or clock_of(read_description(path), where=str(path))
        self._waiting: deque[tuple[str, float, dict[str, Any]]] = deque()
        self._capacity = pending_events
        self._dropped = 0
        self._dropped_told = 0
        self._flushing = threading.Lock()
        self._closed = False
        self._file = GrowingFile(path / EVENTS)

    @property
    def events_pending(self) -> int:
        """Events in memory that are not yet on the disk."""
        return len(self._waiting)

    @property
    def events_dropped(self) -> int:
        """Events lost because the disk did not take them and the memory for waiting events was full."""
        return self._dropped

    def append(self, event: str, /, *, time_mono_s: float, **fields: object) -> None:
        """Take one event: no disk, no encoding, no waiting. Hand over values that nobody changes afterwards.

        Raises ValueError for a field that the log itself writes (`schema`, `utc`, `event`).
        """
        if not _RESERVED.isdisjoint(fields) or "event" in fields:
            raise ValueError("an event's fields must not be named schema, utc or event")
        if self._closed or len(self._waiting) >= self._capacity:
            self._dropped += 1
            return
        self._waiting.append((event, time_mono_s, fields))

    def flush(self) -> int:
        """Bring all waiting events to the disk and return how many; raises `RecordsError`, and they wait on."""
        with self._flushing:
            return self._write_waiting()

    def close(self) -> None:
        """Flush and close; legal twice. Raises `RecordsError`, closed all the same."""
        with self._flushing:
            try:
                self._write_waiting()
            finally:
                self._closed = True
                self._file.close()

    def _write_waiting(self) -> int:
        if self._closed:
            return 0
        taken = [
            self._waiting.popleft() for _ in range(len(self._waiting))
        ]  # those that arrive now are the next call's
        lines = [self._line(*event) for event in taken]
        dropped = self._dropped
        if dropped > self._dropped_told and taken:
            lines.append(self._line("events_dropped", taken[-1][1], {"count": dropped - self._dropped_told}))
        if not lines:
            return 0
        try:
            self._file.add(b"".join(lines))
        except OSError as error:
            self._waiting.extendleft(reversed(taken))
            raise RecordsError(
                f"{self._file.path} could not be written: {cause_of(error)}; {len(taken)} events wait in memory."
            ) from error
        self._dropped_told = dropped
        return len(taken)

    def _line(self, event: str, time_mono_s: float, fields: dict[str, Any]) -> bytes:
        try:
            utc = utc_text(self._clock.utc(time_mono_s))
        except (OverflowError, ValueError):  # a time that is no time; the event matters more
            utc = ""
        head = {"schema": SCHEMA, "time_mono_s": time_mono_s, "utc": utc, "event": event}
        try:
            return line({**head, **fields}) + b"\n"
        except Exception:  # noqa: BLE001 - a field's own code failed; the event must not be lost, nor those behind it
            return line({**head, "fields": "unreadable"}) + b"\n"


def read_events(folder: str | os.PathLike[str]) -> list[dict[str, Any]]:
    """All events that can be read, in order; damaged lines are passed over (see `check_events`).

    Raises `RecordsError` when the file is missing or an event has a newer schema.
    """
    return _read(Path(folder))[0]


def check_events(folder: str | os.PathLike[str]) -> list[str]:
    """One sentence for each line that cannot be read; raises `RecordsError` as `read_events`."""
    return _read(Path(folder))[1]


def _read(folder: Path) -> tuple[list[dict[str, Any]], list[str]]:
    path = folder / EVENTS
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise RecordsError(f"{path} cannot be read ({error.strerror}): there are no events.") from None
    torn = lines.pop()
    events: list[dict[str, Any]] = []
    damage: list[str] = []
    for number, raw in enumerate(lines, start=1):
        try:
            event = json.loads(raw)
        except (ValueError, RecursionError):
            event = None
        if not isinstance(event, dict) or "event" not in event:
            damage.append(f"Line {number} of {EVENTS} is damaged and left out.")
            continue
        check_schema(event.get("schema"), where=f"Line {number} of {path}")
        events.append(event)
    if torn:
        damage.append(f"The last line of {EVENTS} is torn and left out.")
    return events, damage
