"""Puts bytes on the disk wholly or not at all. It must never knowingly leave a torn piece behind."""

import contextlib
import fcntl
import os
from pathlib import Path

from benchd.records.errors import RecordsError, cause_of


def sync_directory(directory: Path) -> None:
    """Make the names in `directory` survive a loss of power. Raises OSError."""
    handle = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(path: Path, content: bytes) -> None:
    """Write a small file so that a reader sees the old content or the new, never a part.

    Raises `RecordsError`; the old file is then untouched.
    """
    partial = path.with_name(path.name + ".partial")
    try:
        with partial.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
        sync_directory(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise RecordsError(f"{path} could not be written: {cause_of(error)}.") from error


class GrowingFile:
    """A file that grows by whole pieces: after `add` returns a piece is on the disk, after it raises it is not there.

    Locks the file while it is open, so that nobody repairs a file that is still being written. One thread at a time.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise RecordsError(f"{path} could not be opened: {cause_of(error)}.") from error
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self.end = os.fstat(self._handle).st_size
            sync_directory(path.parent)
        except BlockingIOError:
            os.close(self._handle)
            raise RecordsError(f"{path} is being written by another process: let it finish.") from None
        except OSError as error:
            os.close(self._handle)
            raise RecordsError(f"{path} could not be opened: {cause_of(error)}.") from error

    def add(self, piece: bytes) -> None:
        """Append `piece` and wait until it is on the disk. Raises OSError with nothing added."""
        rest = memoryview(piece)
        at = self.end
        try:
            while rest:
                # pwrite at a remembered place: whatever a failed attempt left behind is written over
                written = os.pwrite(self._handle, rest, at)
                rest = rest[written:]
                at += written
            os.fdatasync(self._handle)
        except OSError:
            self.take_back(self.end)
            raise
        self.end = at

    def take_back(self, end: int) -> None:
        """Forget everything from byte `end` on."""
        self.end = end
        with contextlib.suppress(OSError):
            os.ftruncate(self._handle, end)

    def close(self) -> None:
        """Close and unlock; legal twice."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


def is_being_written(path: Path) -> bool:
    """Whether another open `GrowingFile` holds this file."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False
