"""Short runs over the wires of any bench that comes along, and what they say in results and PDF. Not a test."""

import json
import re
import shutil
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.app import evaluation
from benchd.app.demo import device_options
from benchd.app.paperwork import report_in_subprocess
from benchd.app.report import make_report
from benchd.settings.places import configs_directory
from tests.report.pdf_text import Pdf
from tests.scenarios.on_the_wire import Control, Daemon, the_folder, without_sentry
from tests.sensor_dates import never_overdue

RUN_WITHIN_S = 120.0
# quicker before the start, and patient with a busy machine: silence is counted in polls
QUICK = (
    (r"(?m)^pre_start_warning_s = .*", "pre_start_warning_s = 0.1"),
    (r"(?m)^zero_time_s = .*", "zero_time_s = 0.3"),
    (r"(?m)^age_limit_s = [01]\.\d", "age_limit_s = 2.0"),
    (r"(?m)^poll_hz = (20|50)$", "poll_hz = 10"),
    (r"(?m)^poll_hz = 100$", "poll_hz = 50"),
)


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a person can read of a run."""

    folder: Path
    results: Mapping[str, Any]
    report: str  # all letters of the PDF, as `_bare` leaves them

    def notes(self, test: str = "") -> str:
        """The sentences of one test, or of the run as a whole."""
        return " ".join(self.results["tests"][test]["notes"] if test else self.results["notes"])

    def quantity(self, test: str, name: str) -> Mapping[str, Any]:
        """One quantity of `results.json`."""
        return next(q for q in self.results["tests"][test]["quantities"] if q["name"] == name)

    def printed(self, words: str) -> bool:
        """Whether these words stand in the report, however its lines are broken and its channels are written."""
        return _bare(words) in self.report


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How `benchd serve` ended, and where its run is."""

    status: int
    sentences: list[str]
    events: list[dict[str, Any]]
    data: Path

    @property
    def folder(self) -> Path:
        """The one run folder."""
        return the_folder(self.data)

    def told(self) -> Told:
        """Evaluated and reported."""
        return told(self.folder)


def told(folder: Path) -> Told:
    """What a folder says when it is evaluated and reported now."""
    return _read(folder, report_in_subprocess(folder))


def told_here(folder: Path) -> Told:
    """The same from this very process: quicker where a story has many folders and no daemon."""
    trouble = ""
    try:
        evaluation.main(folder)
    except SystemExit as ended:
        trouble = str(ended)
    return _read(folder, make_report(folder, trouble=trouble))


def _read(folder: Path, report: Path) -> Told:
    return Told(
        folder=folder,
        results=json.loads((folder / "results.json").read_text(encoding="utf-8")),
        report=_bare(Pdf(report.read_bytes()).text),
    )


def _bare(text: str) -> str:
    return "".join(text.split()).replace("_", "").lower()


BLIND = "# without a voltage nobody counts what comes back"


def quick_configs(place: Path, bench: str) -> Path:
    """The files that come along, one bench of them quick and patient; returns their folder."""
    configs = place / "configs"
    never_overdue(shutil.copytree(configs_directory(), configs))
    file = configs / f"benches/{bench}.toml"
    file.write_text(without_sentry(file.read_text(encoding="utf-8")), encoding="utf-8")
    for old, new in QUICK:
        change(file, old, new)
    change(file, f"stale = true {BLIND}", "")  # stories of lost sense leads are about the numbers that are left
    return configs


def change(file: Path, old: str, new: str) -> None:
    """Replace a pattern in a file; fails where it does not stand there."""
    text, times = re.subn(old, new, file.read_text(encoding="utf-8"))
    assert times, f"{old!r} does not stand in {file}"
    file.write_text(text, encoding="utf-8")


def serve(
    configs: Path, bench: tuple[Mapping[str, Any], Control], programme: str, *, files: tuple[str, str, str], data: str
) -> Ended:
    """One run of this programme to its end, into a data folder of its own beside the settings.

    `files` names bench, motor and set-up. The chain is reset where an earlier daemon's end has opened it.
    """
    listening, control = bench
    file = configs / f"programmes/{tomllib.loads(programme)['name'].replace(' ', '_')}.toml"
    file.write_text(programme, encoding="utf-8")
    bench_file = configs / f"benches/{files[0]}.toml"
    place = configs.parent / data
    one = Daemon(
        [
            *(str(bench_file), str(file)),
            *(str(configs / f"motors/{files[1]}.toml"), str(configs / f"setups/{files[2]}.toml")),
            *("--order", "21", "--serial", "0077", "--operator", "Odile Brandvold", "--data", str(place)),
            "--no-report",
            *device_options(listening, bench_file),
        ],
        runtime=configs.parent,
    )
    try:
        while one.process.poll() is None and not (one.seen("state") or one.seen("waiting_for_chain")):
            time.sleep(0.05)
        if one.seen("waiting_for_chain"):
            time.sleep(0.3)  # until the heartbeat is there again
            control.ask("press", button="reset")
        status, _ = one.end(within_s=RUN_WITHIN_S)
    finally:
        one.close()
    return Ended(status=status, sentences=one.sentences, events=one.events, data=place)
