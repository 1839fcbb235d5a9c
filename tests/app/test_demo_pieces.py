"""The demo's own pieces: what it says of an event, and what Ctrl-C does to the daemon it started."""

import os
import signal
import sys
import threading
import time
from pathlib import Path

import pytest

from benchd.app.demo import SCENARIOS, _numbers, _words, daemon_command, device_options, run_daemon
from benchd.settings.places import settings_file

LISTENING = {"devices": {"supply": {"host": "127.0.0.1", "port": 40001}}}
WAITS = """
import json, signal, sys, time
def told(number, frame):
    told.times += 1
    print(json.dumps({"event": "deviation", "sentence": f"told {told.times}"}), file=sys.stderr, flush=True)
told.times = 0
signal.signal(signal.SIGINT, told)
print(json.dumps({"event": "ready", "state": "Stopped"}), file=sys.stderr, flush=True)
while told.times < 2:
    time.sleep(0.01)
print("The run was stopped.", file=sys.stderr)
print("/a/folder")
sys.exit(1)
"""


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"event": "state", "after": "Execute", "before": "Starting"}, "Execute"),
        ({"event": "zero", "channel": "shaft_torque", "value": 0.00021}, "  zero of shaft_torque: 0.00021 N·m"),
        ({"event": "tripped", "cause": "The guard is open."}, "  Tripped: The guard is open."),
        ({"event": "standstill", "measured": True}, "  standstill measured"),
        ({"event": "standstill", "measured": False}, "  standstill told only by devices that are doubted"),
        ({"event": "an event of tomorrow"}, ""),
        ({"event": "state"}, ""),
        ({"event": "zero", "channel": "shaft_torque", "value": "NaN"}, ""),
    ],
)
def test_an_event_becomes_a_line_or_nothing(event: dict, words: str) -> None:
    assert _words(event) == words


def test_numbers_are_those_that_there_are() -> None:
    assert _numbers({"shaft_speed": 1234.4, "dc_current": 1.2345, "rack": 5.0}) == "1234 r/min  1.23 A"
    assert _numbers({"shaft_speed": None, "dc_voltage": "NaN"}) == ""


@pytest.mark.parametrize("scenario", SCENARIOS.values(), ids=list(SCENARIOS))
def test_a_scenario_names_files_that_come_along_and_a_command_that_anyone_could_type(scenario, tmp_path: Path) -> None:
    for folder, name in (
        ("benches", scenario.bench),
        ("programmes", scenario.programme),
        ("motors", scenario.motor),
        ("setups", scenario.setup),
    ):
        assert settings_file(folder, name).is_file()
    command = daemon_command(scenario, LISTENING, data=tmp_path)
    assert command[:3] == [sys.executable, "-m", "benchd.app.command_line"]
    assert command[-4:] == device_options(LISTENING, scenario.bench)
    assert command[-4:] == ["--device", "supply.host=127.0.0.1", "--device", "supply.port=40001"]


@pytest.mark.wires
def test_ctrl_c_reaches_the_daemon_once_each_time_and_its_ending_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    before = signal.getsignal(signal.SIGINT)
    pressing = threading.Event()

    def press() -> None:
        for _ in range(2):
            pressing.wait(1.0)  # the demo shows what it has read; a second press comes well after the first
            os.kill(os.getpid(), signal.SIGINT)

    presser = threading.Thread(target=press, daemon=True)
    presser.start()
    began_s = time.monotonic()
    status, folder, sentences = run_daemon([sys.executable, "-c", WAITS])
    presser.join()
    assert (status, folder, sentences) == (1, Path("/a/folder"), ["The run was stopped."])
    assert signal.getsignal(signal.SIGINT) is before
    assert time.monotonic() - began_s < 20.0
    shown = capsys.readouterr().out
    assert "Devices answer; the bench is Stopped." in shown
    assert "told 1" in shown
    assert "told 2" in shown
    assert "told 3" not in shown
