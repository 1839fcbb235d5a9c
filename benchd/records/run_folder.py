"""Makes a run's folder and says how the run ended. It must never let a run begin that the disk cannot take.

The layout is `<data>/order=<order>/serial=<serial>/<UTC time>_<programme>/`. Names are percent-encoded (RFC 3986, 2.1)
where a letter could not stand in a file name, so that different names never meet in one folder.
"""

import contextlib
import enum
import hashlib
import os
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd.records.clock import ClockAnchor, utc_text
from benchd.records.durable import sync_directory, write_whole
from benchd.records.errors import RecordsError, cause_of
from benchd.records.formats import ENDING, RUN, SCHEMA, SUMS
from benchd.records.plain import canonical, page, plain, read_page

MINIMUM_FREE_BYTES = 1_000_000_000  # about two hours of 50 channels at 200 Hz
_PROBE_BYTES = 1_000_000
_LONGEST_NAME_BYTES = 255  # NAME_MAX of Linux file systems, limits.h
_REQUIRED = ("operator", "software", "configuration", "channels", "tests", "clock")
_OURS = ("schema", "order", "serial", "programme", "started_utc", "configuration_sha256")


class Ending(enum.StrEnum):
    """How a run ended."""

    COMPLETE = "complete"
    STOPPED = "stopped"
    ABORTED = "aborted"
    INTERRUPTED = "interrupted"  # the daemon was killed or the power failed; written by recovery


class RunFolder:
    """One run's folder, made and with its `run.json` on the disk. Usable wherever a path is."""

    def __init__(self, path: Path, description: Mapping[str, Any]) -> None:
        self.path = path
        self.description = description
        self.clock = clock_of(description, where=str(path / RUN))

    def __fspath__(self) -> str:
        return str(self.path)

    @classmethod
    def create(
        cls,
        data_directory: str | os.PathLike[str],
        *,
        order: str,
        serial: str,
        programme: str,
        started: datetime,
        description: Mapping[str, Any],
        minimum_free_bytes: int = MINIMUM_FREE_BYTES,
    ) -> "RunFolder":
        """Prove that the data directory takes data, make the folder and write `run.json`; before anything is energised.

        `description` has operator (str), software (versions by name), configuration (nested dict), channels (list with
        name and unit each), tests (list with index, kind, settings each) and clock (mono_s, utc_ns). Values may be
        dataclasses. Raises `RecordsError` with one sentence for a name that cannot be one, a full disk or one that
        cannot be written; nothing is left behind then.
        """
        if started.tzinfo is None:
            raise RecordsError("The run's start has no time zone: give it in UTC.")
        content = _content(order, serial, programme, started, description)
        stamp = f"{started.astimezone(UTC):%Y%m%dT%H%M%S}.{started.microsecond // 1000:03d}Z"
        parts = (
            _folder_name("order", order, prefix="order="),
            _folder_name("serial", serial, prefix="serial="),
            _folder_name("programme", programme, prefix=f"{stamp}_"),
        )
        data = Path(data_directory)
        check_data_directory(data, minimum_free_bytes=minimum_free_bytes)
        path = data.joinpath(*parts)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.mkdir()
            for directory in (path.parent, path.parent.parent, data):
                sync_directory(directory)
        except FileExistsError:
            raise RecordsError(f"{path} exists already: wait a moment and start the run again.") from None
        except OSError as error:
            raise RecordsError(f"The run folder {path} could not be made: {cause_of(error)}.") from error
        try:
            write_whole(path / RUN, page(content))
        except RecordsError:
            with contextlib.suppress(OSError):
                path.rmdir()
            raise
        return cls(path, content)

    def end(self, ending: Ending, *, why: str, time_mono_s: float) -> None:
        """Write how the run ended; after journal and event log are closed. Raises `RecordsError`."""
        write_ending(self.path, ending, why=why, utc=utc_text(self.clock.utc(time_mono_s)), time_mono_s=time_mono_s)


