"""A disk that takes no more costs nothing that was written, and writing goes on when there is room again."""

import resource
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchd.records import Ending, EventLog, Journal, RecordsError, finish, read_events, read_samples

from .conftest import CHANNELS, MakeRun, append_row, random_rows, same_bits


@contextmanager
def files_no_longer_than(size_bytes: int) -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("room_bytes", [0, 1, 900, 5000])
def test_a_refused_flush_leaves_whole_batches_and_a_later_one_brings_the_rest(
    make_run: MakeRun, room_bytes: int
) -> None:
    folder = make_run()
    rows = random_rows(400, seed=6)
    journal = Journal(folder, CHANNELS)
    for number in range(100):
        append_row(journal, rows, number)
    journal.flush()
    stream = folder.path / "samples.arrows"
    before = stream.read_bytes()
    for number in range(100, 300):
        append_row(journal, rows, number)
    with files_no_longer_than(len(before) + room_bytes):
        for _ in range(2):
            with pytest.raises(RecordsError, match=r"file may not grow further.*200 of at most 12000 rows wait"):
                journal.flush()
    assert stream.read_bytes() == before
    found = read_samples(folder)
    assert same_bits(found, rows, range(100))
    assert found.missing == ()
    for number in range(300, 400):
        append_row(journal, rows, number)
    assert journal.flush() == 300
    journal.close()
    assert same_bits(read_samples(folder), rows, range(400))


def test_a_sidecar_that_cannot_grow_takes_its_batch_back(make_run: MakeRun, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = make_run()
    rows = random_rows(20, seed=7)
    journal = Journal(folder, CHANNELS)
    before = (folder.path / "samples.arrows").read_bytes()
    for number in range(20):
        append_row(journal, rows, number)

    def full(_: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(journal._sidecar, "add", full)
        with pytest.raises(RecordsError, match="disk is full"):
            journal.flush()
    assert (folder.path / "samples.arrows").read_bytes() == before
    assert journal.flush() == 20
    journal.close()
    found = read_samples(folder)
    assert same_bits(found, rows, range(20))
    assert found.missing == ()


def test_a_refused_close_says_so_and_lets_the_files_go(make_run: MakeRun) -> None:
    folder = make_run()
    rows = random_rows(50, seed=8)
    journal = Journal(folder, CHANNELS)
    for number in range(50):
        append_row(journal, rows, number)
    with (
        files_no_longer_than((folder.path / "samples.arrows").stat().st_size),
        pytest.raises(RecordsError, match="50 of at most"),
    ):
        journal.close()
    journal.close()
    folder.end(Ending.ABORTED, why="The disk was full.", time_mono_s=100.0)
    assert finish(folder) == ()
    assert read_samples(folder).rows == 0


def test_events_that_were_refused_wait_and_arrive_later(make_run: MakeRun) -> None:
    folder = make_run()
    events = EventLog(folder)
    events.append("first", time_mono_s=100.0)
    events.flush()
    size = (folder.path / "events.jsonl").stat().st_size
    events.append("second", time_mono_s=100.1)
    with files_no_longer_than(size + 20), pytest.raises(RecordsError, match="1 events wait in memory"):
        events.flush()
    assert (folder.path / "events.jsonl").stat().st_size == size
    events.close()
    assert [event["event"] for event in read_events(folder)] == ["first", "second"]


def test_a_refused_finish_leaves_the_samples_readable_and_can_be_repeated(make_run: MakeRun) -> None:
    folder = make_run()
    rows = random_rows(300, seed=9)
    journal = Journal(folder, CHANNELS)
    for number in range(300):
        append_row(journal, rows, number)
    journal.close()
    with files_no_longer_than(1000), pytest.raises(RecordsError, match=r"samples.parquet could not be written"):
        finish(folder)
    assert sorted(p.name for p in folder.path.iterdir()) == ["run.json", "samples.arrows", "samples.crc"]
    assert same_bits(read_samples(folder), rows, range(300))
    assert finish(folder) == ()
    assert same_bits(read_samples(folder), rows, range(300))


def may_mount(place: Path) -> bool:
    if shutil.which("unshare") is None:
        return False
    command = ["unshare", "--mount", "mount", "-t", "tmpfs", "tmpfs", str(place)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@pytest.mark.wires
def test_a_real_full_disk_and_a_real_read_only_one(tmp_path: Path) -> None:
    if not may_mount(tmp_path):
        pytest.skip("this user may not mount a small disk")
    script = Path(__file__).with_name("full_disk.py")
    told = subprocess.run(
        ["unshare", "--mount", sys.executable, str(script), str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert told.stderr == ""
    assert told.stdout.splitlines() == [
        "refused: True",
        "no byte free: True",
        "event refused: True 1",
        "prefix: True [np.float64(0.046875), np.float64(1.046875)]",
        "new run refused: True",
        "nothing left behind: ['filler', 'order=A-1']",
        "finished: ()",
        "all rows: True True",
        "event kept: ['trip']",
        "read-only refused: True",
    ]
