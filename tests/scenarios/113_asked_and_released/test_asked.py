"""A run that asks the operator and waits for the release at the bench: daemon, simulated bench, broker and client.

Everything is a process of its own; the buttons are pressed through the simulated bench's control socket.
"""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.app.demo import device_options
from benchd.settings.places import configs_directory
from tests.outside.mosquitto import Mosquitto, mosquitto
from tests.scenarios.on_the_wire import SHORTEST, WITHIN_S, Control, Daemon, a_bench, at_rest, quick_bench, the_folder

pytestmark = pytest.mark.wires

QUESTION = "Is the coupling guard closed?"
ATTENDED = SHORTEST.replace('name = "shortest"', 'name = "attended"\nattended = true\nanswer_within_s = 60.0').replace(
    'kind = "no_load"', f'kind = "no_load"\nconfirm = "{QUESTION}"'
)
INPUTS = (
    "guard_closed = 0, estop_released = 1, remote_selected = 2, torque_enabled = 3, permit = 4, release_pressed = 5"
)
WHO = ("--order", "17", "--serial", "0042", "--operator", "Odile Brandvold")


class Client:
    """`benchctl` in a process of its own, what it says read line by line."""

    def __init__(self, broker: Mosquitto, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchd.app.benchctl", *arguments],
            env={**os.environ, "BENCHCTL_BROKER": f"{broker.host}:{broker.port}", "BENCHCTL_BENCH": "greenhouse"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.lines: list[str] = []
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._news:
                self.lines.append(line.rstrip())
                self._news.notify_all()

    def until(self, words: str) -> str:
        """The first line with these words."""
        with self._news:
            came = self._news.wait_for(lambda: [line for line in self.lines if words in line], WITHIN_S)
        assert came, (words, self.lines)
        return came[0]

    def end(self, *, within_s: float = 60.0) -> int:
        """Its exit status."""
        status = self.process.wait(within_s)
        self._reader.join(WITHIN_S)
        return status

    def close(self) -> None:
        """End it whatever it does."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self._reader.join(WITHIN_S)
        if self.process.stdout is not None:
            self.process.stdout.close()


@dataclass
class Scene:
    """What stands on the stage; `bench` is the bench file."""

    folder: Path
    broker: Mosquitto
    listening: Mapping[str, Any]
    control: Control
    bench: Path
    stack: contextlib.ExitStack

    def daemon(self, *run: str) -> Daemon:
        place = f"{self.broker.host}:{self.broker.port}"
        options = ["--data", str(self.folder / "data"), "--broker", place, "--no-report"]
        one = Daemon(
            [str(self.bench), *run, *options, *device_options(self.listening, self.bench)], runtime=self.folder / "run"
        )
        self.stack.callback(one.close)
        one.until("ready")
        return one

    def client(self, *arguments: str) -> Client:
        one = Client(self.broker, *arguments)
        self.stack.callback(one.close)
        return one

    def events(self) -> list[dict[str, Any]]:
        file = the_folder(self.folder / "data") / "events.jsonl"
        return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


def asking(bench: Path, *, release_within_s: float) -> Path:
    """The same bench with a release key and a horn, and asking for the release before a start."""
    text = bench.read_text(encoding="utf-8")
    for old, new in (
        (
            "[devices.safety_chain.settings]\n",
            f"[devices.safety_chain.settings]\ninputs = {{ {INPUTS} }}\nstart_warning_coil = 2\n",
        ),
        ("[start]\n", f"[start]\nrelease_at_bench = true\nrelease_within_s = {release_within_s}\n"),
        ("pre_start_warning_s = 0.1", "pre_start_warning_s = 1.0"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    bench.write_text(text, encoding="utf-8")
    return bench


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path))
        listening, control = stack.enter_context(a_bench())
        site = tmp_path / "site"
        for name in ("motors", "setups"):
            shutil.copytree(configs_directory() / name, site / name)
        for name in ("benches", "programmes"):
            (site / name).mkdir()
        (site / "programmes/attended.toml").write_text(ATTENDED, encoding="utf-8")
        bench = asking(quick_bench(site / "benches"), release_within_s=20.0)
        yield Scene(tmp_path, broker, listening, control, bench, stack)


def test_a_run_is_confirmed_by_the_operator_released_at_the_bench_announced_and_played(scene: Scene) -> None:
    scene.daemon()
    run = scene.client("run", "attended", "vent_flap_24v", "vent_flap", *WHO, "--name", "odile")
    run.until(QUESTION)
    assert at_rest(scene.control.truth())
    answer = scene.client("answer", "yes", "--name", "odile")
    assert answer.end() == 0, answer.lines
    run.until("for the release at the bench")
    truth = scene.control.truth()
    assert at_rest(truth)
    assert not truth["start_warning"]
    time.sleep(0.5)  # nobody presses before the chain has been read once: a press before that says nothing
    scene.control.ask("press", button="press_start_release")
    warned = scene.control.until(lambda truth: truth["start_warning"])
    assert at_rest(warned)
    scene.control.ask("press", button="let_go_start_release")
    scene.control.until(lambda truth: truth["motor_speed_rpm"] > 200.0)
    assert not scene.control.truth()["start_warning"]
    run.until("Complete")
    events = scene.events()
    named = {event["event"]: event for event in events}
    order = [event["event"] for event in events]
    told = ("interlocks", "asked", "answered", "release_awaited", "release_given", "start_warning", "test_started")
    assert [name for name in dict.fromkeys(order) if name in told] == list(told)
    assert (named["answered"]["by"], named["answered"]["answer"]) == ("odile", "yes")
    assert named["start_warning"]["announced"] is True
    assert "The release at the bench was pressed." in [event.get("sentence") for event in events]


def test_a_run_of_serve_itself_says_how_to_answer_and_is_refused_without_the_release(scene: Scene) -> None:
    asking_less = scene.bench.read_text(encoding="utf-8").replace("release_within_s = 20.0", "release_within_s = 3.0")
    scene.bench.write_text(asking_less, encoding="utf-8")
    scene.control.ask("press", button="press_start_release")  # before the start: it says nothing
    programme = scene.folder / "site/programmes/attended.toml"
    daemon = scene.daemon(str(programme), "vent_flap_24v", "vent_flap", *WHO)
    daemon.until("asked")
    assert any("This run asks the operator; answer with: benchctl answer" in one for one in daemon.sentences)
    answer = scene.client("answer", "yes")
    assert answer.end() == 0, answer.lines
    status, _ = daemon.end()
    assert status == 1
    assert "was pressed before the start was asked for" in daemon.sentences[-1]
    assert at_rest(scene.control.truth())
    assert not [event for event in scene.events() if event["event"] in {"ladder", "start_warning"}]
