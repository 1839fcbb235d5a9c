"""The demo: simulated bench, sentry, daemon, broker, client, each a process of its own. No back door between them."""

import contextlib
import json
import os
import shlex
import signal
import subprocess
import sys
import tempfile
import threading
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd.app import tables
from benchd.app.demo_broker import demo_broker
from benchd.app.discovery import Unavailable, find_twin
from benchd.app.streams import say, tell
from benchd.app.tied import tied
from benchd.settings.places import settings_file

TWIN = "rig"
END_WITHIN_S = 10.0
PRIORITY = -10
DAEMON_WITHIN_S = 20.0  # until it says that its devices answer
LOOK_EVERY_S = 0.2
LAST_WORDS_S = 3.0  # for the client to tell of a daemon that ended
# More than a bench's: here the simulated bench, the report and whatever else runs on a laptop compete with the daemon,
# without the priorities that the units give. It stays below the 0.5 s after which the simulated chain opens by itself.
TICK_SILENT_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One invented job of the demo: which files, which order, who."""

    bench: str
    programme: str
    motor: str
    setup: str
    order: str
    serial: str
    operator: str
    story: str


SCENARIOS = {
    "pump_48v": Scenario(
        bench="vineyard",
        programme="pump_acceptance",
        motor="pump_48v",
        setup="pump",
        order="2026-047",
        serial="VP-0113",
        operator="Ines Halvorsen-Ruud",
        story="A 48 V, 750 W brushless motor that pumps a vineyard's water: winding resistance, back-EMF, no-load "
        "test, load test at 3000 r/min, then the rated point.",
    ),
    "vent_flap_24v": Scenario(
        bench="greenhouse",
        programme="vent_flap_acceptance",
        motor="vent_flap_24v",
        setup="vent_flap",
        order="2026-031",
        serial="VF-0007",
        operator="Ines Halvorsen-Ruud",
        story="A 24 V brushed motor that opens the vent flaps of a greenhouse: no-load test, then load test.",
    ),
    "reference_dc_24v": Scenario(
        bench="greenhouse",
        programme="reference_dc",
        motor="reference_dc_24v",
        setup="reference_dc",
        order="2026-032",
        serial="REF-0001",
        operator="Ines Halvorsen-Ruud",
        story="A linear 24 V motor whose constants are known, to check the bench itself.",
    ),
}


def run_demo(specimen: str, *, data: Path) -> int:
    """Play the scenario of a specimen named in `SCENARIOS`; returns the exit status of `benchctl run`.

    Five processes that know each other by their protocols alone: the simulated bench, the sentry that owns its safety
    chain, the daemon, a broker, and the client that anyone has. None of them outlives the demo, however that ends.
    Raises `Unavailable` for one that is not installed or does not start.
    """
    scenario = SCENARIOS[specimen]
    say(tables.wrapped(scenario.story, hanging=0))
    say(
        "Everything here is simulated. A real bench has a hardware safety chain;\n"
        "benchd works below it and its stops are not a safety function.\n"
    )
    with (
        tempfile.TemporaryDirectory(prefix="benchd-demo-") as runtime,
        demo_broker() as (host, port),
        simulated_bench(specimen) as devices,
        running("sentry", sentry_command(scenario, devices), ready='"up": true', runtime=runtime),
        running(
            "daemon",
            daemon_command(scenario, devices, broker=f"{host}:{port}", data=data),
            ready='"event": "ready"',
            runtime=runtime,
        ) as daemon,
    ):
        command = client_command(scenario)
        say(f"$ {shlex.join(command)}\n")
        return _run_to_its_end(command, daemon, broker=f"{host}:{port}")


@contextlib.contextmanager
def simulated_bench(specimen: str, *, seed: int = 1) -> Iterator[Mapping[str, Any]]:
    """A simulated bench in a process of its own while the context lasts; yields what it said when it listened.

    Raises `Unavailable` where no twin is installed or it does not come up.
    """
    twin = find_twin(TWIN)
    process = subprocess.Popen(  # noqa: S603 - this very interpreter and an installed module
        [
            sys.executable,
            "-m",
            twin.module,
            "--specimen",
            specimen,
            "--seed",
            str(seed),
            "--until-stdin-closes",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,  # Ctrl-C at the terminal is for the daemon, which needs its devices to stop
    )
    first_in_line(process.pid)
    try:
        line = "" if process.stdout is None else process.stdout.readline()
        if not line:
            raise Unavailable(f"The simulated bench '{specimen}' did not start: see what it said above.")
        yield json.loads(line)
    finally:
        if process.stdin is not None:
            process.stdin.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(END_WITHIN_S)
        if process.poll() is None:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def first_in_line(pid: int) -> None:
    """Before what else runs on this machine, where that is permitted: a device that comes late is a reason to trip.

    For a process that began a session of its own. Linux shares the processors out among sessions first (sched(7), the
    autogroup feature), and a process' own priority counts only within its session.
    """
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, pid, PRIORITY)
    with contextlib.suppress(OSError):
        Path(f"/proc/{pid}/autogroup").write_text(f"{PRIORITY}\n", encoding="ascii")


def device_options(listening: Mapping[str, Any], bench: str | Path) -> list[str]:
    """The options of `benchd serve` that point a bench file (a name or a path) at a simulated bench.

    What the simulated bench has beyond the file's devices is left alone.
    """
    known = tomllib.loads(settings_file("benches", str(bench)).read_text(encoding="utf-8"))["devices"]
    return [
        option
        for name, place in listening["devices"].items()
        if name in known
        for key in ("host", "port")
        for option in ("--device", f"{name}.{key}={place[key]}")
    ]


def daemon_command(scenario: Scenario, listening: Mapping[str, Any], *, broker: str, data: Path) -> list[str]:
    """The command line of the daemon for this scenario, as anyone could type it."""
    return [
        *(sys.executable, "-m", "benchd.app.command_line", "serve", scenario.bench),
        *("--broker", broker, "--data", str(data)),
        *device_options(listening, scenario.bench),
    ]


def sentry_command(scenario: Scenario, listening: Mapping[str, Any]) -> list[str]:
    """The command line of the sentry for this scenario, as anyone could type it."""
    return [
        *(sys.executable, "-m", "benchd.app.command_line", "sentry", scenario.bench),
        *("--tick-silent", str(TICK_SILENT_S)),
        *device_options(listening, scenario.bench),
    ]


def client_command(scenario: Scenario) -> list[str]:
    """What a person would type to have this scenario run."""
    return [
        *("benchctl", "run", scenario.programme, scenario.motor, scenario.setup),
        *("--order", scenario.order, "--serial", scenario.serial, "--operator", scenario.operator),
    ]


class Child:
    """One process of the demo whose log is read, so that it never stands still."""

    def __init__(self, what: str, command: list[str], *, ready: str, runtime: str) -> None:
        self.what = what
        self._process = subprocess.Popen(  # noqa: S603 - this very interpreter and this package
            tied(command),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,  # Ctrl-C at the terminal is for the client, which asks the daemon to stop
            env={**os.environ, "RUNTIME_DIRECTORY": runtime},  # a place of its own: no lock with a real bench
        )
        first_in_line(self._process.pid)
        self._log = _Log(self._process, ready=ready)

    def comes_up(self) -> None:
        """Wait until it is ready. Raises `Unavailable` with its last word where it does not come up."""
        if not self._log.told.wait(DAEMON_WITHIN_S) or not self._log.ready:
            raise Unavailable(f"The demo's {self.what} did not come up: {self._log.last or 'it said nothing'}")

    @property
    def ended(self) -> str:
        """A sentence once it has ended by itself, with its last word; empty while it runs."""
        status = self._process.poll()
        return "" if status is None else f"The demo's {self.what} ended (status {status}): {self._log.last}"

    def close(self) -> None:
        """Tell it to end, and end it where it does not."""
        self._process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(DAEMON_WITHIN_S)
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._log.end()


@contextlib.contextmanager
def running(what: str, command: list[str], *, ready: str, runtime: str) -> Iterator[Child]:
    """A process while the context lasts, from when its log says that it is `ready`.

    Raises `Unavailable` where it does not come up. On leaving it is told to end, for a daemon a controlled stop.
    """
    child = Child(what, command, ready=ready, runtime=runtime)
    try:
        child.comes_up()
        yield child
    finally:
        child.close()


class _Log:
    """Reads a process' log so that it never stands still; `told` is set when it is `ready`, or has ended."""

    def __init__(self, process: "subprocess.Popen[str]", *, ready: str) -> None:
        self._lines = process.stderr
        self._sign = ready
        self.told = threading.Event()
        self.ready = False
        self.last = ""
        self._thread = threading.Thread(target=self._read, name="log", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        for line in self._lines or ():
            self.last = line.strip()
            if self._sign in line:
                self.ready = True
                self.told.set()
        self.told.set()

    def end(self) -> None:
        """Nothing comes any more."""
        self._thread.join(END_WITHIN_S)
        if self._lines is not None:
            self._lines.close()


def _run_to_its_end(command: list[str], daemon: Child, *, broker: str) -> int:
    """Run the client as typed. Ctrl-C reaches it from the terminal and is its business: it asks for a stop.

    A daemon that ends meanwhile is not waited for, since here nobody starts it again: the client is ended soon after.
    """
    process = subprocess.Popen(  # noqa: S603 - this very interpreter and this package
        tied([sys.executable, "-m", "benchd.app.benchctl", *command[1:]]),
        env={**os.environ, "BENCHCTL_BROKER": broker},
    )
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(number, lambda number, _: _hand_on(process, number)) for number in numbers]
    try:
        while True:
            with contextlib.suppress(subprocess.TimeoutExpired):
                return process.wait(LOOK_EVERY_S)
            if why := daemon.ended:
                return _without_daemon(process, why)
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


def _without_daemon(client: "subprocess.Popen[bytes]", why: str) -> int:
    with contextlib.suppress(subprocess.TimeoutExpired):
        return client.wait(LAST_WORDS_S)
    client.terminate()
    client.wait()
    tell(why)
    return 1


def _hand_on(process: "subprocess.Popen[bytes]", number: int) -> None:
    """A signal that came to us alone; SIGINT of a terminal has reached every process of its group already."""
    if number != signal.SIGINT or not sys.stdin.isatty():
        process.send_signal(number)
