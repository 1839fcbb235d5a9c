"""The file through which daemon and sentry see each other: mapped by both, each writes its own half.

Signs of life go through memory and never through a call, so that neither can make the other wait. Each half carries
a counter that is odd while it is written (a sequence lock: common practice): who reads sees whole signs or none. Times
are CLOCK_MONOTONIC in nanoseconds, which both processes share on one machine.
"""

import mmap
import os
import stat
import struct
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

SIZE = 4096
MAGIC = 0x42443032  # of this layout: whoever finds another one reads nothing
_DAEMON_AT, _SENTRY_AT = 0, 2048
_HEAD = struct.Struct("<IIQ")  # magic, reserved, sequence
_DAEMON = struct.Struct("<QQQQQII")  # pid, born, ticks, tick time, beats, energised, ended
_WORD = struct.Struct("<Q")
_ASKED_AT, _WARNING_AT = 1024, 1032  # words of their own, so that asking needs no tick
_SENTRY = struct.Struct("<QQQII256s")  # pid, alive time, reading's time, inputs, flags, sentence
_LOOKS = 100  # at a half that is being written; a write takes microseconds

_WITHDRAWN_AT, _WARNED_AT = 3072, 3080  # the numbers of the last requests that the chain confirmed


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonSigns:
    """What the daemon shows of itself."""

    pid: int
    born: int  # when the process began, so that another process of that number is not taken for it
    ticks: int
    tick_mono_s: float
    beats: int  # grows while the daemon wants the chain's heartbeat
    energised: bool
    ended: bool  # it left in order
    asked: int  # grows with each request to open the chain
    warning: int  # grows with each request about the start warning; an odd one wants it on


@dataclass(frozen=True, slots=True, kw_only=True)
class SentrySigns:
    """What the sentry shows of itself and of the chain."""

    pid: int
    alive_mono_s: float
    taken_mono_s: float  # of the reading; 0 before the first one
    inputs: Mapping[str, bool | None]  # by the names of the reading; None: the chain has no such input
    connected: bool
    announces_start: bool  # the chain has an output for a start warning
    withdrawn: int  # the request to open that was confirmed last
    warned: int  # and the one about the start warning
    sentence: str  # what it did or cannot do


INPUTS = ("guard_closed", "estop_released", "remote_selected", "torque_enabled", "permit", "release_pressed")


def _bits(inputs: Mapping[str, bool | None]) -> int:
    """Two bits an input: whether the chain has it, and whether it is on."""
    return sum(
        (1 | int(inputs[name] is True) << 1) << 2 * place
        for place, name in enumerate(INPUTS)
        if inputs.get(name) is not None
    )


def _inputs(bits: int) -> dict[str, bool | None]:
    return {name: bool(bits >> 2 * place & 2) if bits >> 2 * place & 1 else None for place, name in enumerate(INPUTS)}


class NoSigns(Exception):
    """The other half cannot be read: not written yet, of another release, or being written without an end."""


