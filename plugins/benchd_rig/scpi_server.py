"""A SCPI instrument's side of a raw socket: lines in, lines and blocks out.

Its one job is where a programme message ends and what a faulty wire makes of it; what a message does is the
instrument's. Lines end with a line feed in both directions; a carriage return before it is taken as white space.
A reply may hold a block of bytes, and line feeds in it: its header says how long it is.
"""

from collections.abc import Callable

from benchd_rig.scpi_instrument import Reply, ScpiInstrument
from benchd_rig.wire_faults import WireFaults

LONGEST_LINE = 4096
_GARBAGE = b"\x7f?#\x01kq0;;9.9.9\n"


class ScpiConversation:
    """One instrument on one wire. `advance` brings the plant up to date before anything acts."""

    def __init__(self, *, instrument: ScpiInstrument, faults: WireFaults, advance: Callable[[], None]) -> None:
        self._instrument = instrument
        self._faults = faults
        self._advance = advance
        self._buffer = bytearray()
        self._overrun = False
        self._stuck: dict[bytes, bytes | None] = {}

    def restart(self) -> None:
        """Forget the bytes of an earlier connection; errors and status stay."""
        self._buffer.clear()
        self._overrun = False

    def feed(self, data: bytes) -> list[bytes]:
        """The lines complete with these bytes; a line beyond 4096 bytes is dropped (-363)."""
        self._buffer += data
        *lines, rest = bytes(self._buffer).split(b"\n")
        self._buffer[:] = rest
        messages: list[bytes] = []
        for line in lines:
            if self._overrun:
                self._overrun = False  # the end of a line already dropped
            elif len(line) > LONGEST_LINE:
                self._instrument.error(-363)
            elif line.strip():
                messages.append(line)
        if len(self._buffer) > LONGEST_LINE:
            self._buffer.clear()
            if not self._overrun:
                self._overrun = True
                self._instrument.error(-363)
        return messages

    def ended(self) -> None:
        """A client that stops in the middle of a message waits for a reply it has not asked for (-420)."""
        if self._buffer.strip():
            self._instrument.error(-420)
        self._buffer.clear()

    def interrupted(self) -> None:
        """The reply before was not read (-410)."""
        self._instrument.error(-410)

    def describe(self, message: bytes) -> str:
        """The line as text."""
        return message.decode("ascii", "backslashreplace").strip()

    def answer(self, message: bytes) -> bytes | None:
        """The response line with its line feed."""
        self._advance()
        text = message.decode("latin-1").strip()
        if self._faults.names():
            return self._answer_with_faults(message, text)
        return _ended(self._instrument.execute(text))

    def garbage(self, message: bytes) -> bytes:
        """A line that is no number."""
        del message
        return _GARBAGE

    def _answer_with_faults(self, message: bytes, text: str) -> bytes | None:
        faults = self._faults
        writes = any("?" not in unit for unit in text.split(";"))
        if not faults.is_on("stuck_value"):
            self._stuck.clear()
        elif not writes and message in self._stuck:
            return self._stuck[message]
        refuses = writes and faults.strike("says_no") is not None
        ignores = writes and faults.strike("ignore_writes") is not None
        answer = _ended(self._instrument.execute(text, refuse_writes=refuses, ignore_writes=ignores))
        if faults.is_on("stuck_value") and not writes:
            self._stuck[message] = answer
        return answer


def _ended(reply: Reply | None) -> bytes | None:
    """A response message with its line feed."""
    if reply is None:
        return None
    return (reply if isinstance(reply, bytes) else reply.encode("ascii")) + b"\n"
