"""A simulated bench and a daemon, each in a process of its own, and a hand on both. Not a test."""

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from benchd.app.demo import device_options, simulated_bench
from benchd.app.tied import tied
from benchd.settings.places import configs_directory
from tests.sensor_dates import never_overdue

WITHIN_S = 20.0  # of patience with a busy machine; nothing here takes a quarter of it by itself
TURNING = """
schema = 1
name = "turning"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 9.0]
settle_time_s = 0.2
average_time_s = 60.0
speed_band_rpm = 500.0
"""
SHORTEST = """
schema = 1
name = "shortest"

[[test]]
kind = "no_load"
supply_voltages_v = [3.0, 4.0]
settle_time_s = 0.2
average_time_s = 0.2
speed_band_rpm = 500.0
"""
SHORT = """
schema = 1
name = "short"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 9.0]
settle_time_s = 0.2
average_time_s = 0.4
speed_band_rpm = 100.0

[[test]]
kind = "load"
supply_voltage_v = 9.0
torques_nm = [0.03, 0.06]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.2
average_time_s = 0.4
speed_band_rpm = 100.0
"""


class Control:
    """The control socket of a simulated bench: its truth, its faults, its buttons."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), timeout=WITHIN_S)
        self._lines = self._socket.makefile("rw", encoding="utf-8", newline="\n")

    def ask(self, do: str, **fields: object) -> dict[str, Any]:
        """One request and its reply; fails where the bench refuses it."""
        self._lines.write(json.dumps({"do": do, **fields}) + "\n")
        self._lines.flush()
        reply: dict[str, Any] = json.loads(self._lines.readline())
        assert reply.pop("ok"), reply
        return reply

    def truth(self) -> dict[str, Any]:
        """The true values of plant and devices."""
        truth: dict[str, Any] = self.ask("truth")["truth"]
        return truth

    def until(self, seen: Callable[[Mapping[str, Any]], bool], *, within_s: float = WITHIN_S) -> dict[str, Any]:
        """The first truth for which `seen` holds; fails when there is none in time."""
        end_s = time.monotonic() + within_s
        while not seen(truth := self.truth()):
            assert time.monotonic() < end_s, truth
            time.sleep(0.02)
        return truth

    def messages(self, device: str) -> list[str]:
        """What a device has received, decoded as far as it is text."""
        return [str(entry) for entry in self.ask("log", device=device, last=2000)["log"][device]]

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()


@contextlib.contextmanager
def a_bench(specimen: str = "vent_flap_24v") -> Iterator[tuple[Mapping[str, Any], Control]]:
    """What a simulated bench says of its places, and its control."""
    with simulated_bench(specimen) as listening:
        control = Control(**listening["control"])
        try:
            yield listening, control
        finally:
            control.close()


class Daemon:
    """`benchd serve` in a process of its own, its log read by a thread unless `unread`."""

    def __init__(
        self,
        arguments: list[str],
        *,
        runtime: Path,
        unread: bool = False,
        chain_within_s: float | None = None,
        **streams: Any,
    ) -> None:
        command = [sys.executable, "-m", "benchd.app.command_line", "serve", *arguments]
        streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams}
        # a broker that happens to run on this machine hears nothing of it, unless the arguments name one
        environment = {**os.environ, "RUNTIME_DIRECTORY": str(runtime), "BENCHD_BROKER": "off"}
        if chain_within_s is not None:
            environment["BENCHD_CHAIN_WITHIN_S"] = str(chain_within_s)
        self.process = subprocess.Popen(command, env=environment, text=True, **streams)
        self.events: list[dict[str, Any]] = []
        self.sentences: list[str] = []
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        if not unread and self.process.stderr is not None:
            self._reader.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            with self._news:
                if line.startswith("{"):
                    self.events.append(json.loads(line))
                else:
                    self.sentences.append(line.rstrip("\n"))
                self._news.notify_all()
        with self._news:
            self._news.notify_all()

    def seen(self, name: str, **fields: object) -> list[dict[str, Any]]:
        """The events of this name so far that carry these fields."""
        return [
            event
            for event in list(self.events)
            if event["event"] == name and all(event.get(key) == value for key, value in fields.items())
        ]

    def until(self, name: str, **fields: object) -> dict[str, Any]:
        """The first event of this name with these fields; fails when it does not come."""
        with self._news:
            came = self._news.wait_for(
                lambda: self.seen(name, **fields) or not self._reader.is_alive(), timeout=WITHIN_S
            )
        assert came, f"{name} did not come: {self.events[-3:]} {self.sentences}"
        found = self.seen(name, **fields)
        assert found, f"the daemon ended without {name}: {self.events[-3:]} {self.sentences}"
        return found[0]

    def tell(self, number: signal.Signals) -> None:
        """Send a signal."""
        self.process.send_signal(number)

    def end(self, *, within_s: float = WITHIN_S) -> tuple[int, str]:
        """Wait for the end; its exit status and what it said on standard output."""
        said = "" if self.process.stdout is None else self.process.stdout.read()
        status = self.process.wait(within_s)
        if self._reader.ident is not None:
            self._reader.join(within_s)
        assert not any("Traceback" in sentence for sentence in self.sentences), self.sentences
        return status, said

    def close(self) -> None:
        """End it whatever it does."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


