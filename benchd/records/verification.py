"""Checks a run folder against its own sums, checksums and schema versions. It writes nothing."""

import os
from collections.abc import Callable, Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from benchd.records.errors import RecordsError
from benchd.records.events import check_events
from benchd.records.fault import check_fault
from benchd.records.formats import EVENTS, PARQUET, RUN, STREAM, check_sample_schema
from benchd.records.run_folder import Ending, configuration_sha256, read_description, read_ending
from benchd.records.stream import scan
from benchd.records.sums import check_sums, fits_its_sum


def verify(folder: str | os.PathLike[str]) -> list[str]:
    """One sentence for each thing that is wrong with the folder; empty when all fits. Never raises for damage."""
    path = Path(folder)
    if not path.is_dir():
        return [f"{path} is no folder: check the path."]
    return [
        *_said(lambda: _check_run(path)),
        *_said(lambda: _check_ending(path)),
        *_said(lambda: _check_samples(path)),
        *_said(lambda: _check_parquet(path)),
        *_said(lambda: check_events(path) if (path / EVENTS).exists() else []),
        *_said(lambda: check_fault(path)),
        *check_sums(path),
    ]


def _said(check: Callable[[], Iterable[str]]) -> list[str]:
    try:
        return list(check())
    except RecordsError as error:
        return [str(error)]


def _check_run(path: Path) -> list[str]:
    run = read_description(path)
    if configuration_sha256(run.get("configuration")) != run.get("configuration_sha256"):
        return [f"The configuration in {RUN} differs from its hash: it was changed after the run."]
    return []


def _check_ending(path: Path) -> list[str]:
    ending = read_ending(path)
    if ending is None:
        return [f"{path} has no ending: the run is still going or was interrupted; recover the folder if it is not."]
    if ending.get("ending") not in set(Ending):
        return [f"{path} has the unknown ending {ending.get('ending')!r}."]
    return []


def _check_samples(path: Path) -> list[str]:
    if not (path / STREAM).exists():
        return [] if (path / PARQUET).exists() else [f"{path} holds no samples."]
    found = scan(path)
    sentences = list(found.missing)
    ending = read_ending(path)
    if ending is not None and ending.get("ending") != Ending.INTERRUPTED and not found.ended and not sentences:
        sentences.append(f"{STREAM} has no end although the run has one.")
    return sentences


def _check_parquet(path: Path) -> list[str]:
    if not (path / PARQUET).exists() or fits_its_sum(path / PARQUET) is False:
        return []  # the sums say so already; what is known to be damaged is not parsed
    try:
        with pq.ParquetFile(path / PARQUET) as file:
            check_sample_schema(file.schema_arrow, where=str(path / PARQUET))
            rows = file.metadata.num_rows
    except (pa.ArrowException, OSError, ValueError):  # ValueError: a damaged column name
        return [f"{PARQUET} is damaged; recover the folder to make it again from {STREAM}."]
    if (path / STREAM).exists() and rows != (proven := scan(path).rows):
        return [f"{PARQUET} has {rows} rows and {STREAM} {proven} readable ones."]
    return []
