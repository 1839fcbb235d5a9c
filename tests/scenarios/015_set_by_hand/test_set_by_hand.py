"""A bench set by hand from a shell: `benchctl manual` over a real broker, left in order, hung up, killed."""

import contextlib
import json
import os
import pty
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from benchd.app.demo import device_options
from benchd.settings.places import configs_directory
from tests.outside.mosquitto import Mosquitto, mosquitto
from tests.scenarios.on_the_wire import Control, Daemon, a_bench, at_rest, quick_bench

pytestmark = pytest.mark.wires
WITHIN_S = 90.0
WHO = ("--order", "17", "--serial", "0042", "--operator", "Odile Brandvold")


@dataclass
class Terminal:
    """One `benchctl` that is typed at, and what it prints."""

    process: "subprocess.Popen[str]"
    typed_into: int
    told: list[dict[str, Any]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    readers: list[threading.Thread] = field(default_factory=list)

    def listen(self) -> None:
        """Read both streams, each in a thread of its own, until they end."""
        takes = [
            (self.process.stdout, lambda line: self.told.append(json.loads(line))),
            (self.process.stderr, self.said.append),
        ]
        self.readers = [threading.Thread(target=self._read, args=pair, daemon=True) for pair in takes]
        for reader in self.readers:
            reader.start()

    @staticmethod
    def _read(lines: Any, take: Callable[[str], None]) -> None:
        with lines:
            for line in lines:
                take(line)

    def hang_up(self) -> None:
        """Close the terminal."""
        closing, self.typed_into = self.typed_into, -1
        if closing >= 0:
            os.close(closing)

    def end(self) -> None:
        """End it whatever it does."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for reader in self.readers:
            reader.join(WITHIN_S)
        self.hang_up()

    def type(self, line: str) -> None:
        os.write(self.typed_into, f"{line}\n".encode())

    def until(self, seen: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + WITHIN_S
        while not seen():
            assert time.monotonic() < end_s, f"{what} did not come: {self.told[-3:]} {self.said}"
            time.sleep(0.02)

    def until_played(self) -> None:
        """Until the session is in Execute, by the bench's own word."""
        self.until(lambda: any(one["kind"] == "state" and one["state"] == "Execute" for one in self.told), "Execute")
        time.sleep(0.5)

    def orders(self) -> list[str]:
        return [one["fields"]["sentence"] for one in self.told if one["kind"] == "event" and one["event"] == "ordered"]


@dataclass
class Scene:
    """A person at a terminal, the daemon and the simulated bench behind the broker."""

    broker: Mosquitto
    daemon: Daemon
    bench: Control
    folder: Path
    stack: contextlib.ExitStack

    def benchctl(self, *typed: str, stdin: int = subprocess.DEVNULL) -> "subprocess.Popen[str]":
        where = {"BENCHCTL_BROKER": f"{self.broker.host}:{self.broker.port}", "COLUMNS": "80"}
        return subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "benchd.app.benchctl", *typed],
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **where},
        )

    def manual(self, *more: str) -> Terminal:
        ours, theirs = pty.openpty()
        process = self.benchctl("manual", "vent_flap_24v", "vent_flap", *WHO, "--json", *more, stdin=theirs)
        os.close(theirs)
        terminal = Terminal(process, ours)
        self.stack.callback(terminal.end)
        terminal.listen()
        return terminal

    def run_folder(self) -> Path:
        return next((self.folder / "data").glob("order=*/serial=*/*_manual"))


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(mosquitto(tmp_path))
        listening, control = stack.enter_context(a_bench())
        site = tmp_path / "site"
        for name in ("motors", "setups", "programmes"):
            shutil.copytree(configs_directory() / name, site / name)
        (site / "benches").mkdir()
        bench = quick_bench(site / "benches")
        arguments = [str(bench), "--data", str(tmp_path / "data"), "--broker", f"{broker.host}:{broker.port}"]
        daemon = Daemon([*arguments, *device_options(listening, bench)], runtime=tmp_path)
        stack.callback(daemon.close)
        daemon.until("ready")
        daemon.until("broker", up=True)
        yield Scene(broker, daemon, control, tmp_path, stack)


def test_a_session_is_typed_line_by_line_and_left_through_standstill(scene: Scene) -> None:
    terminal = scene.manual("--max-speed", "2500")
    terminal.until_played()
    terminal.type("voltage 6")
    scene.bench.until(lambda truth: truth["motor_speed_rpm"] > 300.0, within_s=WITHIN_S)
    terminal.type("torque 0.02")
    terminal.type("voltage +1")
    terminal.type("voltage 90")
    terminal.until(lambda: any("not allowed" in one for one in terminal.said), "the refusal")
    terminal.type("nonsense")
    terminal.until(lambda: any("type help" in one for one in terminal.said), "a word about nonsense")
    other = scene.benchctl("status")
    out, _ = other.communicate(timeout=WITHIN_S)
    assert "Manual" in out
    time.sleep(3.0)  # longer than a session goes on by itself: the terminal says that it lives
    assert scene.bench.truth()["motor_speed_rpm"] > 300.0
    terminal.type("leave")
    assert terminal.process.wait(WITHIN_S) == 0, terminal.said
    assert at_rest(scene.bench.truth())
    run = scene.run_folder()
    assert json.loads((run / "run.json").read_text())["mode"] == "manual"
    assert (run / "report.pdf").read_bytes().startswith(b"%PDF")
    events = [json.loads(line) for line in (run / "events.jsonl").read_text().splitlines()]
    told = [one["sentence"].partition(" ordered ")[2] for one in events if one["event"] == "ordered"]
    assert told == ["voltage 6 V.", "torque 0.02 N·m.", "voltage +1 V, now 7 V.", "leave."]
    assert len(terminal.orders()) == 4


def test_a_terminal_that_is_closed_brings_the_bench_to_rest(scene: Scene) -> None:
    terminal = scene.manual()
    terminal.until_played()
    terminal.type("voltage 6")
    scene.bench.until(lambda truth: truth["motor_speed_rpm"] > 300.0, within_s=WITHIN_S)
    terminal.hang_up()
    scene.daemon.until("state", after="Aborted")
    assert at_rest(scene.bench.truth())
    assert terminal.process.wait(WITHIN_S) == 3, terminal.said
    assert any("never goes on alone" in one for one in terminal.said)


def test_a_client_that_is_killed_brings_the_bench_to_rest_and_nobody_else_orders_meanwhile(scene: Scene) -> None:
    terminal = scene.manual()
    terminal.until_played()
    terminal.type("voltage 6")
    scene.bench.until(lambda truth: truth["motor_speed_rpm"] > 300.0, within_s=WITHIN_S)
    second = scene.manual("--name", "otto")
    assert second.process.wait(WITHIN_S) == 1
    second.until(lambda: any("holds control" in one for one in second.said), "the refusal")
    assert scene.bench.truth()["motor_speed_rpm"] > 300.0
    began_s = time.monotonic()
    terminal.process.kill()
    scene.daemon.until("state", after="Aborting")
    assert time.monotonic() - began_s < 5.0
    scene.daemon.until("state", after="Aborted")
    assert at_rest(scene.bench.truth())
