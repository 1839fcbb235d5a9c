"""`benchd rehearse`: plays, puts the folder in its place, has it evaluated and set. Its folder is never a run's."""

import hashlib
import json
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.app.against import REHEARSALS
from benchd.app.paperwork import report_in_subprocess
from benchd.app.rehearsing.session import play
from benchd.app.rehearsing.twins import TwinBench
from benchd.app.streams import place_of
from benchd.app.wiring import PlannedRun
from benchd.records import RecordsError
from benchd.records.errors import cause_of
from benchd.records.formats import RESULTS, RUN
from benchd.settings.bench import Bench

COMPLETES, FAILED, TRIPS = 0, 1, 3
NAMED_BY = 12  # digits of the hash of run.json


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsed:
    """What came of it: exit status, one sentence, and where folder and report are; None where nothing was begun."""

    status: int
    sentence: str
    folder: Path | None = None
    report: Path | None = None
    lasted_s: float = 0.0


def rehearse(bench: Bench, run: PlannedRun, twin: TwinBench, *, paper: str = "a4") -> Rehearsed:
    """Play the run and write its folder and report; an earlier rehearsal of exactly the same is replaced.

    Raises `RecordsError` in one sentence where nothing can be written, and for a defect of the live room or the twin.
    """
    root = bench.data_directory / REHEARSALS
    try:
        root.mkdir(parents=True, exist_ok=True)
        playing = Path(tempfile.mkdtemp(prefix=".playing-", dir=root))
    except OSError as error:
        raise RecordsError(f"{root} could not be made: {cause_of(error)}.") from error
    try:
        played = _played(bench, run, twin, playing)
        if played.folder is None:
            why = " ".join(dict.fromkeys(played.sentences)) or f"the bench came to {played.state.title}."
            return Rehearsed(status=FAILED, sentence=f"The programme would not start: {why}")
        folder = _in_its_place(played.folder, playing, root)
    finally:
        shutil.rmtree(playing, ignore_errors=True)
    report = report_in_subprocess(folder, paper=paper)
    found = json.loads((folder / RESULTS).read_text(encoding="utf-8"))["rehearsal"]
    status = TRIPS if found["trip"] is not None else COMPLETES if found["completes"] else FAILED
    return Rehearsed(status=status, sentence=found["sentence"], folder=folder, report=report, lasted_s=played.lasted_s)


def _played(bench: Bench, run: PlannedRun, twin: TwinBench, into: Path) -> Any:
    marks: Mapping[str, Any] = {"rehearsal": twin.marks(), "utc_offset_s": 0.0}
    try:
        return play(bench, run, twin, into=into, marks=marks)
    except Exception as error:
        first: BaseException = error
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        raise RecordsError(
            f"The rehearsal ended in an error of its own ({type(first).__name__} in {place_of(first)}: {first}): "
            "report it with the files."
        ) from error


def _in_its_place(folder: Path, playing: Path, root: Path) -> Path:
    """Name the folder by what was rehearsed, not by a time: the same again takes its place."""
    fingerprint = hashlib.sha256((folder / RUN).read_bytes()).hexdigest()[:NAMED_BY]
    programme = folder.name.partition("_")[2]
    place = root / folder.relative_to(playing).parent / f"{fingerprint}_{programme}"
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        if place.exists():
            place.rename(playing / "replaced")
        folder.rename(place)
    except OSError as error:
        raise RecordsError(f"{place} could not be written: {cause_of(error)}.") from error
    return place
