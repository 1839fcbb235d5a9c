"""The bench commanded from a shell: `benchctl` in processes of its own, a daemon, a simulated bench, a real broker."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
import xml.dom.minidom
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.outside.mosquitto import Mosquitto, mosquitto
from tests.scenarios.on_the_wire import Control, Daemon, a_bench, at_rest

from .test_commanded import arguments, site

pytestmark = pytest.mark.wires
WITHIN_S = 90.0
DECIDED = {"accepted": 0, "none": 0, "rejected": 4, "undecided": 5}


@dataclass
class Shell:
    """A person at a shell, the daemon and the simulated bench behind the broker."""

    broker: Mosquitto
    daemon: Daemon
    bench: Control
    folder: Path

    def begin(self, *typed: str) -> "subprocess.Popen[str]":
        """`benchctl` with these arguments, going on."""
        return subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "benchd.app.benchctl", *typed],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "BENCHCTL_BROKER": f"{self.broker.host}:{self.broker.port}", "COLUMNS": "80"},
        )

    def typed(self, *typed: str) -> tuple[int, str, str]:
        """The exit status of `benchctl` with these arguments, and what it said."""
        process = self.begin(*typed)
        out, err = process.communicate(timeout=WITHIN_S)
        return process.returncode, out, err

    def run(self, programme: str, *more: str) -> "subprocess.Popen[str]":
        """`benchctl run` of a programme."""
        who = ("--order", "17", "--serial", "0042", "--operator", "Odile Brandvold")
        return self.begin("run", programme, "vent_flap_24v", "vent_flap", *who, *more)

    def until_it_turns(self) -> None:
        """Until the motor turns under power, by the bench's own word."""
        self.bench.until(lambda truth: truth["motor_speed_rpm"] > 600.0, within_s=WITHIN_S)


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path))
        listening, control = stack.enter_context(a_bench())
        daemon = Daemon(arguments(site(tmp_path / "site"), listening, broker, tmp_path / "data"), runtime=tmp_path)
        stack.callback(daemon.close)
        daemon.until("ready")
        daemon.until("broker", up=True)
        yield Shell(broker, daemon, control, tmp_path)


def records(lines: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in lines.splitlines()]


def ended(process: "subprocess.Popen[str]") -> tuple[int, str, str]:
    out, err = process.communicate(timeout=WITHIN_S)
    return process.returncode, out, err


def test_a_run_typed_at_a_shell_ends_with_its_decision_as_exit_status(shell: Shell) -> None:
    status, out, err = ended(shell.run("short", "--json"))
    told = records(out)
    (evaluated,) = [one for one in told if one["kind"] == "run" and one["phase"] == "evaluated"]
    assert status == DECIDED[evaluated["decision"]], err
    assert told[-1] == {"kind": "outcome", "status": status, "run": evaluated["run"]}
    assert Path(evaluated["report"]).is_file()
    states = [one["fields"]["after"] for one in told if one["kind"] == "event" and one["event"] == "state"]
    assert states == ["Resetting", "Idle", "Starting", "Execute", "Completing", "Complete"]
    status, out, _ = shell.typed("status", "--json")
    assert (status, json.loads(out)["state"], json.loads(out)["control"]) == (0, "Complete", None)


def test_while_it_runs_others_look_and_only_a_stop_is_obeyed(shell: Shell) -> None:
    run = shell.run("turning")
    shell.until_it_turns()
    picture = shell.folder / "live.svg"
    status, out, _ = shell.typed("live", "--once")
    assert status == 0
    for words in ("greenhouse", "EXECUTE", "given by the safety chain", "specimen 0042", "shaft_speed", "left in all"):
        assert words in out, out
    assert max(map(len, out.splitlines())) <= 80
    assert shell.typed("live", "--once", "--svg", str(picture))[0] == 0
    xml.dom.minidom.parse(str(picture))  # noqa: S318 - our own
    status, _, err = shell.typed("hold")
    assert status == 1
    assert "holds control" in err
    status, out, _ = shell.typed("stop")
    assert (status, out) == (0, "greenhouse: Stopped\n")
    status, out, err = ended(run)
    assert status == 1
    assert err.splitlines()[-1].startswith("The run was stopped")
    assert at_rest(shell.bench.truth())


def test_an_interrupt_at_the_shell_stops_the_shaft(shell: Shell) -> None:
    run = shell.run("turning")
    shell.until_it_turns()
    run.send_signal(signal.SIGINT)
    shell.bench.until(at_rest, within_s=WITHIN_S)
    status, _, err = ended(run)
    assert status == 1
    assert err.splitlines()[0] == "Asking the bench to stop; Ctrl-C again aborts."


def test_a_client_that_is_killed_leaves_the_run_to_the_daemon(shell: Shell) -> None:
    run = shell.run("turning")
    shell.until_it_turns()
    run.kill()
    run.communicate()
    time.sleep(1.0)
    assert shell.bench.truth()["motor_speed_rpm"] > 600.0
    assert shell.typed("abort")[0] == 0
    assert shell.typed("status")[1].split("\n")[1].split()[1] == "Aborted"


def test_a_daemon_that_dies_in_a_run_is_said_once_and_waited_for(shell: Shell) -> None:
    run = shell.run("turning")
    shell.until_it_turns()
    shell.daemon.process.kill()
    status, out, _ = 69, "", ""
    end_s = time.monotonic() + WITHIN_S
    while "off line" not in out and time.monotonic() < end_s:
        status, out, _ = shell.typed("status")
    assert status == 69
    assert run.poll() is None
    for _ in range(2):  # nobody to stop: leave
        run.send_signal(signal.SIGINT)
        time.sleep(0.3)
    run.send_signal(signal.SIGINT)
    status, _, err = ended(run)
    assert status == 1
    assert err.count("left the broker; waiting for it to come back") == 1
    shell.bench.until(at_rest, within_s=WITHIN_S)  # the devices' own watchdogs
