"""Writes the daemon's own log as JSON lines to standard error. It must never make the event loop wait for a reader.

A log call renders its line into a bounded queue and returns; `Log.pump` writes the queue out without ever blocking.
When nobody reads (a full pipe), lines stay queued; when the queue is full, new ones are dropped and counted, and the
count is logged as soon as somebody reads again.
"""

import asyncio
import contextlib
import errno
import json
import math
import os
import socket
import stat
from collections import deque
from collections.abc import Callable, Mapping, MutableMapping
from datetime import UTC, datetime
from typing import Any, Protocol, cast

import structlog

_PUMP_EVERY_S = 0.05  # polled, so that a log call from any thread needs to wake nobody
_CHUNK_BYTES = 65_536  # the default size of a pipe, pipe(7): more would not fit anyway
_LONGEST_LINE_BYTES = 16_384


class HasFileNumber(Protocol):
    """An open file, as sys.stderr is."""

    def fileno(self) -> int:
        """The file descriptor."""


class _Queue:
    """Bounded lines on their way out; what does not fit is counted."""

    def __init__(self, capacity: int) -> None:
        self._lines: deque[bytes] = deque()
        self._capacity = capacity
        self.dropped = 0
        self.dropped_untold = 0

    def put(self, text: bytes) -> None:
        if len(self._lines) >= self._capacity:
            self.dropped += 1
            self.dropped_untold += 1
            return
        self._lines.append(text + b"\n")

    # structlog calls the method that bears the level's name
    debug = info = warning = error = critical = put

    @property
    def waiting(self) -> int:  # not __len__: structlog replaces a logger that is false
        return len(self._lines)

    def take(self) -> bytes:
        """Lines up to about one chunk."""
        taken: list[bytes] = []
        size = 0
        while self._lines and size < _CHUNK_BYTES:
            taken.append(self._lines.popleft())
            size += len(taken[-1])
        return b"".join(taken)


class _Outlet:
    """Writes to a file descriptor without waiting, and leaves it blocking for its other users where it can."""

    def __init__(self, handle: int) -> None:
        self._socket: socket.socket | None = None
        self._handle = -1
        mode = os.fstat(handle).st_mode
        if stat.S_ISSOCK(mode):
            self._socket = socket.socket(fileno=os.dup(handle))  # a service's log is a socket under systemd
            return
        if stat.S_ISREG(mode):
            self._handle = os.dup(handle)  # one place to write at with its other users, or they overwrite each other
            return
        try:
            # a description of its own: O_NONBLOCK on the shared one would reach every process on this terminal or pipe
            self._handle = os.open(f"/proc/self/fd/{handle}", os.O_WRONLY | os.O_NONBLOCK | os.O_APPEND | os.O_NOCTTY)
        except OSError:
            self._handle = os.dup(handle)
            os.set_blocking(self._handle, False)

    def write(self, content: bytes) -> int:
        """How many bytes went out, 0 when nobody reads. Raises OSError when the reader is gone."""
        try:
            if self._socket is not None:
                return self._socket.send(content, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
            return os.write(self._handle, content)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        elif self._handle >= 0:
            os.close(self._handle)
        self._handle = -1


class Log:
    """The daemon's log: `logger` to call, `pump` to run as a task. Made by `configure`."""

    def __init__(self, logger: structlog.typing.FilteringBoundLogger, queue: _Queue, outlet: _Outlet) -> None:
        self.logger = logger
        self._queue = queue
        self._outlet = outlet
        self._rest = b""

    @property
    def lines_dropped(self) -> int:
        """Lines lost because nobody read the log."""
        return self._queue.dropped

    @property
    def lines_waiting(self) -> int:
        """Lines that are not yet written."""
        return self._queue.waiting

    async def pump(self) -> None:
        """Write what is queued, for ever; on cancellation once more what goes out without waiting. One task of it."""
        try:
            while True:
                self.drain()
                await asyncio.sleep(_PUMP_EVERY_S)
        finally:
            self.drain()

    def drain(self) -> bool:
        """Write what goes out without waiting; True when nothing is left. Also for the way out of the process."""
        try:
            while True:
                if not self._rest:
                    self._rest = self._queue.take()
                if not self._rest:
                    untold, self._queue.dropped_untold = self._queue.dropped_untold, 0
                    if not untold:
                        return True
                    self.logger.warning("log_lines_dropped", count=untold)
                    continue
                written = self._outlet.write(self._rest)
                if written == 0:
                    return False
                self._rest = self._rest[written:]
        except OSError as error:
            if error.errno in {errno.EPIPE, errno.ECONNRESET}:
                self._rest = b""  # the reader is gone for good; a log must not end the daemon
            return False

    def close(self) -> None:
        """Write what goes out without waiting and let go of the file; legal twice."""
        self.drain()
        self._outlet.close()


def configure(
    stream: HasFileNumber,
    *,
    level: int = 20,
    capacity_lines: int = 5_000,
    utc_now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Log:
    """A log of JSON lines to `stream`: `event` first, then `level`, `utc` (ISO 8601, microseconds, Z) and the fields.

    `level` is a number of the logging module (20 is info). `utc_now` lets the daemon stamp from its one anchor. Nothing
    global is touched; several logs may live side by side. Raises OSError for a closed stream.
    """
    queue = _Queue(capacity_lines)

    def stamp(_: object, method: str, fields: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        utc = utc_now().astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        head = {"event": fields["event"], "level": method, "utc": utc}
        return {**head, **fields, **head}  # in this order, and no field may take the place of these

    logger = structlog.wrap_logger(
        queue,
        processors=[stamp, structlog.processors.format_exc_info, _render],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        context_class=dict,
        cache_logger_on_first_use=True,
    )
    return Log(cast("structlog.typing.FilteringBoundLogger", logger), queue, _Outlet(stream.fileno()))


def _render(_: object, __: str, fields: Mapping[str, Any]) -> bytes:
    """One line of JSON without its end; a field that JSON lacks becomes text, an endless line is cut."""
    try:
        text = json.dumps(fields, default=spelled, ensure_ascii=False, allow_nan=False)
    except (ValueError, TypeError, RecursionError):
        text = json.dumps({str(key): spelled(value) for key, value in fields.items()})
    line = text.encode("utf-8", "backslashreplace")
    if len(line) > _LONGEST_LINE_BYTES:
        short = {key: str(fields[key])[:200] for key in ("event", "level", "utc")}
        line = json.dumps({**short, "cut": text[: _LONGEST_LINE_BYTES // 4]}).encode()
    return line


def spelled(value: object) -> object:
    """The value as JSON can carry it: what is no finite number or not JSON at all becomes text."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if value is None or isinstance(value, bool | int | float | str):
        return value
    with contextlib.suppress(Exception):  # nested too deeply, or changed meanwhile
        if isinstance(value, Mapping):
            return {str(key): spelled(item) for key, item in value.items()}
        if isinstance(value, list | tuple):
            return [spelled(item) for item in value]
    with contextlib.suppress(Exception):
        return str(value)
    return "unprintable"
