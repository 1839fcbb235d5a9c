"""Whoever started the daemon does not read what it says: that never stops the bench."""

import fcntl
import os
import shlex
import signal
import subprocess
import sys
import time

import pytest

from benchd.records import read_ending, read_samples
from tests.scenarios.on_the_wire import SHORTEST, WITHIN_S, a_run, at_rest, the_folder

pytestmark = pytest.mark.wires
SMALLEST_PIPE_BYTES = 4096  # fcntl(2), F_SETPIPE_SZ: one page


def test_a_full_pipe_behind_standard_error_stops_neither_tick_nor_stop(turning, control, tmp_path) -> None:
    read_end, write_end = os.pipe()
    fcntl.fcntl(write_end, fcntl.F_SETPIPE_SZ, SMALLEST_PIPE_BYTES)
    os.set_blocking(write_end, False)
    os.write(write_end, b"x" * SMALLEST_PIPE_BYTES)
    os.set_blocking(write_end, True)
    try:
        daemon = turning(stderr=write_end)
        # devices that come and go make libraries talk as well
        control.ask("fault", device="thermometers", kind="garbage", on=True, times=3)
        control.ask("fault", device="cabinet_thermometers", kind="drop", on=True, times=2)
        for _ in range(10):
            time.sleep(0.1)
            assert control.truth()["motor_speed_rpm"] > 600.0
        daemon.tell(signal.SIGTERM)
        status, said = daemon.end()
    finally:
        os.close(write_end)
        os.close(read_end)
    assert status == 1
    folder = the_folder(tmp_path / "data")
    assert said == f"{folder}\n"
    assert read_ending(folder)["ending"] == "stopped"
    assert at_rest(control.truth())


def test_closed_standard_streams_change_nothing_but_what_can_be_read(listening, control, tmp_path) -> None:
    command = shlex.join(
        [sys.executable, "-m", "benchd.app.command_line", "serve", *a_run(tmp_path, listening, SHORTEST)]
    )
    done = subprocess.run(
        ["sh", "-c", f"exec {command} <&- >&- 2>&-"],
        env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path / "runtime")},
        timeout=3 * WITHIN_S,
        check=False,
    )
    assert done.returncode == 0
    folder = the_folder(tmp_path / "data")
    assert read_ending(folder)["ending"] == "complete"
    assert read_samples(folder).rows > 50
    assert b"event" not in (folder / "run.json").read_bytes()[:5]  # nothing was written into a foreign file
    assert at_rest(control.truth())


def test_readers_that_are_gone_do_not_make_a_good_run_a_bad_one(daemon, listening, control, tmp_path) -> None:
    one = daemon(a_run(tmp_path, listening, SHORTEST), unread=True)
    control.until(lambda truth: truth["motor_speed_rpm"] > 100.0)
    one.process.stdout.close()
    one.process.stderr.close()
    assert one.process.wait(3 * WITHIN_S) == 0
    assert read_ending(the_folder(tmp_path / "data"))["ending"] == "complete"
    assert at_rest(control.truth())
