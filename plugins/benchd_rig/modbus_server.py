"""A Modbus TCP device's side of a socket: frames in, frames out.

Its one job is the frame around a request and what a faulty wire makes of it; what a request does is the data model's.
Frames for another unit are not answered, as behind a serial line.
"""

from collections.abc import Callable

from benchd_rig.modbus_codec import (
    WRITES,
    DataModel,
    Frame,
    FramingLost,
    answer,
    echo_of_write,
    exception_reply,
    take_frames,
)
from benchd_rig.wire_faults import WireFaults

UNIT = 1


class ModbusConversation:
    """One device on one wire. `before_request` brings the plant up to date and feeds a watchdog."""

    def __init__(self, *, model: DataModel, faults: WireFaults, before_request: Callable[[], None]) -> None:
        self._model = model
        self._faults = faults
        self._before_request = before_request
        self._buffer = bytearray()
        self._stuck: dict[bytes, bytes] = {}

    def restart(self) -> None:
        """Forget the bytes of an earlier connection."""
        self._buffer.clear()

    def feed(self, data: bytes) -> list[bytes]:
        """The frames complete with these bytes. Raises `ConnectionError` for what is no Modbus TCP."""
        self._buffer += data
        try:
            return [frame.encode() for frame in take_frames(self._buffer)]
        except FramingLost as lost:
            raise ConnectionError(str(lost)) from lost

    def ended(self) -> None:
        """Half a frame is no request."""
        self._buffer.clear()

    def interrupted(self) -> None:
        """Modbus has no such error: the reply is only discarded."""

    def describe(self, message: bytes) -> str:
        """The frame in hexadecimal."""
        return message.hex(" ")

    def answer(self, message: bytes) -> bytes | None:
        """The reply frame, None for another unit."""
        frame = next(take_frames(bytearray(message)))
        if frame.unit != UNIT:
            return None
        self._before_request()
        transaction, pdu = frame.transaction, frame.pdu
        if self._faults.names():
            reply = self._reply_with_faults(pdu)
            if self._faults.strike("wrong_transaction") is not None:
                transaction = (transaction - 1) & 0xFFFF
        else:
            reply = answer(pdu, self._model)
        return Frame(transaction=transaction, unit=frame.unit, pdu=reply).encode()

    def garbage(self, message: bytes) -> bytes:
        """A frame in good order around a function that nobody asked for."""
        frame = next(take_frames(bytearray(message)))
        return Frame(transaction=frame.transaction, unit=frame.unit, pdu=b"\x2b\xde\xad\xbe\xef").encode()

    def _reply_with_faults(self, pdu: bytes) -> bytes:
        faults = self._faults
        if not faults.is_on("stuck_value"):
            self._stuck.clear()
        elif pdu in self._stuck:
            return self._stuck[pdu]
        if pdu[0] in WRITES:
            refusal = faults.strike("says_no")
            if refusal is not None:
                return exception_reply(pdu[0], int(refusal["code"]) & 0xFF)
            if faults.strike("ignore_writes") is not None:
                return echo_of_write(pdu)
            return answer(pdu, self._model)
        reply = answer(pdu, self._model)
        if faults.is_on("stuck_value"):
            self._stuck[pdu] = reply
        return reply
