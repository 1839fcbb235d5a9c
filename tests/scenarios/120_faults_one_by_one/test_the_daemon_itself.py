"""What befalls the daemon and its machine in the middle of a run: frozen, without disk or memory, in another hour.

That it is killed, that its sentry dies, that a second one is started and that its broker is killed is told in 002, 014,
001 and 013.
"""

import datetime as dt
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import psutil
import pytest

from benchd.records import read_ending, read_events, read_samples, verify
from tests.scenarios.on_the_wire import SHORTEST, WITHIN_S, Control, Daemon, a_run, at_rest, the_folder
from tests.scenarios.wired_faults import few_lines, given_until, powerless, stays_off, the_cause, whole_folder

pytestmark = pytest.mark.wires

FROZEN_S = 2.0
HEARTBEAT_S = 0.5  # after which the simulated chain opens
JOULE = 60.0
HOUR_S = 3600.0
# The machine's clock cannot be set here: the process is started with one that runs as far ahead as a file says. The
# event loop's time is another clock, which nobody can set.
OTHER_CLOCK = """
import datetime, pathlib, sys, time

ahead, real_ns, real = pathlib.Path(sys.argv.pop(1)), time.time_ns, datetime.datetime

def ahead_s():
    return float(ahead.read_text())

class Set(real):
    @classmethod
    def now(cls, tz=None):
        return real.now(tz) + datetime.timedelta(seconds=ahead_s())

time.time_ns = lambda: real_ns() + int(ahead_s() * 1e9)
time.time = lambda: time.time_ns() / 1e9
datetime.datetime = Set
from benchd.app.command_line import main
main()
"""


def test_a_daemon_that_is_frozen_and_goes_on_again_finds_its_bench_off_and_leaves_it_so(
    turning: Callable[..., Daemon], control: Control, tmp_path: Path
) -> None:
    daemon = turning()
    daemon.until("progress", state="Execute")
    struck_s = time.monotonic()
    daemon.tell(signal.SIGSTOP)
    try:
        off_s, joule = given_until(control, powerless, within_s=5.0)
        assert off_s < HEARTBEAT_S + 0.5
        assert joule < JOULE
        assert "heartbeat" in control.truth()["opened_by"]
        time.sleep(max(0.0, FROZEN_S - off_s))
    finally:
        daemon.tell(signal.SIGCONT)
    control.until(at_rest)
    stays_off(control)
    status, _ = daemon.end()
    assert status == 3
    sentence = the_cause(daemon)
    assert "stood still" in sentence or "reset" in sentence
    assert daemon.seen("stalled")
    few_lines(daemon)
    whole_folder(tmp_path / "data", until_mono_s=struck_s - 0.1, ending="aborted", why=sentence)


def test_a_disk_that_takes_nothing_more_ends_the_run_and_keeps_what_it_had(
    turning: Callable[..., Daemon], control: Control, tmp_path: Path
) -> None:
    daemon = turning()
    daemon.until("progress", state="Execute")
    stream = the_folder(tmp_path / "data") / "samples.arrows"
    full = stream.stat().st_size + 4096
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (full, full))  # EFBIG, as a full disk says ENOSPC
    struck_s = time.monotonic()
    off_s, joule = given_until(control, powerless, within_s=10.0)
    status, _ = daemon.end()
    assert status == 3
    assert off_s < 5.0  # half a second until the next flush, then a ramp down
    assert joule < 2 * JOULE
    assert any("samples.arrows" in sentence for sentence in daemon.sentences), daemon.sentences
    control.until(at_rest)
    assert not daemon.seen("permit_withdrawn")
    stays_off(control)
    few_lines(daemon)
    folder = the_folder(tmp_path / "data")
    samples = read_samples(folder)
    assert samples.time_mono_s[-1] > struck_s - 1.0
    assert next(event["after"] for event in read_events(folder) if event["event"] == "state") == "Execute"


def test_without_memory_it_still_comes_to_rest_and_what_was_written_can_be_read(
    turning: Callable[..., Daemon], control: Control, tmp_path: Path
) -> None:
    """It may end in any way that it likes: the energy goes, by the stop or by the heartbeat that stays away."""
    daemon = turning()
    daemon.until("progress", state="Execute")
    has = psutil.Process(daemon.process.pid).memory_info().vms
    resource.prlimit(daemon.process.pid, resource.RLIMIT_AS, (has, has))
    struck_s = time.monotonic()
    time.sleep(1.0)
    daemon.tell(signal.SIGTERM)
    control.until(at_rest, within_s=10.0)
    stays_off(control)
    daemon.process.wait(WITHIN_S)
    samples = read_samples(the_folder(tmp_path / "data"))
    assert samples.time_mono_s[-1] > struck_s - 1.0


@pytest.fixture
def in_another_hour(
    listening: Mapping[str, Any], control: Control, tmp_path: Path
) -> Iterator[tuple["subprocess.Popen[str]", Path]]:
    ahead = tmp_path / "ahead_s"
    ahead.write_text("0")
    program = tmp_path / "other_clock.py"
    program.write_text(OTHER_CLOCK)
    process = subprocess.Popen(
        [sys.executable, str(program), str(ahead), "serve", *a_run(tmp_path, listening)],
        env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path / "runtime"), "BENCHD_BROKER": "off"},
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        control.until(lambda truth: process.poll() is not None or truth["motor_speed_rpm"] > 600.0)
        yield process, ahead
    finally:
        process.kill()
        process.communicate()


def test_a_clock_that_is_set_by_an_hour_moves_neither_the_run_nor_its_stamps(
    in_another_hour: tuple["subprocess.Popen[str]", Path], control: Control, tmp_path: Path
) -> None:
    process, ahead = in_another_hour
    assert process.poll() is None, process.communicate()
    began = dt.datetime.now(dt.UTC)
    for step_s in (HOUR_S, -HOUR_S):
        ahead.write_text(str(step_s))
        time.sleep(0.8)
    assert control.truth()["motor_speed_rpm"] > 600.0
    process.send_signal(signal.SIGTERM)
    control.until(at_rest)
    _, said = process.communicate(timeout=WITHIN_S)
    assert process.returncode == 1
    assert '"tripped"' not in said
    folder = the_folder(tmp_path / "data")
    assert verify(folder) == []
    assert (read_ending(folder) or {})["ending"] == "stopped"
    stamps = [dt.datetime.fromisoformat(event["utc"]) for event in read_events(folder)]
    assert stamps == sorted(stamps)
    assert abs((stamps[-1] - began).total_seconds()) < 60.0


def test_a_report_that_crashes_costs_the_run_nothing(
    daemon: Callable[..., Daemon], listening: Mapping[str, Any], control: Control, tmp_path: Path
) -> None:
    arguments = [one for one in a_run(tmp_path, listening, SHORTEST) if one != "--no-report"]
    one = daemon(arguments)
    until_s = time.monotonic() + 3 * WITHIN_S
    killed = False
    while one.process.poll() is None and not killed and time.monotonic() < until_s:
        for child in psutil.Process(one.process.pid).children(recursive=True):
            if "benchd.app.paperwork" in child.cmdline():
                child.kill()
                killed = True
        time.sleep(0.01)
    assert killed
    status, _ = one.end()
    assert status == 0
    assert len(one.sentences) == 1
    assert "report" in one.sentences[0] or "results" in one.sentences[0]
    folder = the_folder(tmp_path / "data")
    assert (read_ending(folder) or {})["ending"] == "complete"
    assert verify(folder) == []
    assert not (folder / "report.pdf").exists()
    assert at_rest(control.truth())
