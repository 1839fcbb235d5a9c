"""Which rehearsal a run is held against: the one that was named, or the newest of the same programme and motor type.

It must never take a rehearsal of something else for the run's own.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd.records import RecordsError, read_description
from benchd.records.formats import RUN
from benchd.records.run_folder import configuration_sha256

NEWEST = "newest"
REHEARSALS = "rehearsals"  # below the data directory: no run is looked for there
REHEARSAL = "rehearsal"  # the mark in run.json
UP_TO_DATA = 2  # from a run folder, over serial and order, to the data directory


def rehearsal_for(run: Path, against: str) -> Path:
    """The folder to hold `run` against: `against` is a folder, or "newest".

    Raises `RecordsError` in one sentence where there is none, or where it is of another programme or motor type.
    """
    description = read_description(run)
    if description.get(REHEARSAL) is not None:
        raise RecordsError(f"{run} is a rehearsal itself: name the folder of a run.")
    return _newest(run, description) if against == NEWEST else _named(run, description, Path(against))


def _named(run: Path, description: Mapping[str, Any], folder: Path) -> Path:
    found = read_description(folder)
    if found.get(REHEARSAL) is None:
        raise RecordsError(f"{folder} is no rehearsal: name a folder that benchd rehearse made, or {NEWEST}.")
    for what, mine, its in zip(("programme", "motor type"), _job(description), _job(found), strict=True):
        if mine != its:
            raise RecordsError(
                f"{folder} rehearses another {what} than {run} has: rehearse what was run, or name another rehearsal."
            )
    return folder


def _newest(run: Path, description: Mapping[str, Any]) -> Path:
    """By when it was written: a rehearsal's own times are virtual."""
    root = run.resolve().parents[UP_TO_DATA] / REHEARSALS
    alike: list[tuple[int, str, Path]] = []
    for file in sorted(root.glob(f"order=*/serial=*/*/{RUN}")):
        try:
            found = read_description(file.parent)
            if found.get(REHEARSAL) is not None and _job(found) == _job(description):
                alike.append((file.stat().st_mtime_ns, str(file), file.parent))
        except (RecordsError, OSError):
            continue  # a spoilt rehearsal is none; naming it says what is wrong with it
    if not alike:
        raise RecordsError(
            f"{root} holds no rehearsal of this run's programme and motor type: run benchd rehearse, or name a folder."
        )
    return max(alike)[2]


def _job(description: Mapping[str, Any]) -> tuple[str, tuple[object, object]]:
    """Hash of the programme, and the type of motor."""
    files = description.get("configuration")
    files = files if isinstance(files, Mapping) else {}
    motor = files.get("motor")
    motor = motor if isinstance(motor, Mapping) else {}
    return configuration_sha256(files.get("programme")), (motor.get("manufacturer"), motor.get("type_designation"))
