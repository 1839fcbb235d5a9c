"""One pyvisa-py socket session in one thread, which can be given up at any moment without waiting for it.

It must never open a second connection, ask anything twice or understand what it carries. A connection whose exchange
did not end well is dropped on the spot and never used again: the next one is a new `Connection`.

pyvisa-py's session class is used without pyvisa's resource manager: version 0.8.1 keeps every session it ever opened in
a table, which grows with each reconnection, and costs half as much time again for each query.
"""

import asyncio
import contextlib
import queue
import select
import socket
import threading
import time
from collections.abc import Callable, Generator
from functools import partial
from typing import Any, TypeVar

from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_py.tcpip import TCPIPSocketSession

from benchd.contract import DriverError, LinkLost, ReplyWrong
from benchd_scpi.message import Garbled

T = TypeVar("T")
LONGEST_REPLY = 4096  # bytes; pyvisa-py's chunk
PARTS_SHARE = 0.9  # of the reply time: the thread notices a block that breaks off before its caller gives up

Parts = Generator[int, bytes, T]  # yields how many bytes it needs next, is sent exactly these, returns the answer


class _LoudSocket(socket.socket):
    """A socket that raises when the peer has closed; pyvisa-py would turn in circles until its timeout."""

    def recv(self, size: int, flags: int = 0) -> bytes:
        data = super().recv(size, flags)
        if not data:
            raise ConnectionResetError("the device closed the connection")
        return data