class Sentry:
    """`benchd sentry` in a process of its own; made, it answers for the chain. Its log is read by a thread."""

    def __init__(self, bench: str, options: list[str], *, runtime: Path, tick_silent_s: float | None = 0.4) -> None:
        # machines that run tests are busy: more patience than a bench needs, unless the story is about that
        patience = [] if tick_silent_s is None else ["--tick-silent", str(tick_silent_s)]
        self.process = subprocess.Popen(
            tied([sys.executable, "-m", "benchd.app.command_line", "sentry", bench, *options, *patience]),
            env={**os.environ, "RUNTIME_DIRECTORY": str(runtime)},
            stderr=subprocess.PIPE,
            text=True,
        )
        self.events: list[dict[str, Any]] = []
        self._up = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        assert self._up.wait(WITHIN_S), self.events
        assert self.seen("chain", up=True), self.events

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.events.append(json.loads(line) if line.startswith("{") else {"event": line})
            if self.seen("chain", up=True):
                self._up.set()
        self._up.set()

    def seen(self, name: str, **fields: object) -> list[dict[str, Any]]:
        """The events of this name so far that carry these fields."""
        return [
            event
            for event in list(self.events)
            if event["event"] == name and all(event.get(key) == value for key, value in fields.items())
        ]

    def tell(self, number: signal.Signals) -> None:
        """Send a signal."""
        self.process.send_signal(number)

    def close(self) -> None:
        """End it whatever it does; its last words are read."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join(WITHIN_S)
        if self.process.stderr is not None:
            self.process.stderr.close()


def without_sentry(bench: str) -> str:
    """A bench file's text whose daemon speaks to the safety chain itself: a process less on a busy machine.

    What a sentry adds is told by stories of its own, and the whole runs have one.
    """
    text, times = re.subn(r"(?m)^\[sentry\]\n(^\w.*\n)*", "", bench)
    assert times == 1, "the bench file has no [sentry]"
    return text


def quick_bench(folder: Path, *, slope_v_per_s: float = 12.0) -> Path:
    """The greenhouse bench with a short warning before the start, a short zero, and patience with a busy machine."""
    if not (folder / "sensors").exists():
        shutil.copytree(configs_directory() / "sensors", folder / "sensors")
        never_overdue(folder)
    text = without_sentry((configs_directory() / "benches/greenhouse.toml").read_text(encoding="utf-8"))
    for old, new in (
        ("pre_start_warning_s = 2.0", "pre_start_warning_s = 0.1"),
        ("zero_time_s = 1.0", "zero_time_s = 0.3"),
        ("age_limit_s = 0.5", "age_limit_s = 1.0"),
        ("poll_hz = 50", "poll_hz = 10"),  # silence is counted in polls: fewer of them are more patience
        ("poll_hz = 20", "poll_hz = 10"),
        ("poll_hz = 100", "poll_hz = 50"),
        ("voltage_v_per_s = 12.0", f"voltage_v_per_s = {slope_v_per_s}"),
        ('"../sensors/', f'"{folder}/sensors/'),
        ("[jog]\nenabled = true", '[jog]\nenabled = false\nreason = "a story of something else"'),
    ):
        assert old in text, old
        text = text.replace(old, new)
    file = folder / "quick.toml"
    file.write_text(text, encoding="utf-8")
    return file


def a_run(
    folder: Path, listening: Mapping[str, Any], programme: str = TURNING, *, slope_v_per_s: float = 12.0
) -> list[str]:
    """The arguments of `serve` for a programme on the vent flap motor; the run goes to `folder`/data."""
    file = folder / "programme.toml"
    file.write_text(programme, encoding="utf-8")
    bench = quick_bench(folder, slope_v_per_s=slope_v_per_s)
    return [
        *(str(bench), str(file), "vent_flap_24v", "vent_flap"),
        *("--order", "17", "--serial", "0042", "--operator", "Odile Brandvold", "--data", str(folder / "data")),
        "--no-report",
        *device_options(listening, bench),
    ]


def the_folder(data: Path) -> Path:
    """The one run folder below a data directory."""
    (folder,) = data.glob("order=*/serial=*/*")
    return folder


def at_rest(truth: Mapping[str, Any]) -> bool:
    """Whether nothing turns and nothing is energised, by the simulated bench's own word."""
    return (
        abs(truth["motor_speed_rpm"]) < 10.0
        and abs(truth["load_speed_rpm"]) < 10.0
        and not truth["supply_output_on"]
        and not truth["load_drive_power_stage_on"]
    )
