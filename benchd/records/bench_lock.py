"""Lets one daemon run a bench. It must never be held by a process that is gone (the kernel releases it)."""

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self

from benchd.records.errors import RecordsError, cause_of


class BenchLock:
    """A lock on a file, held from entering to leaving or to the end of the process, however it ends.

    The file stays: to remove it would let a third process lock a new file beside the old one.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        self._handle = -1

    def acquire(self) -> None:
        """Take the lock or raise `RecordsError` with a sentence that names the process that has it."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            handle = self._open()
        except OSError as error:
            raise RecordsError(f"The lock file {self._path} could not be opened: {cause_of(error)}.") from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            owner = os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(handle)
            raise RecordsError(
                f"Process {owner} already runs this bench (lock file {self._path}): stop it before starting another."
            ) from None
        with contextlib.suppress(OSError):  # another user's file can be locked but not written
            os.ftruncate(handle, 0)
            os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        self._handle = handle

    def _open(self) -> int:
        try:
            return os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        except PermissionError:
            return os.open(self._path, os.O_RDONLY)

    def release(self) -> None:
        """Give the lock back; legal twice."""
        if self._handle >= 0:
            with contextlib.suppress(OSError):
                os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()
