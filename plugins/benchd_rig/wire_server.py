"""One device's listening socket: one connection at a time, one message after the other, and the faults of its wire.

Its one job is bytes between a connection and a conversation (SCPI or Modbus); what a message means is the
conversation's. It listens on loopback only.
"""

import asyncio
import socket
import struct
from collections import deque
from typing import Protocol

from benchd_rig.message_log import MessageLog
from benchd_rig.wire_faults import WireFaults

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_GRACE_S = 0.005  # an asyncio client closes a moment after it says so: its next connection may arrive first
_MOST_UNSENT = 65536
_MOST_WAITING = 256
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # on, no linger: the client sees a reset, not an orderly end


class Conversation(Protocol):
    """One device's language on one wire. A new connection begins with `restart`."""

    def restart(self) -> None:
        """Forget the bytes of an earlier connection."""

    def feed(self, data: bytes) -> list[bytes]:
        """The messages complete with these bytes. Raises `ConnectionError` where the stream cannot be followed."""

    def ended(self) -> None:
        """The client has sent its last byte."""

    def interrupted(self) -> None:
        """A new message arrived before the reply to the one before was sent, and that reply is discarded."""

    def describe(self, message: bytes) -> str:
        """A message as text for the log."""

    def answer(self, message: bytes) -> bytes | None:
        """Act on a message; the reply, or None where there is none."""

    def garbage(self, message: bytes) -> bytes:
        """Bytes that are no reply to this message."""


class WireServer:
    """A device on a port. `start` and `close` may follow each other any number of times on the same port."""

    def __init__(
        self, *, device: str, conversation: Conversation, faults: WireFaults, host: str, port: int = 0
    ) -> None:
        if host not in LOOPBACK:
            raise ValueError(f"{device}: the simulated bench listens on loopback only, not on {host!r}; use 127.0.0.1.")
        self.device = device
        self.conversation = conversation
        self.faults = faults
        self.log = MessageLog()
        self.host = host
        self.port = port
        self.session: Session | None = None
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        """Listen. Raises `OSError` where the port is taken."""
        if self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: Session(self), self.host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Stop listening and cut the connection."""
        server, self._server = self._server, None
        if server is not None:
            server.close()
        if self.session is not None:
            self.session.cut()
        if server is not None:
            await server.wait_closed()


class Session(asyncio.Protocol):
    """One connection."""

    def __init__(self, server: WireServer) -> None:
        self._server = server
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._inbox: deque[bytes] = deque()
        self._early = bytearray()  # arrived before this connection was let in
        self._pending: asyncio.TimerHandle | None = None  # a reply on its way
        self._pending_may_be_discarded = False
        self._finished = False
        self._client_reads = True  # what was sent before has gone out

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let the connection in, or wait a moment for the one before to end."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101  (create_server makes nothing else)
        self._transport = transport
        transport.set_write_buffer_limits(high=_MOST_UNSENT)
        if self._server.session is None:
            self._admit()
        else:
            self._loop.call_later(_GRACE_S, self._admit)

    def data_received(self, data: bytes) -> None:
        """Collect bytes into messages and work on them in order."""
        if self._server.session is not self:
            self._early += data[:_MOST_UNSENT]
            return
        try:
            messages = self._server.conversation.feed(data)
        except ConnectionError:
            self.cut()
            return
        now = self._loop.time()
        for message in messages:
            self._server.log.add("message", self._server.conversation.describe(message), at_mono_s=now)
        if messages and self._pending is not None and self._pending_may_be_discarded:
            self._pending.cancel()
            self._pending = None
            self._server.conversation.interrupted()
        self._inbox.extend(messages)
        if len(self._inbox) > _MOST_WAITING:
            self.cut()  # the client asks and does not read
            return
        self._work()

    def eof_received(self) -> bool:
        """The client sends nothing more: what is complete is still answered, then the connection closes."""
        if self._server.session is self:
            self._server.conversation.ended()
        return False

    def connection_lost(self, error: Exception | None) -> None:
        """Free the device for the next connection."""
        del error
        self._finished = True
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
        if self._server.session is self:
            self._server.session = None
            self._server.log.add("closed", at_mono_s=self._loop.time())

    def pause_writing(self) -> None:
        """More waits to be sent than a client that reads would leave: answer nothing further until it has gone."""
        self._client_reads = False

    def resume_writing(self) -> None:
        """The client has read: go on with what has waited."""
        self._client_reads = True
        self._work()

    def cut(self) -> None:
        """Reset the connection."""
        self._inbox.clear()
        if self._transport is not None and not self._finished:
            wire: socket.socket = self._transport.get_extra_info("socket")
            wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
            self._transport.abort()

    def _admit(self) -> None:
        if self._finished or self._transport is None:
            return
        server = self._server
        if server.session is not None:
            server.log.add("turned_away", at_mono_s=self._loop.time())
            self._transport.close()
            return
        server.session = self
        server.log.add("connected", at_mono_s=self._loop.time())
        server.conversation.restart()
        if self._early:
            early, self._early = bytes(self._early), bytearray()
            self.data_received(early)

    def _work(self) -> None:
        while self._inbox and self._pending is None and self._client_reads and not self._finished:
            self._one(self._inbox.popleft())

    def _one(self, message: bytes) -> None:
        faults, conversation = self._server.faults, self._server.conversation
        if faults.strike("hang") is not None:
            return
        if faults.strike("drop") is not None:
            self.cut()
            return
        reply = conversation.answer(message)
        if reply is None:
            return
        if not faults.names():
            self._send(reply)
            return
        if faults.strike("garbage") is not None:
            reply = conversation.garbage(message)
        if faults.strike("truncated_reply") is not None:
            reply = reply[: len(reply) // 2]
        if faults.strike("duplicate_reply") is not None:
            reply += reply
        late = faults.strike("late_reply")
        slow = faults.strike("one_byte_at_a_time")
        if late is None and slow is None:
            self._send(reply)
            return
        self._pending_may_be_discarded = late is not None and late["keep_reply"] == 0
        delay_s = 0.0 if late is None else late["delay_s"]
        gap_s = None if slow is None else slow["gap_s"]
        self._pending = self._loop.call_later(delay_s, self._deliver, memoryview(reply), gap_s)

    def _deliver(self, reply: memoryview, gap_s: float | None) -> None:
        """Send a reply at once or byte by byte, then go on with what has waited."""
        self._pending = None
        if gap_s is None or len(reply) <= 1:
            self._send(reply)
            self._work()
            return
        self._send(reply[:1])
        self._pending_may_be_discarded = False
        self._pending = self._loop.call_later(gap_s, self._deliver, reply[1:], gap_s)

    def _send(self, data: bytes | memoryview) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        self._transport.write(data)