class SharedFile:
    """The mapped file; used as a context. Raises `OSError` where it cannot be made, or belongs to somebody else."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._map: mmap.mmap | None = None
        self._sequence = {_DAEMON_AT: 0, _SENTRY_AT: 0}

    def __enter__(self) -> Self:
        """Open or make it; the other side may come first."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        try:
            found = os.fstat(handle)
            if not stat.S_ISREG(found.st_mode) or found.st_uid != os.geteuid():
                raise PermissionError(
                    f"{self.path} belongs to somebody else: remove it, daemon and sentry share a user."
                )
            if found.st_size != SIZE:
                os.ftruncate(handle, SIZE)
            self._map = mmap.mmap(handle, SIZE)
        finally:
            os.close(handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Unmap; the file stays for the other side."""
        if self._map is not None:
            self._map.close()
            self._map = None

    # the daemon's half

    def show_daemon(
        self, *, pid: int, born: int, ticks: int, tick_mono_ns: int, beats: int, energised: bool, ended: bool = False
    ) -> None:
        """The daemon's signs. Called in the tick: a few microseconds, and it never fails once the file is open."""
        content = _DAEMON.pack(pid, born, ticks, tick_mono_ns, beats, int(energised), int(ended))
        self._write(_DAEMON_AT, content)

    def ask(self, number: int) -> None:
        """Ask the sentry to open the chain; a number greater than every one before."""
        _WORD.pack_into(self._mapped, _ASKED_AT, number)

    def warn(self, number: int) -> None:
        """Ask the sentry for the start warning; a number greater than every one before, odd for on."""
        _WORD.pack_into(self._mapped, _WARNING_AT, number)

    def sentry(self) -> SentrySigns:
        """The sentry's signs. Raises `NoSigns`."""
        pid, alive_ns, taken_ns, inputs, flags, text = _SENTRY.unpack(self._read(_SENTRY_AT, _SENTRY.size))
        return SentrySigns(
            pid=pid,
            alive_mono_s=alive_ns * 1e-9,
            taken_mono_s=taken_ns * 1e-9,
            inputs=_inputs(inputs),
            connected=bool(flags & 1),
            announces_start=bool(flags & 2),
            withdrawn=self._word(_WITHDRAWN_AT),
            warned=self._word(_WARNED_AT),
            sentence=text.rstrip(b"\0").decode("utf-8", "replace"),
        )

    # the sentry's half

    def show_sentry(
        self,
        *,
        taken_mono_s: float,
        inputs: Mapping[str, bool | None],
        connected: bool,
        sentence: str,
        announces_start: bool = False,
    ) -> None:
        """The sentry's signs, stamped with now."""
        text = sentence.encode()[:256]
        flags = int(connected) | int(announces_start) << 1
        content = _SENTRY.pack(os.getpid(), time.monotonic_ns(), round(taken_mono_s * 1e9), _bits(inputs), flags, text)
        self._write(_SENTRY_AT, content)

    def confirm(self, number: int) -> None:
        """The chain is open, as was asked with this number."""
        _WORD.pack_into(self._mapped, _WITHDRAWN_AT, number)

    def confirm_warning(self, number: int) -> None:
        """The start warning is as was asked with this number."""
        _WORD.pack_into(self._mapped, _WARNED_AT, number)

    def daemon(self) -> DaemonSigns:
        """The daemon's signs. Raises `NoSigns`."""
        pid, born, ticks, tick_ns, beats, energised, ended = _DAEMON.unpack(self._read(_DAEMON_AT, _DAEMON.size))
        return DaemonSigns(
            pid=pid,
            born=born,
            ticks=ticks,
            tick_mono_s=tick_ns * 1e-9,
            beats=beats,
            energised=bool(energised),
            ended=bool(ended),
            asked=self._word(_ASKED_AT),
            warning=self._word(_WARNING_AT),
        )

    @property
    def _mapped(self) -> mmap.mmap:
        if self._map is None:
            raise ValueError("The shared file is not open.")
        return self._map

    def _word(self, at: int) -> int:
        (number,) = _WORD.unpack_from(self._mapped, at)
        return int(number)

    def _write(self, at: int, content: bytes) -> None:
        mapped = self._mapped
        if self._sequence[at] == 0:
            magic, _, before = _HEAD.unpack_from(mapped, at)
            self._sequence[at] = before + (before & 1) if magic == MAGIC else 0
        sequence = self._sequence[at] + 1
        _HEAD.pack_into(mapped, at, MAGIC, 0, sequence)
        mapped[at + _HEAD.size : at + _HEAD.size + len(content)] = content
        self._sequence[at] = sequence + 1
        _HEAD.pack_into(mapped, at, MAGIC, 0, sequence + 1)

    def _read(self, at: int, size: int) -> bytes:
        mapped = self._mapped
        for _ in range(_LOOKS):
            magic, _reserved, before = _HEAD.unpack_from(mapped, at)
            if magic != MAGIC:
                raise NoSigns(f"Nothing was written into {self.path} by the other side yet.")
            content = bytes(mapped[at + _HEAD.size : at + _HEAD.size + size])
            _magic, _reserved, after = _HEAD.unpack_from(mapped, at)
            if before == after and not before & 1:
                return content
        raise NoSigns(f"The other side of {self.path} stopped in the middle of its signs.")


def born(pid: int) -> int:
    """When a process began, in clock ticks after boot (proc(5), field 22); 0 where there is none or it has died."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0
    return 0 if fields[0] in {"Z", "X"} else int(fields[19])
