"""Standard streams that are closed, gone, stuck or of another encoding end nothing."""

import fcntl
import os
import subprocess
import sys
import time

import pytest

SAY = "from benchd.app.streams import say, sound_streams, tell; sound_streams(); "
ENCODING = {**os.environ, "PYTHONIOENCODING": "ascii"}

pytestmark = pytest.mark.wires


def run(code: str, *, redirected: str = "", **how) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-c", SAY + code]
    if redirected:
        command = ["sh", "-c", f'exec "$0" -c "$1" {redirected}', sys.executable, SAY + code]
    return subprocess.run(command, timeout=20, check=False, **how)


def test_a_character_that_the_terminal_lacks_is_no_error() -> None:
    done = run("say('± 5 N·m'); tell('0 °C')", env=ENCODING, capture_output=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"? 5 N?m\n", b"0 ?C\n")


def test_closed_streams_are_replaced_before_anything_else_takes_their_numbers() -> None:
    code = "import os,sys; say('x'); tell('y'); f = open(os.devnull); sys.exit(0 if f.fileno() > 2 else 9)"
    assert run(code, redirected="<&- >&- 2>&-").returncode == 0
    assert run(code, redirected=">&-").returncode == 0


def test_a_full_device_changes_no_exit_status() -> None:
    assert (
        run("import sys; say('x' * 10000); tell('y'); sys.exit(3)", redirected=">/dev/full 2>/dev/full").returncode == 3
    )


def test_a_reader_that_is_gone_changes_no_exit_status() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    try:
        done = run("import sys; say('x'); tell('y'); say('z'); sys.exit(3)", stdout=write_end, stderr=write_end)
    finally:
        os.close(write_end)
    assert done.returncode == 3


def test_a_reader_that_stands_still_does_not_hold_up_the_end() -> None:
    read_end, write_end = os.pipe()
    fcntl.fcntl(write_end, fcntl.F_SETPIPE_SZ, 4096)
    os.write(write_end, b"x" * 4096)
    began_s = time.monotonic()
    try:
        done = run("import sys; tell('y'); sys.exit(3)", stderr=write_end)
    finally:
        os.close(write_end)
        os.close(read_end)
    assert done.returncode == 3
    assert time.monotonic() - began_s < 15.0
