"""Turns a closed run folder into its lasting form: Parquet and sums. It must never touch the raw stream."""

import contextlib
import os
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from benchd.records.durable import sync_directory
from benchd.records.errors import RecordsError, cause_of
from benchd.records.formats import PARQUET, REPORT, RESULTS, STREAM
from benchd.records.stream import Scan, batches, scan
from benchd.records.sums import seal

_ROWS_PER_GROUP = 60_000  # five minutes at 200 Hz: large enough to compress, small enough for the memory


def finish(folder: str | os.PathLike[str]) -> tuple[str, ...]:
    """Write `samples.parquet` and `SHA256SUMS`; returns sentences about what is missing, empty for a sound run.

    For an executor thread or another process, after journal and event log are closed and the ending is written.
    Legal twice. Raises `RecordsError`; the folder is then as before and stays readable.
    """
    path = Path(folder)
    missing: tuple[str, ...] = ()
    if (path / STREAM).exists():
        found = scan(path)
        missing = tuple(found.missing)
        if not (path / PARQUET).exists():
            write_parquet(found)
    seal(path)
    return missing


def reseal(folder: str | os.PathLike[str]) -> None:
    """Renew the sums after `results.json` or `report.pdf` were written. Raises `RecordsError`."""
    seal(Path(folder), renewed={RESULTS, REPORT})


def write_parquet(found: Scan) -> None:
    """Write all readable rows as Parquet beside the stream: same columns, same field metadata, pages with checksums.

    Snappy, because every reader of Parquet has it. Raises `RecordsError`; an older file is then untouched.
    """
    if found.schema is None:
        return
    path = found.path.with_name(PARQUET)
    partial = path.with_name(path.name + ".partial")
    try:
        with pq.ParquetWriter(partial, found.schema, compression="snappy", write_page_checksum=True) as writer:
            waiting: list[pa.RecordBatch] = []
            rows = 0
            for batch in batches(found):
                waiting.append(batch)
                rows += batch.num_rows
                if rows >= _ROWS_PER_GROUP:
                    writer.write_table(pa.Table.from_batches(waiting), row_group_size=rows)
                    waiting, rows = [], 0
            if waiting:
                writer.write_table(pa.Table.from_batches(waiting), row_group_size=rows)
        with partial.open("rb") as file:
            os.fsync(file.fileno())
        partial.replace(path)
        sync_directory(path.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise RecordsError(f"{path} could not be written: {cause_of(error)}.") from error
