"""A TCP proxy between a daemon and one device, with faults that are switched while bytes flow. Not a test.

It knows no protocol: what it breaks is the wire. A chunk is what arrived at once, on loopback one message of a device
that is asked and answers. It listens on loopback only and lives in a thread of its own, so that a story may wait.
"""

import asyncio
import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Coroutine, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Self, TypeVar

Direction = Literal["to_device", "to_daemon"]
MOST_AT_ONCE = 65536
ENDED = b""
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # socket(7), SO_LINGER: on, for no time
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What happens to the bytes of one direction; several at once act in the order of the fields."""

    swallow: bool = False  # they vanish and the connection stays: accepted, and nothing is answered
    keep_bytes: int | None = None  # of each chunk; the rest of it vanishes
    flip_bit: int | None = None  # of each chunk, counted from its first byte's highest bit, is turned over
    behind: bool = False  # each chunk waits for the next one and takes its place: always the previous answer
    duplicate: bool = False
    delay_s: float = 0.0  # every chunk arrives so much later, in order
    gap_s: float = 0.0  # between single bytes: 1 ms splits a message, 0.1 s drips it


SOUND = Fault()


@dataclass(eq=False, slots=True)
class _Line:
    """One direction of one connection: bytes from `reader` to `writer`."""

    direction: Direction
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    due: asyncio.Queue[tuple[float, bytes, float]] = field(default_factory=asyncio.Queue)
    held: bytes = b""
    finished: bool = False  # its end was told already


class FaultProxy:
    """Passes bytes on between whoever connects to `port` and the device, unless told otherwise."""

    def __init__(self, host: str, port: int) -> None:
        self.host = "127.0.0.1"
        self.port = 0
        self.accepted = 0  # connections since it came up
        self.struck = 0  # chunks that met a fault
        self._device = (host, port)
        self._faults: dict[Direction, Fault] = {"to_device": SOUND, "to_daemon": SOUND}
        self._left: dict[Direction, int] = {}
        self._lines: set[_Line] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="fault proxy", daemon=True)
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    def __enter__(self) -> Self:
        self._thread.start()
        self.listen()
        return self

    def __exit__(self, *_: object) -> None:
        self.refuse()
        self._wait(self._ended())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    # what a story may do, from any thread; all of it has happened when the call returns

    def switch(self, direction: Direction, fault: Fault, *, times: int = 0) -> None:
        """From the next chunk on; `times` above 0 ends it by itself after so many chunks."""

        def give() -> None:
            self._faults[direction] = fault
            self._left[direction] = times

        self._call(give)

    def mend(self) -> None:
        """Every fault off, and what is held back goes on its way with the next chunk."""
        for direction in ("to_device", "to_daemon"):
            self.switch(direction, SOUND)

    def cut(self) -> None:
        """Every connection is reset, at both ends."""
        self._call(lambda: [_reset(line.writer) for line in self._lines])

    def finish(self, direction: Direction) -> None:
        """Nothing more comes in this direction and the other one stays open: a connection that is half closed."""

        def end() -> None:
            for line in self._lines:
                if line.direction == direction:
                    _finish(line)

        self._call(end)

    def refuse(self) -> None:
        """No new connections, and the present ones are reset."""
        self._wait(self._close())

    def listen(self) -> None:
        """Take connections, after `refuse` on the same port."""
        self._wait(self._open())

    # the thread's own

    async def _open(self) -> None:
        if self._server is None:
            self._server = await asyncio.start_server(self._serve, self.host, self.port, limit=MOST_AT_ONCE)
            self.port = self._server.sockets[0].getsockname()[1]

    async def _close(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            server.close()
        for line in list(self._lines):
            _reset(line.writer)

    async def _ended(self) -> None:
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await asyncio.sleep(0)  # what was closed last

    def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.accepted += 1
        task = self._loop.create_task(self._connected(reader, writer))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            device_reader, device_writer = await asyncio.open_connection(*self._device)
        except OSError:
            _reset(writer)
            await _closed(writer)
            return
        for one in (writer, device_writer):
            one.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        lines = (_Line("to_device", reader, device_writer), _Line("to_daemon", device_reader, writer))
        self._lines.update(lines)
        try:
            async with asyncio.TaskGroup() as group:
                for line in lines:
                    group.create_task(self._take(line))
                    group.create_task(self._give(line))
        except* OSError:  # one end is gone, and so is the other one now
            for one in (writer, device_writer):
                _reset(one)
        finally:
            self._lines.difference_update(lines)
            for one in (writer, device_writer):
                one.close()
                await _closed(one)

    async def _take(self, line: _Line) -> None:
        while chunk := await line.reader.read(MOST_AT_ONCE):
            fault = self._struck(line.direction)
            for one in _broken(chunk, fault, line):
                line.due.put_nowait((self._loop.time() + fault.delay_s, one, fault.gap_s))
        line.due.put_nowait((self._loop.time(), ENDED, 0.0))

    async def _give(self, line: _Line) -> None:
        while True:
            due_s, chunk, gap_s = await line.due.get()
            await asyncio.sleep(max(0.0, due_s - self._loop.time()))
            if chunk == ENDED:
                break
            while chunk and not line.finished:
                now, chunk = (chunk[:1], chunk[1:]) if gap_s else (chunk, b"")
                line.writer.write(now)
                await line.writer.drain()
                if chunk:
                    await asyncio.sleep(gap_s)
        _finish(line)

    def _struck(self, direction: Direction) -> Fault:
        fault = self._faults[direction]
        if fault == SOUND:
            return fault
        self.struck += 1
        if self._left[direction]:
            self._left[direction] -= 1
            if not self._left[direction]:
                self._faults[direction] = SOUND
        return fault

    def _call(self, act: Callable[[], object]) -> None:
        async def once() -> None:
            act()

        self._wait(once())

    def _wait(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(timeout=10.0)


def _finish(line: _Line) -> None:
    """The end of one direction is told, once."""
    if not line.finished and not line.writer.is_closing():
        line.writer.write_eof()
    line.finished = True


async def _closed(writer: asyncio.StreamWriter) -> None:
    """Until its socket is closed: the loop may be stopped next."""
    with contextlib.suppress(OSError):
        await writer.wait_closed()


def _reset(writer: asyncio.StreamWriter) -> None:
    """Closed at once, with a reset instead of an orderly end."""
    if not writer.is_closing():
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        writer.transport.abort()


def _broken(chunk: bytes, fault: Fault, line: _Line) -> list[bytes]:
    """What becomes of a chunk."""
    if fault.swallow:
        return []
    if fault.keep_bytes is not None:
        chunk = chunk[: fault.keep_bytes]
    if fault.flip_bit is not None and fault.flip_bit < 8 * len(chunk):
        spoilt = bytearray(chunk)
        spoilt[fault.flip_bit // 8] ^= 0x80 >> fault.flip_bit % 8
        chunk = bytes(spoilt)
    if fault.behind:
        chunk, line.held = line.held, chunk
    elif line.held:
        chunk, line.held = line.held + chunk, b""
    return [chunk] * (2 if fault.duplicate else 1) if chunk else []


@contextlib.contextmanager
def before(place: Mapping[str, Any]) -> Iterator[tuple[FaultProxy, dict[str, Any]]]:
    """A proxy before the device at a place, and the place at which the device is to be found now."""
    with FaultProxy(str(place["host"]), int(place["port"])) as proxy:
        yield proxy, {**place, "host": proxy.host, "port": proxy.port}
