"""The quiet process: what is permitted is done, what is not is told, and leaving puts everything back."""

import gc
import os
import struct
import sys
from pathlib import Path

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
