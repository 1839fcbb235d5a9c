"""One daemon a bench; a lock ends with its process, however that ends."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.records import BenchLock, RecordsError

HOLDER = """
import sys, time
from benchd.records import BenchLock
BenchLock(sys.argv[1]).acquire()
sys.stdout.write("held\\n"); sys.stdout.flush()
time.sleep(600)
"""


def test_a_second_lock_in_the_same_process_is_refused_with_the_process_number(tmp_path: Path) -> None:
    path = tmp_path / "run" / "bench3.lock"
    with BenchLock(path):
        with pytest.raises(RecordsError, match=rf"^Process {os.getpid()} already runs this bench"):
            BenchLock(path).acquire()
        assert str(os.getpid()) in path.read_text()
    with BenchLock(path):
        pass


@pytest.mark.wires
def test_a_killed_process_leaves_the_lock_free(tmp_path: Path) -> None:
    path = tmp_path / "bench3.lock"
    with subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(RecordsError, match=f"Process {holder.pid} already runs"):
            BenchLock(path).acquire()
        holder.send_signal(signal.SIGKILL)
    with BenchLock(path):
        assert path.read_text() == f"{os.getpid()}\n"


def test_a_child_process_does_not_keep_the_lock(tmp_path: Path) -> None:
    path = tmp_path / "bench3.lock"
    lock = BenchLock(path)
    lock.acquire()
    with subprocess.Popen([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=subprocess.PIPE) as child:
        lock.release()
        lock.release()
        with BenchLock(path):
            pass
        assert child.stdin is not None
        child.stdin.close()


def test_a_lock_file_that_cannot_be_made_is_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordsError, match="could not be opened"):
        BenchLock(tmp_path / "file" / "bench.lock").acquire()
