"""What follows a run: its results and its report, each in a process of its own. It must never touch the bench."""

import os
import subprocess
import sys
from pathlib import Path

from benchd.app.evaluation import ONE_THREAD, evaluate_in_subprocess
from benchd.records import RecordsError


def report_in_subprocess(folder: Path, *, paper: str = "a4") -> Path:
    """Evaluate the folder and make its `report.pdf`; returns the PDF's path.

    A folder that cannot be evaluated gets a report all the same, which says so. Raises `RecordsError` in one sentence
    where no report can be made.
    """
    try:
        evaluate_in_subprocess(folder)
    except RecordsError as error:
        if not folder.is_dir():
            raise
        trouble = str(error)
    else:
        trouble = ""
    done = subprocess.run(  # noqa: S603 - this very interpreter and a file of ours
        [sys.executable, "-m", "benchd.app.report", str(folder), "--paper", paper, f"--trouble={trouble}"],
        env={**os.environ, **ONE_THREAD},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        last = done.stderr.strip().splitlines()[-1:]
        raise RecordsError(
            " ".join([*last, trouble]) or f"The report of {folder} could not be made: status {done.returncode}."
        )
    return Path(done.stdout.strip())
