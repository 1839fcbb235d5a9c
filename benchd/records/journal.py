"""Writes samples as an Arrow IPC stream that survives being killed. It must never make the tick wait for the disk.

`append` is for the tick: it copies one row into memory. `flush` and `close` are for an executor thread: they write what
is pending as whole messages, each with its checksum in the sidecar, and wait for the disk.
"""

import os
import threading
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from benchd.records.durable import GrowingFile
from benchd.records.errors import RecordsError, cause_of
from benchd.records.formats import END_OF_STREAM, SIDECAR, STREAM, sample_schema
from benchd.records.sidecar import Kind, Piece, header, line_of

_ROWS_PER_MESSAGE = 2000  # so that a backlog is written in pieces that each find their place on a nearly full disk


class Journal:
    """The samples of one run: what was there at the last `flush` that returned is read back bit for bit.

    Rows wait in a ring of `pending_rows`: the appending thread moves only its head, the flushing thread only its tail,
    so neither waits for the other. When the disk refuses until the ring is full, rows are dropped and counted.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        channels: Sequence[tuple[str, str]],
        *,
        pending_rows: int = 12_000,
    ) -> None:
        """Start the stream in a new run folder; `channels` are (name, unit). Raises `RecordsError`."""
        path = Path(folder)
        self._schema = sample_schema(channels)
        count = len(channels)
        self._channel_count = count
        self._capacity = pending_rows
        self._time = np.zeros(pending_rows, np.float64)
        self._state = np.zeros(pending_rows, np.int8)
        self._test = np.zeros(pending_rows, np.int16)
        self._point = np.zeros(pending_rows, np.int16)
        self._values = np.zeros((pending_rows, count), np.float64)
        self._ages = np.zeros((pending_rows, count), np.float32)
        self._quality = np.zeros((pending_rows, count), np.uint8)
        self._head = 0  # rows ever accepted; moved by append alone
        self._tail = 0  # rows on the disk; moved by flush alone
        self._dropped = 0
        self._flushing = threading.Lock()
        self._closed = False

        if (path / STREAM).exists():
            raise RecordsError(f"{path / STREAM} exists already: a run folder is written once, start a new run.")
        self._stream = GrowingFile(path / STREAM)
        try:
            self._sidecar = GrowingFile(path / SIDECAR)
        except RecordsError:
            self._stream.close()
            raise
        self._message(0, 1)  # Arrow's first batch takes 30 ms, some with the interpreter held: now, not beside a tick
        try:
            self._sidecar.add(header())
            self._commit("schema", self._schema.serialize().to_pybytes(), rows=0)
        except OSError as error:
            self._release()
            raise RecordsError(f"{path / STREAM} could not be started: {cause_of(error)}.") from error

    @property
    def rows_pending(self) -> int:
        """Rows in memory that are not yet on the disk."""
        return self._head - self._tail

    @property
    def rows_written(self) -> int:
        """Rows on the disk."""
        return self._tail

    @property
    def rows_dropped(self) -> int:
        """Rows lost because the disk did not take them and the memory for waiting rows was full."""
        return self._dropped

    def append(
        self,
        *,
        time_mono_s: float,
        state: int,
        test: int,
        point: int,
        values: Sequence[float],
        ages_s: Sequence[float],
        quality: Sequence[int],
    ) -> None:
        """Take one row, for the tick: no disk, no lock, no waiting. Called from one thread only.

        `values`, `ages_s` and `quality` have one entry a channel, in the journal's order. Raises ValueError otherwise.
        """
        count = self._channel_count
        if len(values) != count or len(ages_s) != count or len(quality) != count:
            raise ValueError(f"a row needs {count} values, ages and qualities")  # numpy would spread a single one
        if self._closed or self._head - self._tail >= self._capacity:
            self._dropped += 1
            return
        row = self._head % self._capacity
        self._time[row] = time_mono_s
        self._state[row] = state
        self._test[row] = test
        self._point[row] = point
        self._values[row] = values
        self._ages[row] = ages_s
        self._quality[row] = quality
        self._head += 1  # last: only now does flush see the row

    def flush(self) -> int:
        """Bring all pending rows to the disk and return how many there were; for an executor thread.

        Raises `RecordsError` when the disk refuses: what was written before stays valid, the refused rows stay pending
        and the next call tries again.
        """
        with self._flushing:
            if self._closed:
                return 0
            return self._write_pending()

    def close(self) -> None:
        """Flush, write the stream's end and close; legal twice. Raises `RecordsError`, closed all the same."""
        with self._flushing:
            if self._closed:
                return
            try:
                self._write_pending()
                self._commit("end", END_OF_STREAM, rows=0)
            except OSError as error:
                raise RecordsError(f"{self._stream.path} could not be ended: {cause_of(error)}.") from error
            finally:
                self._closed = True
                self._release()

    def _release(self) -> None:
        self._sidecar.close()
        self._stream.close()

    def _write_pending(self) -> int:
        head = self._head  # rows that arrive from now on are the next call's
        before = self._tail
        while self._tail < head:
            first = self._tail % self._capacity
            rows = min(head - self._tail, self._capacity - first, _ROWS_PER_MESSAGE)
            try:
                self._commit("batch", self._message(first, rows), rows=rows)
            except OSError as error:
                raise RecordsError(
                    f"{self._stream.path} could not be written: {cause_of(error)}; "
                    f"{self.rows_pending} of at most {self._capacity} rows wait in memory."
                ) from error
            self._tail += rows
        return head - before

    def _message(self, first: int, rows: int) -> bytes:
        part = slice(first, first + rows)
        # one transposed copy each, so that the columns lie in one piece and the ring may move on
        values = np.ascontiguousarray(self._values[part].T)
        ages = np.ascontiguousarray(self._ages[part].T)
        quality = np.ascontiguousarray(self._quality[part].T)
        columns = [self._time[part], self._state[part], self._test[part], self._point[part]]
        for channel in range(self._channel_count):
            columns += [values[channel], ages[channel], quality[channel]]
        batch = pa.record_batch([pa.array(column) for column in columns], schema=self._schema)
        message: bytes = batch.serialize().to_pybytes()
        return message

    def _commit(self, kind: Kind, message: bytes, *, rows: int) -> None:
        """Write a message and then its line: a line therefore never vouches for bytes that are not there."""
        offset = self._stream.end
        piece = Piece(
            kind=kind,
            offset=offset,
            length=len(message),
            crc=zlib.crc32(message),
            first_row=self._tail,
            rows=rows,
            dropped=self._dropped,
        )
        self._stream.add(message)
        try:
            self._sidecar.add(line_of(piece))
        except OSError:
            self._stream.take_back(offset)
            raise
