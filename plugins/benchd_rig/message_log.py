"""What each device received and when, for tests that ask when a byte arrived.

Its one job is to remember the last entries with the monotonic clock of the machine. It never decides anything.
"""

from collections import deque
from dataclasses import dataclass
from typing import Literal

_LENGTH = 2000

What = Literal["connected", "turned_away", "closed", "message"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One event on a device's wire. A message's time is that of its last byte."""

    at_mono_s: float
    what: What
    text: str  # a SCPI message without its line feed, or a Modbus frame in hexadecimal


class MessageLog:
    """The last 2000 events of one device's wire."""

    def __init__(self) -> None:
        self._entries: deque[LogEntry] = deque(maxlen=_LENGTH)

    def add(self, what: What, text: str = "", *, at_mono_s: float) -> None:
        """Remember one event."""
        self._entries.append(LogEntry(at_mono_s=at_mono_s, what=what, text=text))

    def last(self, count: int) -> list[LogEntry]:
        """The newest `count` events, oldest of them first."""
        return list(self._entries)[-count:] if count > 0 else []
