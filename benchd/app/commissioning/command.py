"""`benchd commission`: the campaign, its record, its paper. The paper is set in a process of its own."""

import datetime as dt
import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from benchd.app.commissioning.campaign import CommissioningFailed
from benchd.app.commissioning.provoked import Answer, NotProvoked
from benchd.app.commissioning.record import record
from benchd.app.commissioning.session import commission
from benchd.app.wiring import PlannedRun
from benchd.records import RecordsError
from benchd.records.durable import write_whole
from benchd.records.errors import cause_of
from benchd.settings.bench import Bench

RECORD, PAPER = "commissioning.json", "commissioning.pdf"


def carried_out(
    bench: Bench,
    run: PlannedRun,
    *,
    runtime_directory: Path,
    times: int,
    operator: str,
    paper: str,
    only: Sequence[str],
    say: Callable[[str], object],
) -> tuple[Path, bool]:
    """The campaign; its folder, and whether everything was answered as wanted.

    A campaign that cannot go on leaves the record of what it has. Raises `RecordsError` in one sentence where nothing
    could be begun or written.
    """
    utc = dt.datetime.now(tz=dt.UTC).replace(microsecond=0)
    folder = bench.data_directory / "commissioning" / f"{utc:%Y%m%dT%H%M%SZ}"
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise RecordsError(f"{folder} could not be made: {cause_of(error)}.") from error
    answers: list[Answer] = []
    left_out: list[NotProvoked] = []
    trouble = ""
    try:
        commission(
            bench,
            run,
            runtime_directory=runtime_directory,
            times=times,
            say=say,
            answers=answers,
            left_out=left_out,
            only=only,
        )
    except CommissioningFailed as error:
        trouble = str(error)
    except KeyboardInterrupt:
        trouble = "It was interrupted."
    made = record(
        bench, run, answers, left_out, utc=f"{utc:%Y-%m-%dT%H:%M:%SZ}", operator=operator, times=times, trouble=trouble
    )
    write_whole(folder / RECORD, json.dumps(made, indent=1, ensure_ascii=False, allow_nan=False).encode() + b"\n")
    _paper(folder, paper)
    if trouble:
        raise RecordsError(f"The campaign ended before its end: {trouble} What was measured is in {folder}.")
    return folder, all(one.as_wanted for one in answers)


def _paper(folder: Path, paper: str) -> None:
    done = subprocess.run(  # noqa: S603 - this very interpreter and a file of ours
        [sys.executable, "-m", "benchd.app.commissioning.command", str(folder), paper],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        last = done.stderr.strip().splitlines()[-1:]
        raise RecordsError(f"The paper of {folder} could not be made: {' '.join(last) or done.returncode}")


def main() -> None:
    """`python -m benchd.app.commissioning.command FOLDER PAPER`: set the record of this folder; never in the daemon."""
    from benchd.report.commissioning import render_commissioning  # noqa: PLC0415

    folder, paper = Path(sys.argv[1]), sys.argv[2]
    made = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    write_whole(folder / PAPER, render_commissioning(made, paper=paper))


if __name__ == "__main__":
    main()
