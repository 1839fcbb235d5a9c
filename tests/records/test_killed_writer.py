"""A writer killed at any moment loses nothing that a flush had brought to the disk."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from benchd.records import (
    Ending,
    RecordsError,
    read_ending,
    read_events,
    read_samples,
    recover,
    unfinished_runs,
    verify,
)

from .conftest import MakeRun, description

WRITER = Path(__file__).with_name("killed_writer.py")


@pytest.mark.wires
@pytest.mark.parametrize("seed", range(5))
def test_a_writer_killed_at_a_random_moment_keeps_every_flushed_row_to_the_bit(make_run: MakeRun, seed: int) -> None:
    channels = [{"name": f"channel_{number}", "unit": "V"} for number in range(8)]
    folder = make_run(description={**description(), "channels": channels})
    with subprocess.Popen([sys.executable, str(WRITER), str(folder.path), str(seed)], stdout=subprocess.PIPE) as writer:
        assert writer.stdout is not None
        told = [writer.stdout.readline()]
        with pytest.raises(RecordsError, match="still being written"):
            recover(folder)
        time.sleep(np.random.default_rng(seed).uniform(0.0, 0.25))
        writer.send_signal(signal.SIGKILL)
        told += writer.stdout.readlines()
    safe = int([line for line in told if line.endswith(b"\n")][-1])
    raw = (folder.path / "samples.arrows").read_bytes()
    assert unfinished_runs(folder.path.parents[2]) == [folder.path]

    recovery = recover(folder)

    assert recovery.ending is Ending.INTERRUPTED
    assert recovery.rows >= safe > 0
    assert (folder.path / "samples.arrows").read_bytes() == raw  # the raw stream is never touched
    expected = np.random.default_rng(seed).integers(0, 2**64, size=(4000, 8), dtype=np.uint64)
    found = read_samples(folder)
    assert found.rows == recovery.rows
    assert np.array_equal(found.time_mono_s, np.arange(found.rows))
    for number in range(8):
        column = found.values[f"channel_{number}"].view(np.uint64)
        assert np.array_equal(column, expected[np.arange(found.rows) % 4000, number])
    flushed = [event["rows"] for event in read_events(folder)]
    assert max(flushed) >= safe
    ending = read_ending(folder)
    assert ending is not None
    assert any(f"{found.rows} rows can be read" in sentence for sentence in ending["missing"])
    assert unfinished_runs(folder.path.parents[2]) == []
    assert all("no checksum yet" in sentence or "torn" in sentence for sentence in verify(folder))
