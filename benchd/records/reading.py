"""Reads the samples of a run folder as arrays. It writes nothing, and it says what it could not read."""

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from benchd.records.errors import RecordsError
from benchd.records.formats import (
    AGE,
    FIXED_COLUMNS,
    PARQUET,
    QUALITY,
    STREAM,
    check_sample_schema,
    units_of,
)
from benchd.records.stream import batches, scan
from benchd.records.sums import fits_its_sum


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleColumns:
    """The samples of a run, one array entry a row; the mappings are by channel name."""

    time_mono_s: npt.NDArray[np.float64]
    state: npt.NDArray[np.int8]
    test: npt.NDArray[np.int16]
    point: npt.NDArray[np.int16]
    values: Mapping[str, npt.NDArray[np.float64]]  # in the unit of `units`
    ages_s: Mapping[str, npt.NDArray[np.float32]]
    quality: Mapping[str, npt.NDArray[np.uint8]]
    units: Mapping[str, str]
    missing: Sequence[str]  # sentences about what could not be read; empty for a sound folder

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return len(self.time_mono_s)


def read_samples(folder: str | os.PathLike[str], *, channels: Collection[str] | None = None) -> SampleColumns:
    """The samples of a run: from `samples.parquet` when it is sound, else the proven batches of the stream.

    `channels` limits what is read into memory; None is all. Raises `RecordsError` when there are no samples, a
    channel is not among them, or the schema is newer.
    """
    path = Path(folder)
    missing: list[str] = []
    table = _read_parquet(path, channels)
    if table is None:
        if fits_its_sum(path / PARQUET) is False:
            missing.append(f"{PARQUET} is damaged or gone; the samples are read from {STREAM}.")
        found = scan(path)
        if found.schema is None:
            raise RecordsError(f"{path / STREAM} cannot be read: {found.missing[-1]}")
        names = _columns(found.schema, channels, where=path / STREAM)
        kept = [batch.select(names) for batch in batches(found)]
        table = pa.Table.from_batches(kept, schema=pa.schema([found.schema.field(name) for name in names]))
        missing += found.missing
    return _columns_of(table, missing)


def _columns(schema: pa.Schema, channels: Collection[str] | None, *, where: Path) -> list[str]:
    units = units_of(schema)
    wanted = list(units) if channels is None else list(channels)
    for name in wanted:
        if name not in units:
            raise RecordsError(f"{where} has no channel {name!r}: it has {', '.join(units)}.")
    return [*FIXED_COLUMNS, *(name + end for name in wanted for end in ("", AGE, QUALITY))]


def _read_parquet(folder: Path, channels: Collection[str] | None) -> pa.Table | None:
    """The wanted columns; None when there is no such file, or the stream is there and no sum vouches for this one."""
    path = folder / PARQUET
    if not path.exists() or (not fits_its_sum(path) and (folder / STREAM).exists()):
        return None
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            schema = file.schema_arrow
            check_sample_schema(schema, where=str(path))
            return file.read(columns=_columns(schema, channels, where=path))
    except (pa.ArrowException, OSError, ValueError):  # ValueError: a damaged column name
        raise RecordsError(f"{path} is damaged: take it from a copy.") from None


def _columns_of(table: pa.Table, missing: Sequence[str]) -> SampleColumns:
    units = units_of(table.schema)

    def column(name: str) -> Any:
        return table.column(name).to_numpy()

    return SampleColumns(
        time_mono_s=column("time_mono_s"),
        state=column("state"),
        test=column("test"),
        point=column("point"),
        values={name: column(name) for name in units},
        ages_s={name: column(name + AGE) for name in units},
        quality={name: column(name + QUALITY) for name in units},
        units=units,
        missing=tuple(missing),
    )
