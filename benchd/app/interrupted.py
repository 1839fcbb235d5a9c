"""Gives runs that were killed their ending, in a process of its own. It must never touch a run that is being written.

`python -m benchd.app.interrupted BENCH RUN ...` prints one line of JSON for each folder that it brought into its
lasting form. Nothing resumes: what was interrupted is told and stays as it was.
"""

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from benchd.app.streams import say
from benchd.records import RecordsError, read_description, recover, unfinished_runs

NICER = 10


def left_behind(data_directory: Path) -> tuple[Path, ...]:
    """Runs without an ending, oldest first; looked for before this daemon begins one of its own."""
    with contextlib.suppress(OSError):
        return tuple(unfinished_runs(data_directory))
    return ()


async def give_endings(bench: str, folders: Sequence[Path], *, on_event: Callable[..., None]) -> None:
    """Have these folders brought into their lasting form beside the loop; each is told once."""
    if not folders:
        return
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "benchd.app.interrupted", bench, *map(str, folders)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        out, _ = await process.communicate()
    except asyncio.CancelledError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        raise
    for line in out.decode(errors="replace").splitlines():
        with contextlib.suppress(ValueError, TypeError):
            on_event("interrupted_run", **json.loads(line))


def main() -> None:
    """See the module."""
    bench, *folders = sys.argv[1:]
    os.nice(NICER)
    for folder in map(Path, folders):
        try:
            if read_description(folder)["bench"] != bench:
                continue  # another bench's, whose daemon may be just about to write it
        except (RecordsError, LookupError):
            continue
        try:
            found = recover(folder)
            told: dict[str, object] = {
                "folder": str(folder),
                "ending": found.ending.value,
                "sentences": found.sentences,
            }
        except RecordsError as error:
            told = {"folder": str(folder), "ending": None, "sentences": [str(error)]}
        say(json.dumps(told))


if __name__ == "__main__":
    main()
