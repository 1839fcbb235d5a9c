"""The story of a disk of one megabyte, told inside a mount namespace of its own. Argument: an empty directory.

Every line on standard output is one thing that came out as it should; the test compares them.
"""

import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from benchd.records import Ending, EventLog, Journal, RecordsError, RunFolder, finish, read_events, read_samples

DESCRIPTION = {
    "operator": "Ada Morrow",
    "software": {},
    "configuration": {},
    "channels": [],
    "tests": [],
    "clock": {"mono_s": 0.0, "utc_ns": 1_790_000_000_000_000_000},
}


def tell(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")


def make(data: Path, minute: int) -> RunFolder:
    return RunFolder.create(
        data,
        order="A-1",
        serial="7",
        programme="p",
        started=datetime(2026, 11, 25, 10, minute, tzinfo=UTC),
        description=DESCRIPTION,
        minimum_free_bytes=0,
    )


def main(place: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1536k", "tmpfs", str(place)], check=True)
    folder = make(place, 0)
    journal = Journal(folder, [(f"c{number}", "V") for number in range(50)])
    events = EventLog(folder)

    def row(number: int) -> None:
        journal.append(
            time_mono_s=float(number),
            state=6,
            test=0,
            point=-1,
            values=[number + c / 64 for c in range(50)],
            ages_s=[0.0] * 50,
            quality=[0] * 50,
        )

    number = 0
    while True:
        for _ in range(200):
            row(number)
            number += 1
        try:
            journal.flush()
        except RecordsError as error:
            tell("refused:", "the disk is full: free space there" in str(error))
            break
    safe = journal.rows_written
    filler = place / "filler"
    try:
        filler.write_bytes(bytes(2_000_000))
    except OSError:
        tell("no byte free: True")
    events.append("trip", time_mono_s=1.0, why="x" * 200_000)
    try:
        events.flush()
    except RecordsError as error:
        tell("event refused:", "disk is full" in str(error), events.events_pending)
    tell("prefix:", read_samples(folder).rows == safe, list(read_samples(folder).values["c3"][:2]))
    try:
        make(place, 1)
    except RecordsError as error:
        tell("new run refused:", "the disk is full: free space there." in str(error))
    tell("nothing left behind:", sorted(p.name for p in place.iterdir()))

    filler.unlink()
    subprocess.run(["mount", "-o", "remount,size=64m", str(place)], check=True)
    row(number)
    journal.flush()
    events.flush()
    journal.close()
    events.close()
    folder.end(Ending.STOPPED, why="", time_mono_s=2.0)
    tell("finished:", finish(folder))
    found = read_samples(folder)
    tell("all rows:", found.rows == number + 1, bool((found.time_mono_s == range(number + 1)).all()))
    tell("event kept:", [event["event"] for event in read_events(folder)])

    subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
    try:
        make(place, 2)
    except RecordsError as error:
        tell("read-only refused:", "mounted read-only" in str(error))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