class Connection:
    """One TCP connection to an instrument. Its thread ends with it, also where it is stuck in a call."""

    def __init__(self, *, device: str, host: str, port: int, reply_time_s: float) -> None:
        self._device = device  # for people: "supply at 10.0.0.5:5025"
        self._host = host
        self._port = port
        self._reply_time_s = reply_time_s
        self._loop = asyncio.get_running_loop()
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._waiting: set[asyncio.Future[Any]] = set()
        self._dropped = False
        self._session: Any = None
        self._socket: socket.socket | None = None
        # A daemon thread: concurrent.futures would join a stuck one when the interpreter ends.
        threading.Thread(target=self._work, name=f"scpi {host}:{port}", daemon=True).start()

    @property
    def usable(self) -> bool:
        """Whether an exchange may be tried: not dropped."""
        return not self._dropped

    @property
    def busy(self) -> bool:
        """Whether a call is waiting for the thread."""
        return bool(self._waiting)

    async def open(self) -> None:
        """Connect within the reply time. Raises `LinkLost`; then nothing stays open."""
        await self._bounded(self._connect, "did not accept a connection")

    async def exchange(self, message: bytes) -> tuple[bytes, float]:
        """Send one message, return its one line of reply and the loop's time at the middle of the exchange.

        Raises `LinkLost` when nothing complete came within the reply time, `ReplyWrong` when more came than one line.
        Whatever it raises, cancellation included, the connection is dropped.
        """
        asked_loop_s, asked_s = self._loop.time(), time.monotonic()
        problem = f"did not answer {message.decode('ascii').strip()!r}"
        reply, middle_s = await self._bounded(partial(self._write_and_read, message), problem)
        return reply, asked_loop_s + (middle_s - asked_s)

    async def exchange_parts(self, message: bytes, parts: Callable[[], Parts[T]]) -> tuple[T, float]:
        """Send one message, read the parts that its answer consists of, return what they say and when the last came.

        For answers that hold binary data: each part is read to exactly its length, without looking at its bytes. Raises
        as `exchange`, `ReplyWrong` also where an answer breaks off, and what `parts` raises; then the connection is
        dropped.
        """
        asked_loop_s, asked_s = self._loop.time(), time.monotonic()
        problem = f"did not answer {message.decode('ascii').strip()!r}"
        answer, came_s = await self._bounded(partial(self._write_and_read_parts, message, parts), problem)
        return answer, asked_loop_s + (came_s - asked_s)

    def push(self, message: bytes) -> None:
        """Put a message on the wire beside a call that is under way, without waiting for anything.

        Only for a connection that is dropped next: the answer, if one comes, goes to nobody.
        """
        if self._socket is not None and not self._dropped:
            with contextlib.suppress(OSError):
                self._socket.send(message, socket.MSG_DONTWAIT)

    def drop(self, why: str = "its connection was given up") -> None:
        """Close at once, from outside, and let go of the thread; idempotent.

        The peer sees the end immediately. A call under way raises `LinkLost` for whoever waits for it; what the thread
        itself runs into goes to nobody.
        """
        if self._dropped:
            return
        self._dropped = True
        if self._socket is not None:
            with contextlib.suppress(OSError):  # not connected any more
                # Not close(), which is left to the thread: the number of a closed socket may be given to the next one
                # while the thread still uses it, and a thread in select() keeps a closed socket open towards the peer.
                self._socket.shutdown(socket.SHUT_RDWR)
        self._jobs.put(None)
        for future in self._waiting:
            if not future.done():
                _settle(future, None, LinkLost(f"The {self._device} is not waited for any more: {why}."))

    async def _bounded(self, work: Callable[[], T], problem: str) -> T:
        if self._dropped:
            raise LinkLost(f"The {self._device} has no usable connection: it must be opened anew.")
        future: asyncio.Future[T] = self._loop.create_future()
        self._waiting.add(future)
        try:
            self._jobs.put(partial(self._do, future, work))
            async with asyncio.timeout(self._reply_time_s):
                return await future
        except BaseException as error:
            self.drop()
            if isinstance(error, DriverError | Garbled) or not isinstance(error, Exception):
                raise
            cause = f"within {self._reply_time_s:g} s" if isinstance(error, TimeoutError) else f"({error})"
            raise LinkLost(f"The {self._device} {problem} {cause}: check its power, cable and address.") from error
        finally:
            self._waiting.discard(future)

    # From here on: in the thread.

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
            del job
        if self._session is not None:
            self._session.close()

    def _do(self, future: asyncio.Future[T], work: Callable[[], T]) -> None:
        result, error = None, None
        if self._dropped:
            return
        try:
            result = work()
        except Exception as failure:  # noqa: BLE001 - pyvisa-py raises bare Exception, and nobody else would hear of it
            error = failure
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
            self._loop.call_soon_threadsafe(_settle, future, result, error)

    def _connect(self) -> None:
        # Resolved here: pyvisa-py leaves its socket open when the name is not known.
        address = socket.getaddrinfo(self._host, self._port, socket.AF_INET, socket.SOCK_STREAM)[0][4][0]
        milliseconds = max(1, round(self._reply_time_s * 1000))
        session: Any = TCPIPSocketSession(0, f"TCPIP::{address}::{self._port}::SOCKET", None, milliseconds)
        self._socket = session.interface = _LoudSocket(fileno=session.interface.detach())
        self._session = session
        if self._dropped:  # while connecting; _work closes it
            return
        # pyvisa-py takes a refused connection for an open one.
        refused = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:
            raise OSError(refused, "refused")
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for attribute, value in (
            (ResourceAttribute.timeout_value, milliseconds),
            (ResourceAttribute.termchar, ord("\n")),
            (ResourceAttribute.termchar_enabled, True),
        ):
            session.set_attribute(attribute, value)

    def _write(self, message: bytes) -> None:
        self._expect_silence()
        _, status = self._session.write(message)
        if status is not StatusCode.success:
            raise OSError(f"sending failed with {status.name}")

    def _write_and_read_parts(self, message: bytes, parts: Callable[[], Parts[T]]) -> tuple[T, float]:
        until_s = time.monotonic() + PARTS_SHARE * self._reply_time_s
        self._write(message)
        answer = parts()
        try:
            wanted = next(answer)
            begun = False
            while True:
                part = self._read_exactly(wanted, until_s=until_s, begun=begun)
                begun = True
                wanted = answer.send(part)
        except StopIteration as end:
            came_s = time.monotonic()
            self._expect_silence("sent more than it was asked for")
            return end.value, came_s

    def _read_exactly(self, count: int, *, until_s: float, begun: bool) -> bytes:
        """Raises `TimeoutError` where nothing came at all, `ReplyWrong` where it stopped in the middle."""
        part = bytearray(count)
        rest = memoryview(part)
        line = self._session.interface
        while rest:
            if not select.select([line], [], [], max(0.0, until_s - time.monotonic()))[0]:
                if not begun and len(rest) == count:
                    raise TimeoutError
                raise ReplyWrong(
                    f"The {self._device} broke off in the middle of an answer: {count - len(rest)} of {count} bytes "
                    f"came within {self._reply_time_s:g} s."
                )
            came = line.recv_into(rest)
            if not came:
                raise ConnectionResetError("the device closed the connection")
            rest = rest[came:]
        return bytes(part)

    def _write_and_read(self, message: bytes) -> tuple[bytes, float]:
        session = self._session
        sent_s = time.monotonic()
        self._write(message)
        reply, status = session.read(LONGEST_REPLY)
        received_s = time.monotonic()
        if status is StatusCode.error_timeout:
            raise TimeoutError
        if status is not StatusCode.success_termination_character_read:
            raise ReplyWrong(f"The {self._device} sent more than {LONGEST_REPLY} bytes without a line end.")
        if session._pending_buffer:  # noqa: SLF001 - pyvisa-py tells by nothing else that it kept bytes
            raise ReplyWrong(f"The {self._device} sent more than it was asked for.")
        return reply, (sent_s + received_s) / 2.0

    def _expect_silence(self, otherwise: str = "sent something that it was not asked for") -> None:
        """Raises where bytes are waiting that belong to no question: they would be taken for the next answer."""
        if select.select([self._session.interface], [], [], 0.0)[0]:
            self._session.interface.recv(1, socket.MSG_PEEK)  # raises when it is the end and not bytes
            raise ReplyWrong(f"The {self._device} {otherwise}.")


def _settle(future: asyncio.Future[Any], result: object, error: Exception | None) -> None:
    if future.done():
        return  # cancelled, late or dropped: nobody waits any more
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)
        future.exception()  # marked as seen: a waiter that was cancelled meanwhile will not look
