"""The quiet process: what is permitted is done, what is not is told, and leaving puts everything back."""

import gc
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.live.quiet import SWITCH_INTERVAL_S, quiet_process


def test_it_holds_the_latency_file_open_with_zero_microseconds(tmp_path: Path):
    latency_file = tmp_path / "latency"
    latency_file.touch()
    descriptors = len(list(Path("/proc/self/fd").iterdir()))
    with quiet_process(latency_file=latency_file) as quiet:
        assert quiet.latency_held
        assert quiet.refused == ()
        assert latency_file.read_bytes() == struct.pack("=i", 0)
        assert len(list(Path("/proc/self/fd").iterdir())) == descriptors + 1
    assert len(list(Path("/proc/self/fd").iterdir())) == descriptors


def test_what_is_not_permitted_is_told_in_words_and_the_bench_goes_on(tmp_path: Path):
    with quiet_process(latency_file=tmp_path / "absent", real_time_priority=1000) as quiet:
        assert not quiet.latency_held
        assert not quiet.scheduled_real_time
        assert [sentence.split(" ")[0] for sentence in quiet.refused] == [str(tmp_path / "absent"), "real-time"]


def test_leaving_puts_back_what_was_there(tmp_path: Path):
    before = (sys.getswitchinterval(), gc.get_freeze_count(), os.sched_getscheduler(0))
    with quiet_process(latency_file=tmp_path / "absent"):
        assert gc.get_freeze_count() > before[1]
        assert abs(sys.getswitchinterval() - SWITCH_INTERVAL_S) < 1e-6
    assert (sys.getswitchinterval(), gc.get_freeze_count(), os.sched_getscheduler(0)) == before


LEADS = """
import os, sys
from pathlib import Path
from benchd.live import quiet
quiet.SESSION_FILE = Path(sys.argv[1])
os.setpriority(os.PRIO_PROCESS, 0, int(sys.argv[2]))
if sys.argv[3] == "leads":
    os.setsid()
with quiet.quiet_process(latency_file=Path(sys.argv[1] + ".latency")) as one:
    print(quiet.SESSION_FILE.read_text().split()[-1], len(one.refused))
print(quiet.SESSION_FILE.read_text().split()[-1])
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may ask for a priority before others")
@pytest.mark.parametrize(("nice", "leads", "meanwhile"), [(-5, "leads", "-5"), (-5, "follows", "0"), (0, "leads", "0")])
def test_a_priority_that_was_given_counts_before_other_sessions(
    tmp_path: Path, nice: int, leads: str, meanwhile: str
) -> None:
    session = tmp_path / "autogroup"
    session.write_text("/autogroup-7 nice 0\n")
    (tmp_path / "autogroup.latency").touch()
    command = [sys.executable, "-c", LEADS, str(session), str(nice), leads]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.split() == [meanwhile, "0", "0"]
