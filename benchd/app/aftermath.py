"""What is announced of a run: that it began, how it ended, what came out of it. It must never touch the bench.

Results and report are made by a process of their own, which a nearly full machine may kill without any harm.
"""

import asyncio
import contextlib
import datetime as dt
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ValidationError

from benchd.app.announcing import Announcer, Outlet
from benchd.outside.messages import ResultBrief, RunAnnouncement, RunBrief

GOES_FIRST = "500"  # of 1000
Ending = Literal["complete", "stopped", "aborted"]


class Summary(BaseModel):
    """What `python -m benchd.app.paperwork` prints."""

    decision: Literal["accepted", "rejected", "undecided", "none"]
    sentence: str
    results: tuple[ResultBrief, ...]
    report: str


class Evaluated:
    """What the process that evaluates had to say: a summary, or the sentence why there is none."""

    def __init__(self, *, summary: Mapping[str, Any] | None, sentence: str) -> None:
        self.summary = summary
        self.sentence = sentence

    @property
    def report(self) -> Path | None:
        """Where the report is."""
        return None if self.summary is None else Path(self.summary["report"])


async def evaluated(folder: Path) -> Evaluated:
    """Results and report of a finished folder; whatever goes wrong comes back in words. Cancelled, it ends them."""
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "benchd.app.paperwork",
            str(folder),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
    except OSError as error:  # too many processes, no memory
        why = error.strerror or str(error)
        return Evaluated(summary=None, sentence=f"No process could be started to evaluate {folder}: {why}.")
    _goes_first(process.pid)
    try:
        out, err = await process.communicate()
    except asyncio.CancelledError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        raise
    try:
        return Evaluated(summary=Summary.model_validate_json(out).model_dump(), sentence="")
    except ValidationError:
        said = err.decode(errors="replace").strip().splitlines()[-1:]
        told = said[0] if said else f"{folder} could not be evaluated: status {process.returncode}."
        return Evaluated(summary=None, sentence=told)


def _goes_first(pid: int) -> None:
    """Where memory runs out this process goes, not the daemon, whose protection it would inherit (proc(5))."""
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text(GOES_FIRST, encoding="ascii")


class RunNews:
    """Announces one run after the other. Without an outlet it announces nothing."""

    def __init__(self, announcer: Announcer | None, outlet: Outlet | None, *, utc: Callable[[], dt.datetime]) -> None:
        self._announcer = announcer
        self._outlet = outlet
        self._utc = utc
        self._briefs: dict[Path, RunBrief] = {}  # of runs that are not evaluated yet: another may be chosen meanwhile

    def started(self, folder: Path) -> None:
        """The folder is open."""
        if self._announcer is None:
            return
        self._announcer.begun(folder.name)
        if self._announcer.brief is not None:
            self._briefs[folder] = self._announcer.brief
        self._tell(folder, phase="started")

    def ended(self, folder: Path, *, ending: Ending, why: str, last: bool = False) -> None:
        """The folder is finished; with `last` nothing more is announced of it."""
        self._tell(folder, phase="ended", ending=ending, why=why)
        if last:
            self._briefs.pop(folder, None)

    def evaluated(self, folder: Path, found: Evaluated) -> None:
        """Its results are there, or not."""
        if found.summary is None:
            self._tell(folder, phase="not evaluated", sentence=found.sentence)
        else:
            self._tell(folder, phase="evaluated", **found.summary)
        self._briefs.pop(folder, None)

    def _tell(self, folder: Path, **fields: object) -> None:
        brief = self._briefs.get(folder)
        if self._announcer is None or self._outlet is None or brief is None:
            return
        head = {
            "id": self._announcer.next_id(),
            "utc": self._utc(),
            "run": folder.name,
            "brief": brief,
            "folder": str(folder),
        }
        self._outlet.run(RunAnnouncement.model_validate({**head, **fields}))
        self._announcer.changed()
