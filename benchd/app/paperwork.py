"""What follows a run: its results and its report, each in a process of its own. It must never touch the bench."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from benchd.app.evaluation import ONE_THREAD, RESULTS, evaluate_in_subprocess
from benchd.app.streams import say, tell
from benchd.app.tables import HEADLINES
from benchd.records import RecordsError

NICER = 10  # than the daemon, which may be playing the next run


def report_in_subprocess(folder: Path, *, paper: str = "a4", against: Path | None = None) -> Path:
    """Evaluate the folder and make its `report.pdf`, held `against` a rehearsal's folder; returns the PDF's path.

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
    beside = [] if against is None else [f"--against={against}"]
    if against is not None and not (against / RESULTS).exists():
        evaluate_in_subprocess(against)
    done = subprocess.run(  # noqa: S603 - this very interpreter and a file of ours
        [sys.executable, "-m", "benchd.app.report", str(folder), "--paper", paper, f"--trouble={trouble}", *beside],
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


def summary(folder: Path, report: Path) -> dict[str, Any]:
    """What is announced of an evaluated run: decision, headline quantities, where the report lies."""
    results = json.loads((folder / RESULTS).read_text(encoding="utf-8"))
    decision = results["decision"] or {}
    return {
        "decision": decision.get("verdict", "none"),
        "sentence": decision.get("sentence", ""),
        "results": [
            {
                "quantity": f"{name}.{one['name']}",
                "value": one["value"],
                "unit": one["unit"],
                "expanded_uncertainty": one.get("expanded_uncertainty"),
                "sentence": "" if one["value"] is not None else one.get("reason") or "not determined",
            }
            for name, test in sorted(results["tests"].items(), key=lambda named: named[1]["index"])
            for one in test["quantities"]
            if one["name"] in HEADLINES.get(test["kind"], ())
        ],
        "report": str(report),
    }


def main() -> None:
    """`python -m benchd.app.paperwork RUN`: results and report, then one line of JSON, or one sentence and status 1."""
    folder = Path(sys.argv[1])
    os.nice(NICER)
    try:
        report = report_in_subprocess(folder)
        text = json.dumps(summary(folder, report), allow_nan=False)
    except (RecordsError, OSError, ValueError, LookupError) as error:
        tell(str(error))
        sys.exit(1)
    say(text)


if __name__ == "__main__":
    main()
