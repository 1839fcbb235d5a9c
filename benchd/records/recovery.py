"""Brings a folder that was left in the middle of a run into its lasting form. It must never change the raw stream."""

import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from benchd.records.clock import utc_text
from benchd.records.durable import is_being_written
from benchd.records.errors import RecordsError, SchemaTooNewError
from benchd.records.events import check_events
from benchd.records.fault import check_fault
from benchd.records.finish import write_parquet
from benchd.records.formats import ENDING, EVENTS, PARQUET, RUN, STREAM, SUMS
from benchd.records.reading import read_samples
from benchd.records.run_folder import Ending, read_description, read_ending, write_ending
from benchd.records.stream import scan
from benchd.records.sums import fits_its_sum, seal


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What was done to a folder: how the run ended, how many rows can be read, and what is missing in sentences."""

    ending: Ending
    rows: int
    sentences: tuple[str, ...]


def recover(folder: str | os.PathLike[str], *, now: datetime | None = None) -> Recovery:
    """Keep every whole sound batch, say what is missing, and bring the folder into its lasting form.

    A run without an ending is marked "interrupted".
    Legal on any folder and twice: what is sound stays as it is. `now` is when it is done (None: the clock).
    Raises `RecordsError` when the folder is still being written, is of a newer schema, or cannot be written.
    """
    path = Path(folder)
    if not path.is_dir():
        raise RecordsError(f"{path} is no folder: check the path.")
    if is_being_written(path / STREAM) or is_being_written(path / EVENTS):
        raise RecordsError(f"{path} is still being written: recover it after the run.")
    sentences = _about_description(path)
    samples, rows, remade = _recover_samples(path)
    sentences += samples
    if (path / EVENTS).exists():
        sentences += check_events(path)
    sentences += check_fault(path)
    ending = _known_ending(path)
    renewed = {PARQUET} if remade else set()
    if ending is None:
        ending = Ending.INTERRUPTED
        sentences.append(_where_it_stopped(path, rows))
        write_ending(
            path,
            ending,
            why="The run was interrupted: it has no ending of its own.",
            utc=utc_text(now or datetime.now(UTC)),
            missing=tuple(sentences),
        )
        renewed.add(ENDING)
    _seal(path, renewed, sentences)
    return Recovery(ending=ending, rows=rows, sentences=tuple(sentences))


def _about_description(path: Path) -> list[str]:
    try:
        read_description(path)
    except SchemaTooNewError:
        raise
    except RecordsError:
        return [f"{RUN} cannot be read: who ran what is not known from this folder."]
    return []


def _recover_samples(path: Path) -> tuple[list[str], int, bool]:
    """Sentences, readable rows, and whether the Parquet file was made anew."""
    if not (path / STREAM).exists():
        return [f"{STREAM} is missing: no samples were recorded."], 0, False
    found = scan(path)
    sentences = list(found.missing)
    parquet = path / PARQUET
    vouched = fits_its_sum(parquet) if parquet.exists() else None
    if vouched:
        kept = read_samples(path, channels=())
        if sentences:
            sentences.append(f"{PARQUET} is sound and holds {kept.rows} rows.")
        return sentences, kept.rows, False
    if vouched is False:
        sentences.append(f"{PARQUET} was damaged and is made again from {STREAM}.")
    write_parquet(found)
    return sentences, found.rows, True


def _known_ending(path: Path) -> Ending | None:
    try:
        ending = read_ending(path)
        return None if ending is None else Ending(str(ending.get("ending")))
    except SchemaTooNewError:
        raise
    except (RecordsError, ValueError):
        return None


def _where_it_stopped(path: Path, rows: int) -> str:
    if not rows:
        return "The run was interrupted before a sample reached the disk."
    last_mono_s = float(read_samples(path, channels=()).time_mono_s[-1])
    return (
        f"The run was interrupted: {rows} rows can be read, the last one of loop time {last_mono_s:.3f} s; "
        "what was measured after it never reached the disk."
    )


def _seal(path: Path, renewed: set[str], sentences: list[str]) -> None:
    try:
        seal(path, renewed=renewed)
    except RecordsError:
        if not (path / SUMS).exists():
            raise
        # damaged sums prove nothing any more; keep them for whoever looks, and sum what is there now
        sentences.append(f"{SUMS} was damaged and is made again; the old one is kept as {SUMS}.damaged.")
        (path / SUMS).replace(path / f"{SUMS}.damaged")
        seal(path)
