"""`benchd sheet`: the values of a set-up sheet, and its page. The page is set in a process of its own."""

import datetime as dt
import json
import subprocess
import sys
from pathlib import Path

from benchd.app.sheet.content import content
from benchd.app.wiring import PlannedRun
from benchd.records import RecordsError
from benchd.records.errors import cause_of
from benchd.settings.bench import Bench

PDF = b"%PDF-"
LONGEST_NAME = 40  # letters of order and of serial number in a file's name


def default_file(run: PlannedRun) -> Path:
    """Where a sheet goes that nobody named a file for: in this directory, by order and serial number."""
    named = (_plain(run.job.order), _plain(run.job.serial))
    return Path("_".join(("setup_sheet", *(one[:LONGEST_NAME] for one in named))) + ".pdf")


def _plain(name: str) -> str:
    return "".join(letter if letter.isalnum() or letter in "-." else "-" for letter in name)


def write_sheet(bench: Bench, run: PlannedRun, file: Path, *, on: dt.date) -> None:
    """Set the sheet of this job into `file`.

    Raises `RecordsError` in one sentence where it cannot be set or written; a file that is no PDF is left as it is.
    """
    _refuse_other_files(file)
    made = json.dumps(content(bench, run, on=on), ensure_ascii=False, allow_nan=False)
    done = subprocess.run(  # noqa: S603 - this very interpreter and a file of ours
        [sys.executable, "-m", "benchd.app.sheet.page", str(file.absolute())],
        input=made,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode != 0:
        last = done.stderr.strip().splitlines()[-1:]
        raise RecordsError(f"The set-up sheet {file} could not be made: {' '.join(last) or done.returncode}")


def _refuse_other_files(file: Path) -> None:
    """A mistyped name must not cost anybody a settings file."""
    try:
        with file.open("rb") as there:
            begins = there.read(len(PDF))
    except FileNotFoundError:
        return
    except OSError as error:
        raise RecordsError(f"{file} cannot become the set-up sheet: {cause_of(error)}.") from error
    if begins != PDF:
        raise RecordsError(f"{file} is there and is no PDF: give the sheet another name.")
