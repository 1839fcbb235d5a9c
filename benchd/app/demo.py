"""The demo: a simulated bench in one process, the daemon in another, then the results. No back door between them."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from benchd.app import tables
from benchd.app.discovery import Unavailable, find_twin
from benchd.app.evaluation import RESULTS
from benchd.app.paperwork import report_in_subprocess
from benchd.app.streams import say
from benchd.settings.places import settings_file

TWIN = "rig"
END_WITHIN_S = 10.0
SHOWN = (
    ("shaft_speed", "{:.0f} r/min"),
    ("shaft_torque", "{:.3f} N·m"),
    ("dc_voltage", "{:.2f} V"),
    ("dc_current", "{:.2f} A"),
    ("motor_power", "{:.0f} W"),
)


WORDS = {
    "ready": "Devices answer; the bench is {state}.",
    "state": "{after}",
    "ladder": "  voltage ladder read back: {supply_highest_v:g} V supply < {sink_threshold_v:g} V sink "
    "< {over_voltage_protection_v:g} V protection < {component_rating_v:g} V rating",
    "drive_limits": "  {port} holds by itself: {overspeed_rpm:g} r/min, {torque_limit_nm:g} N·m",
    "zero": "  zero of {channel}: {value:.5f} N·m",
    "test_started": "  {title}",
    "deviation": "  {sentence}",
    "failed": "  {sentence}",
    "not_safe": "  {sentence}",
    "recording_failed": "  {sentence}",
    "tripped": "  Tripped: {cause}",
    "warning": "  Warning: {cause}",
    "standstill": "  standstill measured",
}


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
    """Play the scenario of a specimen named in `SCENARIOS` and print its results; returns the daemon's exit status.

    Raises `Unavailable` for a twin that is not installed or does not start, `RecordsError` where the folder cannot be
    evaluated.
    """
    scenario = SCENARIOS[specimen]
    say(tables.wrapped(scenario.story, hanging=0))
    say(
        "Everything here is simulated. A real bench has a hardware safety chain;\n"
        "benchd works below it and its stops are not a safety function.\n"
    )
    with simulated_bench(specimen) as devices:
        status, folder, sentences = run_daemon(daemon_command(scenario, devices, data=data))
    if status != 0 or folder is None:
        say(" ".join(sentences) or "The daemon ended without a word.")
        if folder is not None:
            say(f"\nWhat was recorded until then is in\n{folder}")
        return status or 1
    report = report_in_subprocess(folder)
    say("\n" + tables.results(json.loads((folder / RESULTS).read_text()), everything=False))
    say(f"\nEverything recorded is in\n{folder}\nand the report is\n{report}")
    return 0


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


def daemon_command(scenario: Scenario, listening: Mapping[str, Any], *, data: Path) -> list[str]:
    """The command line of the daemon for this scenario, as anyone could type it."""
    return [
        sys.executable,
        "-m",
        "benchd.app.command_line",
        "serve",
        scenario.bench,
        scenario.programme,
        scenario.motor,
        scenario.setup,
        "--order",
        scenario.order,
        "--serial",
        scenario.serial,
        "--operator",
        scenario.operator,
        "--data",
        str(data),
        "--no-report",
        *device_options(listening, scenario.bench),
    ]


def run_daemon(command: list[str]) -> tuple[int, Path | None, list[str]]:
    """Run the daemon and show its log; returns its exit status, the run folder and the sentences it ended with.

    Ctrl-C is handed on: the first asks for a controlled stop, the second takes energy away at once.
    """
    with tempfile.TemporaryDirectory(prefix="benchd-demo-") as runtime:
        process = subprocess.Popen(  # noqa: S603 - this very interpreter and this package
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,  # a signal of the terminal reaches it once, through us
            env={**os.environ, "RUNTIME_DIRECTORY": runtime},  # its bench is its own: no lock with a real one
        )
        sentences: list[str] = []
        with process, _handed_on(process):
            if process.stderr is not None:
                _show(process.stderr, sentences, Console())
            said = "" if process.stdout is None else process.stdout.read()
            status = process.wait()
    folder = Path(said.strip()) if said.strip() else None
    return status, folder, sentences


@contextlib.contextmanager
def _handed_on(process: "subprocess.Popen[str]") -> Iterator[None]:
    """SIGINT and SIGTERM go to this process while the context lasts."""

    def hand_on(number: int, _: object) -> None:
        process.send_signal(number)

    numbers = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(number, hand_on) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)


def _show(lines: Iterator[str], sentences: list[str], console: Console) -> None:
    """Show the daemon's log as a person wants it: states as lines, the test's progress as a line that stays last."""
    columns = (
        TextColumn("{task.description:<27}", markup=False),
        BarColumn(bar_width=12),
        TextColumn("{task.fields[numbers]}", markup=False),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("starting", total=1.0, numbers="")
        for line in lines:
            try:
                event = json.loads(line)
            except ValueError:
                sentences.append(line.strip())
                continue
            if event["event"] == "progress":
                progress.update(
                    task,
                    description=event["doing"] or event["state"],
                    completed=event["done_ratio"],
                    numbers=_numbers(event["channels"]),
                )
            elif words := _words(event):
                progress.console.print(words, markup=False, highlight=False, emoji=False, soft_wrap=True)


def _numbers(channels: Mapping[str, Any]) -> str:
    return "  ".join(
        shape.format(channels[name]) for name, shape in SHOWN if isinstance(channels.get(name), int | float)
    )


def _words(event: Mapping[str, Any]) -> str:
    """An event as a line for people, empty for what they need not see."""
    if event["event"] == "standstill" and not event.get("measured", True):
        return "  standstill told only by devices that are doubted"
    shape = WORDS.get(event["event"])
    try:
        return "" if shape is None else shape.format_map(event)
    except (LookupError, ValueError):  # an event of another release
        return ""
