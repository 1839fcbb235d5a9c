"""Makes a run folder's `report.pdf`: reads the folder, has `report` set it, writes it. Run as a process of its own.

`python -m benchd.app.report RUN [--paper a4|letter]`; the daemon must never import this file.
"""

import argparse
import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from benchd.app.deciding import damage_words, raw_files_in
from benchd.app.streams import place_of
from benchd.app.waveform_windows import windows_of
from benchd.records import (
    FaultRecord,
    RecordsError,
    SampleColumns,
    read_description,
    read_ending,
    read_events,
    read_fault,
    read_samples,
    read_waveforms,
    recover,
    verify,
)
from benchd.records.durable import write_whole
from benchd.records.errors import SchemaTooNewError
from benchd.records.formats import EVENTS, PARQUET, REPORT, RESULTS, RUN, STREAM
from benchd.records.sums import read_sums, seal
from benchd.report import Fault, FaultSeries, Material, Samples, Window, render
from benchd.rules.channels import Quality

PAPERS = ("a4", "letter")
OURS = (RUN, EVENTS, STREAM, PARQUET)  # a folder with none of these is no run's
NEWEST_RESULTS = 2  # schema of results.json; this and older ones are understood
_Read = TypeVar("_Read")


def make_report(folder: Path, *, paper: str = "a4", trouble: str = "", against: Path | None = None) -> Path:
    """Write the folder's `report.pdf`, sum it in SHA256SUMS, and return its path; the same folder, the same bytes.

    `trouble` says why the folder could not be evaluated just now, where that was tried: its results are older then.
    `against` is a rehearsal of the same that the report shall hold the run against. What is missing or damaged in the
    folder is said in the report. Raises `RecordsError` in one sentence for what is no run folder, is still being
    written, is of a newer schema, or cannot be written.
    """
    if paper not in PAPERS:
        raise ValueError(f"the paper is {paper!r}: choose {' or '.join(PAPERS)}")
    place = folder.resolve()
    if not place.is_dir() or not any((place / name).exists() for name in OURS):
        raise RecordsError(f"{folder} is no run folder: name the folder that holds {RUN}.")
    material = read_material(place, trouble=trouble)
    if against is not None:
        material = replace(material, against=read_material(against.resolve()))
    path = place / REPORT
    write_whole(path, render(material, paper=paper))
    if material.sums:
        seal(place, renewed={REPORT})  # the report alone: a damaged results.json must stay seen as such
    return path


def read_material(folder: Path, *, trouble: str = "") -> Material:
    """The folder as `report` wants it; what cannot be read is named in `missing`. Raises as `make_report`."""
    missing: list[str] = []

    def read(what: Callable[[], _Read], instead: _Read) -> _Read:
        try:
            return what()
        except SchemaTooNewError:
            raise
        except RecordsError as error:
            missing.append(str(error))
        except Exception as error:  # noqa: BLE001 - a spoilt folder may spoil anything
            missing.append(f"Something in the folder cannot be read ({type(error).__name__} in {place_of(error)}).")
        return instead

    _recovered(folder)
    nothing: dict[str, Any] = {}
    description = read(lambda: read_description(folder), nothing)
    ending = read(lambda: read_ending(folder), None)
    events = read(lambda: read_events(folder), list[dict[str, Any]]())
    results = read(lambda: _results(folder), None)
    columns = read(lambda: read_samples(folder), None)
    windows, lossy = read(lambda: windows_of(read_waveforms(folder), description), (list[Window](), list[str]()))
    fault = read(lambda: read_fault(folder), None)
    sums = read(lambda: read_sums(folder), dict[str, str]())
    changed = read(lambda: verify(folder), list[str]())
    damaged = raw_files_in([*missing, *([] if columns is None else columns.missing), *lossy, *changed])
    if trouble:
        older = "The results are those of an earlier evaluation, which cannot be repeated now: "
        missing = [trouble if results is None else older + trouble, *missing]
    spoilt = [fault.damage] if fault is not None and fault.damage else []
    told = [*missing, *([] if columns is None else columns.missing), *lossy, *changed, *spoilt]
    forged = any(one.startswith(f"{RESULTS} differs") for one in changed)
    return Material(
        folder=folder.name,
        description=description,
        ending=ending,
        events=events,
        results=results,
        samples=None if columns is None else samples_of(columns),
        windows=windows,
        fault=None if fault is None or fault.damage else fault_of(fault),
        sums=sums,
        missing=_told_once(told, folder),
        withheld=_withheld(damaged, forged=forged, older=bool(trouble)),
    )


