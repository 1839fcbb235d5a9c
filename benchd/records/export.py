"""Writes a run's samples as text for spreadsheets. It must never be needed by anything else, nor touch other files.

`samples.csv` is for looking at; `samples.parquet` is the record. It is written on demand and not with the run: an hour
of 50 channels at 200 Hz is half a gigabyte of text.
"""

import contextlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from benchd.records.durable import is_being_written, sync_directory
from benchd.records.errors import RecordsError, cause_of
from benchd.records.formats import CSV, FIXED_COLUMNS, PARQUET, QUALITY, STREAM, SUMS, check_sample_schema, units_of
from benchd.records.stream import batches, scan
from benchd.records.sums import fits_its_sum, seal
from benchd.rules.channels import Quality

DIGITS = 9
_ROWS_AT_ONCE = 60_000
_ROWS_PER_CONVERSION = 16_384
_POWERS = 10.0 ** np.arange(23)  # 1e22 is the last power of ten that is a double


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """The file that was written, its rows, and sentences about samples that could not be read."""

    path: Path
    rows: int
    missing: Sequence[str]


def export_csv(folder: str | os.PathLike[str]) -> Exported:
    """Write `samples.csv` beside the Parquet file: RFC 4180, UTF-8, a header of names and units, one row a tick.

    Values have 9 significant digits, the time microseconds. A cell is empty where the sample is not good (stale, over
    range, no number, nothing yet): nobody shall compute with it unawares; its number, age and quality are in the
    Parquet file. Takes the place of an older one. Raises `RecordsError`; an older file is then untouched.
    """
    path = Path(folder)
    if is_being_written(path / STREAM):
        raise RecordsError(f"{path} is still being written: export it after the run.")
    schema, source, missing = _source(path)
    target = path / CSV
    partial = target.with_name(target.name + ".partial")
    try:
        rows = _write(schema, source, partial)
        with partial.open("rb") as file:
            os.fsync(file.fileno())
        partial.replace(target)
        sync_directory(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise RecordsError(f"{target} could not be written: {cause_of(error)}.") from error
    except pa.ArrowException:
        partial.unlink(missing_ok=True)
        raise RecordsError(f"{path / PARQUET} is damaged: recover the folder, then export it.") from None
    if (path / SUMS).exists():  # else the folder is not finished, and must not look as if it were
        seal(path, renewed={CSV})
    return Exported(path=target, rows=rows, missing=missing)


def _source(folder: Path) -> tuple[pa.Schema, Iterator[pa.RecordBatch], Sequence[str]]:
    """The samples' schema, their batches and what is missing: from Parquet where its sum vouches for it."""
    parquet = folder / PARQUET
    if parquet.exists() and (fits_its_sum(parquet) or not (folder / STREAM).exists()):
        try:
            schema = pq.read_schema(parquet)
        except (pa.ArrowException, OSError, ValueError):  # ValueError: a damaged column name
            raise RecordsError(f"{parquet} is damaged: take it from a copy.") from None
        check_sample_schema(schema, where=str(parquet))
        return schema, _parquet_batches(parquet, _columns(schema)), ()
    found = scan(folder)
    if found.schema is None:
        raise RecordsError(f"{folder / STREAM} cannot be read: {found.missing[-1]}")
    return found.schema, batches(found), found.missing


def _parquet_batches(parquet: Path, columns: Sequence[str]) -> Iterator[pa.RecordBatch]:
    with pq.ParquetFile(parquet, page_checksum_verification=True) as file:
        yield from file.iter_batches(batch_size=_ROWS_AT_ONCE, columns=columns)


def _columns(schema: pa.Schema) -> list[str]:
    return [*FIXED_COLUMNS, *(column for name in units_of(schema) for column in (name, name + QUALITY))]


def _write(schema: pa.Schema, source: Iterator[pa.RecordBatch], path: Path) -> int:
    units = units_of(schema)
    head = pa.schema(
        [
            pa.field("time_mono_s [s]", pa.float64()),
            *(pa.field(name, schema.field(name).type) for name in FIXED_COLUMNS[1:]),
            *(pa.field(f"{name} [{unit}]", pa.float64()) for name, unit in units.items()),
        ]
    )
    options = pa_csv.WriteOptions(eol="\r\n", batch_size=_ROWS_PER_CONVERSION)  # RFC 4180, 2: lines end with CR LF
    rows = 0
    with pa_csv.CSVWriter(path, head, write_options=options) as writer:
        for batch in source:
            columns = [pa.array(_microseconds(batch.column("time_mono_s").to_numpy()))]
            columns += [batch.column(name) for name in FIXED_COLUMNS[1:]]
            for name in units:
                values = batch.column(name).to_numpy()
                good = batch.column(name + QUALITY).to_numpy() == Quality.GOOD
                columns.append(pa.array(significant(values), mask=~(good & np.isfinite(values))))
            writer.write_batch(pa.record_batch(columns, schema=head))
            rows += batch.num_rows
    return rows


def _microseconds(time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.rint(time_s * 1e6) / 1e6


def significant(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The doubles next to `values` of 9 significant digits, so that their shortest spelling has no more.

    Zero, NaN and infinity stay as they are. Below 1e-14, where no double holds the power of ten needed, fewer digits
    are kept: everything is a multiple of 1e-22.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        exponent = np.floor(np.log10(np.abs(values)))
    usable = np.isfinite(exponent)
    shift = np.where(usable, DIGITS - 1 - exponent, 0.0).astype(np.int64).clip(1 - len(_POWERS), len(_POWERS) - 1)
    up, down = _POWERS[np.maximum(shift, 0)], _POWERS[np.maximum(-shift, 0)]
    with np.errstate(over="ignore"):
        rounded = np.rint(values * up / down) * down / up
    return np.where(usable, rounded, values)