def check_data_directory(data: Path, *, minimum_free_bytes: int = MINIMUM_FREE_BYTES) -> None:
    """Prove by really writing that a run can be recorded here; raises `RecordsError` with one sentence.

    Makes the directory when it is not there yet.
    """
    probe = data / f".probe-{os.getpid()}"
    try:
        data.mkdir(parents=True, exist_ok=True)
        room = os.statvfs(data)
        free_bytes = room.f_bavail * room.f_frsize
        if free_bytes < minimum_free_bytes:
            raise RecordsError(
                f"The data directory {data} has {free_bytes / 1e6:.0f} MB free and a run needs "
                f"{minimum_free_bytes / 1e6:.0f} MB: free space there."
            )
        try:
            with probe.open("wb") as file:
                file.write(os.urandom(_PROBE_BYTES))  # noise, so that no file system compresses it away
                file.flush()
                os.fsync(file.fileno())
        finally:
            probe.unlink(missing_ok=True)
    except FileExistsError:
        raise RecordsError(f"The data directory {data} is a file: choose another data directory.") from None
    except OSError as error:
        raise RecordsError(f"The data directory {data} cannot take data: {cause_of(error)}.") from error


def _folder_name(what: str, text: str, *, prefix: str) -> str:
    """`text` as a part of a file name; raises `RecordsError` for one that cannot be one."""
    name = unicodedata.normalize("NFC", text).strip()
    if not name:
        raise RecordsError(f"The {what} is empty: enter a name for it.")
    if any(unicodedata.category(letter) in {"Cc", "Cs", "Cn"} for letter in name):
        raise RecordsError(f"The {what} {text!r} holds a character that cannot be written: enter it again without.")
    made = prefix + "".join(letter if letter.isalnum() or letter in "-_." else _percent(letter) for letter in name)
    if len(made.encode()) > _LONGEST_NAME_BYTES:
        raise RecordsError(f"The {what} {name[:20]!r}... is too long for a folder name: shorten it.")
    return made


def _percent(letter: str) -> str:
    return "".join(f"%{byte:02X}" for byte in letter.encode())


def _content(
    order: str, serial: str, programme: str, started: datetime, description: Mapping[str, Any]
) -> dict[str, Any]:
    missing = [key for key in _REQUIRED if key not in description]
    if missing:
        raise RecordsError(f"The description of the run lacks {', '.join(missing)}: add it before the run starts.")
    taken = [key for key in _OURS if key in description]
    if taken:
        raise RecordsError(f"The description of the run must not hold {', '.join(taken)}: the folder writes it itself.")
    return {
        "schema": SCHEMA,
        "order": order,
        "serial": serial,
        "programme": programme,
        "started_utc": utc_text(started),
        **plain(description),
        "configuration_sha256": configuration_sha256(description["configuration"]),
    }


def configuration_sha256(configuration: object) -> str:
    """SHA-256 of the configuration's canonical JSON, hexadecimal."""
    return hashlib.sha256(canonical(configuration)).hexdigest()


def clock_of(description: Mapping[str, Any], *, where: str) -> ClockAnchor:
    """The run's clock anchor; raises `RecordsError` when it is not one."""
    try:
        clock = description["clock"]
        return ClockAnchor(mono_s=float(clock["mono_s"]), utc_ns=int(clock["utc_ns"]))
    except (KeyError, TypeError, ValueError):
        raise RecordsError(f"{where} has no clock anchor with mono_s and utc_ns: take it from a copy.") from None


def write_ending(
    path: Path,
    ending: Ending,
    *,
    why: str,
    utc: str,
    time_mono_s: float | None = None,
    missing: tuple[str, ...] = (),
) -> None:
    """Write `ending.json`: how the run ended, why, when, and sentences about what is missing. Raises `RecordsError`."""
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "ending": ending.value,
        "why": why,
        "utc": utc,
        "time_mono_s": time_mono_s,
        "missing": list(missing),
    }
    write_whole(path / ENDING, page(content))


def read_description(folder: str | os.PathLike[str]) -> dict[str, Any]:
    """What `run.json` says; raises `RecordsError` when it is missing, damaged or of a newer schema."""
    return read_page(Path(folder) / RUN)


def read_ending(folder: str | os.PathLike[str]) -> dict[str, Any] | None:
    """What `ending.json` says, None for a run that has no ending; raises `RecordsError` when it is damaged or newer."""
    path = Path(folder) / ENDING
    return read_page(path) if path.exists() else None


def unfinished_runs(data_directory: str | os.PathLike[str]) -> list[Path]:
    """Run folders, oldest first, that have no ending or no sums: killed while running or while finishing."""
    found = [
        path
        for path in Path(data_directory).glob("order=*/serial=*/*")
        if path.is_dir() and not ((path / ENDING).exists() and (path / SUMS).exists())
    ]
    return sorted(found, key=lambda path: path.name)