def _withheld(damaged: Sequence[str], *, forged: bool, older: bool) -> str:
    """Why the results' verdict must not be repeated: half a sentence, "" where it may."""
    if damaged:
        return damage_words(damaged)
    if forged:
        return f"{RESULTS} was changed after it was written"
    return "they are those of an earlier evaluation, which cannot be repeated now" if older else ""


def _recovered(folder: Path) -> None:
    """Bring a folder whose run was killed into its lasting form. Raises `RecordsError` for one still being written."""
    try:
        ended = read_ending(folder) is not None
    except SchemaTooNewError:
        raise
    except RecordsError:
        return  # a damaged ending is an ending; what is wrong with it is said in the report
    if not ended:
        recover(folder)


def _results(folder: Path) -> Mapping[str, Any] | None:
    path = folder / RESULTS
    try:
        found = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise RecordsError(f"{path} is missing: evaluate the run first.") from None
    except (OSError, ValueError, RecursionError):
        raise RecordsError(f"{path} is damaged and cannot be read: evaluate the run again.") from None
    schema = found.get("schema") if isinstance(found, dict) else None
    if isinstance(schema, bool) or not isinstance(schema, int) or not 1 <= schema <= NEWEST_RESULTS:
        raise RecordsError(f"{path} is damaged or of a newer release than this one: evaluate the run again.")
    results: Mapping[str, Any] = found
    return results


def samples_of(columns: SampleColumns) -> Samples:
    """The samples as `report` wants them."""
    return Samples(
        time_mono_s=columns.time_mono_s,
        test=columns.test,
        point=columns.point,
        values=columns.values,
        good={name: quality == 0 for name, quality in columns.quality.items()},
        units=columns.units,
    )


def fault_of(record: FaultRecord) -> Fault:
    """The fault record as `report` wants it, its times counted from the first cause."""
    at_s = record.trip_mono_s
    return Fault(
        cause=record.cause,
        trip_mono_s=at_s,
        from_s=record.from_mono_s - at_s,
        until_s=record.until_mono_s - at_s,
        whole=record.whole,
        channels={
            name: FaultSeries(
                unit=series.unit,
                time_s=series.time_mono_s - at_s,
                value=series.value,
                good=(series.quality == Quality.GOOD) | (series.quality == Quality.OVER_RANGE),
            )
            for name, series in record.channels.items()
        },
        states=[(since_s - at_s, number) for since_s, number in record.states],
    )


def _told_once(sentences: Sequence[str], folder: Path) -> tuple[str, ...]:
    """Each sentence once, without where the folder happens to stand and without the report's own state."""
    short = (one.replace(f"{folder}/", "").replace(str(folder), "The folder") for one in sentences)
    return tuple(dict.fromkeys(one for one in short if not one.startswith(f"{REPORT} ")))


def main(arguments: Sequence[str] | None = None) -> None:
    """Make one report; ends with one sentence on standard error where that is not possible."""
    parser = argparse.ArgumentParser(prog="benchd.app.report", description="Make a run folder's report.pdf.")
    parser.add_argument("run", type=Path, metavar="RUN", help="a run folder")
    parser.add_argument("--paper", choices=PAPERS, default="a4")
    parser.add_argument("--trouble", default="", help="why the folder could not be evaluated just now")
    parser.add_argument("--against", type=Path, help="the folder of a rehearsal of the same")
    given = parser.parse_args(arguments)
    try:
        path = make_report(given.run, paper=given.paper, trouble=given.trouble, against=given.against)
    except RecordsError as error:
        sys.exit(str(error))
    except Exception as error:  # noqa: BLE001 - the last resort: a person gets one sentence, whatever happened
        what = f"{type(error).__name__} in {place_of(error)}: {error}"
        sys.exit(f"The report of {given.run} could not be made ({what}): report it with the folder.")
    sys.stdout.write(f"{path}\n")


if __name__ == "__main__":
    main()
