"""The watched process as the kernel tells of it."""

import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.sentry.process import NOTHING, WatchedProcess
from benchd.sentry.shared import born

pytestmark = pytest.mark.wires  # by the clock and the scheduler

WITHIN_S = 10.0
OPEN = Path("/proc/self/fd")


@pytest.fixture
def sleeper() -> Iterator["subprocess.Popen[bytes]"]:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as one:
        yield one
        one.kill()


def until(seen, what: str) -> None:
    end_s = time.monotonic() + WITHIN_S
    while not seen():
        assert time.monotonic() < end_s, what
        time.sleep(0.01)


def test_a_death_is_known_at_once_and_wakes_whoever_listens(sleeper) -> None:
    process = WatchedProcess(sleeper.pid, began=born(sleeper.pid))
    assert process.lives
    sleeper.kill()
    assert select.select([process.descriptor], [], [], WITHIN_S)[0]
    assert not process.lives  # though nobody has asked for its exit status
    process.end()
    process.close()
    process.close()


def test_it_ends_the_process_and_no_other(sleeper) -> None:
    process = WatchedProcess(sleeper.pid, began=born(sleeper.pid))
    process.end()
    assert sleeper.wait(WITHIN_S) == -signal.SIGKILL
    process.end()
    process.close()


def test_a_process_of_that_number_that_began_at_another_time_is_not_taken_for_it(sleeper) -> None:
    for pid, began in ((sleeper.pid, born(sleeper.pid) - 1), (sleeper.pid, 0), (0, 0), (2**22 + 1, 5)):
        before = len(list(OPEN.iterdir()))
        with pytest.raises(ProcessLookupError):
            WatchedProcess(pid, began=began)
        assert len(list(OPEN.iterdir())) == before


def test_one_that_sleeps_is_told_from_one_that_computes(sleeper) -> None:
    process = WatchedProcess(sleeper.pid, began=born(sleeper.pid))
    until(lambda: not process.doing().runnable, "it never slept")
    process.close()
    with subprocess.Popen([sys.executable, "-c", "while True: pass"]) as busy:
        process = WatchedProcess(busy.pid, began=born(busy.pid))
        before = process.doing()
        until(lambda: process.doing().ran_s > before.ran_s + 0.1, "it never ran")
        assert process.doing().runnable
        busy.kill()
        process.close()
        assert process.doing() is NOTHING


def test_one_that_is_stopped_is_no_longer_runnable() -> None:
    with subprocess.Popen([sys.executable, "-c", "while True: pass"]) as busy:
        process = WatchedProcess(busy.pid, began=born(busy.pid))
        busy.send_signal(signal.SIGSTOP)
        until(lambda: not process.doing().runnable, "it went on")
        busy.kill()
        process.close()
