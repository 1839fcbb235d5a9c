"""Keeps captured waveforms in the run folder, a file a window. It must never calibrate them or fill what is missing.

A file holds the samples as the measuring unit took them, in each input's own unit; what they stand for says `run.json`.
"""

import contextlib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from benchd.records.durable import sync_directory
from benchd.records.errors import RecordsError, SchemaTooNewError, cause_of
from benchd.records.formats import SCHEMA, WAVEFORMS, check_schema
from benchd.records.sums import fits_its_sum

_NAME = re.compile(r"test=(\d{1,6})_point=(\d{1,6})\.parquet")
_CONTENT = "benchd waveforms"


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformWindow:
    """The samples kept at one point of one test: each array (n,), sampled together at `rate_hz`.

    `first_mono_s` is the event loop's time of the first sample, `first_index` its number since the stream was started,
    `lost` how many the measuring unit had dropped by the window's end. `lossy` says in one sentence what is missing, ""
    where nothing is; of a file that cannot be read there is only this sentence.
    """

    test: int
    point: int
    rate_hz: float = float("nan")
    first_mono_s: float = float("nan")
    first_index: int = 0
    lost: int = 0
    lossy: str = ""
    values: Mapping[str, npt.NDArray[np.float32]] = field(default_factory=dict)  # in the unit of `units`
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def samples(self) -> int:
        """How many samples of each signal."""
        return len(next(iter(self.values.values()), ()))


def write_waveforms(
    folder: str | os.PathLike[str],
    *,
    test: int,
    point: int,
    signals: Sequence[tuple[str, str]],
    data: bytes,
    rate_hz: float,
    first_mono_s: float,
    first_index: int,
    lost: int,
    lossy: str = "",
) -> Path:
    """Write `waveforms/test=<test>_point=<point>.parquet`; for an executor thread, before the folder is finished.

    `signals` are (name, unit) in the order in which `data`, little-endian float32, holds them side by side. A window
    of the same point takes the place of an earlier one: the test began the point anew. Raises `RecordsError`; an older
    file is then untouched.
    """
    path = Path(folder) / WAVEFORMS / f"test={test}_point={point}.parquet"
    if min(test, point) < 0 or not signals or len(data) % (4 * len(signals)):
        raise RecordsError(
            f"{path} was not written: {len(data)} bytes are no samples of {len(signals)} signals at a point."
        )
    samples = np.frombuffer(data, "<f4").reshape(-1, len(signals))
    schema = pa.schema(
        [pa.field(name, pa.float32(), nullable=False, metadata={"unit": unit}) for name, unit in signals],
        metadata={
            "schema": str(SCHEMA),
            "content": _CONTENT,
            "rate_hz": repr(float(rate_hz)),
            "first_mono_s": repr(float(first_mono_s)),
            "first_index": str(first_index),
            "lost": str(lost),
            "lossy": lossy,
        },
    )
    columns = [pa.array(np.ascontiguousarray(samples[:, number])) for number in range(len(signals))]
    _write(pa.table(columns, schema=schema), path)
    return path


def _write(table: pa.Table, path: Path) -> None:
    partial = path.with_name(path.name + ".partial")
    try:
        if not path.parent.exists():
            path.parent.mkdir()
            sync_directory(path.parent.parent)
        # no dictionary: measured samples hardly repeat
        pq.write_table(table, partial, compression="snappy", use_dictionary=False, write_page_checksum=True)
        with partial.open("rb") as file:
            os.fsync(file.fileno())
        partial.replace(path)
        sync_directory(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise RecordsError(f"{path} could not be written: {cause_of(error)}.") from error


def read_waveforms(folder: str | os.PathLike[str]) -> Sequence[WaveformWindow]:
    """Every captured window of a run, by test and point; none where none was captured.

    Never raises for damage: a window that cannot be read comes without samples and says so in `lossy`. Raises
    `SchemaTooNewError` for one of a newer release.
    """
    path = Path(folder)
    windows = [
        _read(path, file, test=int(name[1]), point=int(name[2]))
        for file in (path / WAVEFORMS).glob("*.parquet")
        if (name := _NAME.fullmatch(file.name)) is not None
    ]
    return tuple(sorted(windows, key=lambda window: (window.test, window.point)))


def _read(folder: Path, path: Path, *, test: int, point: int) -> WaveformWindow:
    name = path.relative_to(folder).as_posix()
    if fits_its_sum(path, folder=folder) is False:
        return WaveformWindow(
            test=test, point=point, lossy=f"{name} differs from its sum: it is damaged or was changed."
        )
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            schema = file.schema_arrow
            said = {key.decode(): value.decode() for key, value in (schema.metadata or {}).items()}
            check_schema(int(said["schema"]), where=str(path))
            table = file.read()
        return WaveformWindow(
            test=test,
            point=point,
            rate_hz=float(said["rate_hz"]),
            first_mono_s=float(said["first_mono_s"]),
            first_index=int(said["first_index"]),
            lost=int(said["lost"]),
            lossy=said["lossy"],
            values={each.name: table.column(each.name).to_numpy() for each in schema},
            units={each.name: (each.metadata or {}).get(b"unit", b"1").decode() for each in schema},
        )
    except SchemaTooNewError:
        raise
    except (pa.ArrowException, RecordsError, OSError, ValueError, KeyError):  # ValueError: damaged numbers or names
        return WaveformWindow(test=test, point=point, lossy=f"{name} is damaged and cannot be read.")
