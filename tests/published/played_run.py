"""Plays whole runs over real sockets, with files of their own and the bench's truth beside. Not a test.

Simulated bench, daemon and evaluation are processes of their own; nothing but the wires and the folder is between them.
"""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import numpy as np
import pyarrow.parquet as pq

from benchd.app.demo import device_options, simulated_bench
from benchd.settings.places import configs_directory
from tests.scenarios.on_the_wire import Sentry
from tests.sensor_dates import never_overdue

TRIPPED = 3  # exit status
# A run of minutes meets all that a machine does beside it. Silence is counted in polls, so fewer of them are more
# patience; a reading may be older than on a bench. The safety chain stays as it is: its heartbeat beats with its polls.
POLLS_HZ = {"supply": 4, "sink": 4, "load_drive": 8, "motor_drive": 8, "measuring_unit": 40, "resistance_meter": 10}
LONGEST_AGE_S = 3.0
ASKED_EVERY_S = 0.05


@dataclass(frozen=True, kw_only=True)
class Files:
    """Names of a run's files below a folder of settings, and the simulated specimen they are for."""

    specimen: str
    bench: str
    programme: str
    motor: str
    setup: str


@dataclass(frozen=True, kw_only=True)
class Played:
    """A run's folder, its results by (test, quantity), and what the bench's own truth was meanwhile."""

    folder: Path
    document: Mapping[str, Any]
    truths: list[tuple[float, Mapping[str, Any]]] = field(default_factory=list)

    def quantity(self, test: str, name: str) -> Mapping[str, Any]:
        """One quantity of `results.json`."""
        return next(q for q in self.document["tests"][test]["quantities"] if q["name"] == name)

    def covers(self, key: tuple[str, str], true: float) -> bool:
        """Whether value and expanded uncertainty, and the interval where there is one, hold the true value."""
        found = self.quantity(*key)
        low, high = found.get("interval_low", -np.inf), found.get("interval_high", np.inf)
        return abs(found["value"] - true) <= found["expanded_uncertainty"] and low <= true <= high

    def truths_at(self, *, test: int, point: int) -> list[Mapping[str, Any]]:
        """What the bench told while a point was averaged."""
        columns, mine = rows_of_point(self.folder, test, point)
        first_s, last_s = columns["time_mono_s"][mine][[0, -1]]
        within = [truth for at_s, truth in self.truths if first_s < at_s < last_s]
        assert len(within) >= 3, f"the bench told its truth {len(within)} times at point {point} of test {test}"
        return within

    def truth(self, *, test: int, point: int, names: Iterable[str]) -> dict[str, float]:
        """The means of the bench's true values while a point was averaged."""
        within = self.truths_at(test=test, point=point)
        return {name: float(np.mean([truth[name] for truth in within])) for name in names}


def rows_of_point(folder: Path, test: int, point: int) -> tuple[Mapping[str, np.ndarray], np.ndarray]:
    """All columns of samples.parquet, and which rows belong to the point."""
    table = pq.read_table(folder / "samples.parquet")
    columns = {name: table.column(name).to_numpy() for name in table.column_names}
    return columns, (columns["test"] == test) & (columns["point"] == point)


class TruthTeller(threading.Thread):
    """Asks the bench for its truth while the context lasts; times are of the monotonic clock."""

    def __init__(self, control: Mapping[str, Any]) -> None:
        super().__init__(name="truth")
        self._control = (control["host"], control["port"])
        self._end = threading.Event()
        self.truths: list[tuple[float, Mapping[str, Any]]] = []

    def run(self) -> None:
        with socket.create_connection(self._control, timeout=10.0) as wire, wire.makefile("rw") as lines:
            while not self._end.wait(ASKED_EVERY_S):
                asked_s = time.monotonic()
                lines.write('{"do": "truth"}\n')
                lines.flush()
                reply = json.loads(lines.readline())
                self.truths.append((0.5 * (asked_s + time.monotonic()), reply["truth"]))

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self.join()


def benchd(*arguments: str, runtime: Path) -> subprocess.CompletedProcess[str]:
    """The command as anyone could type it, without a broker; the bench's lock has a place of its own: several run."""
    return subprocess.run(
        [sys.executable, "-m", "benchd.app.command_line", *arguments],
        env={**os.environ, "RUNTIME_DIRECTORY": str(runtime), "BENCHD_BROKER": "off"},
        capture_output=True,
        text=True,
        check=False,
    )


def told(done: subprocess.CompletedProcess[str]) -> str:
    """The last that a daemon said."""
    return "\n".join([line for line in done.stderr.splitlines() if '"progress"' not in line][-8:])


def copied_configs(place: Path, files: Files, *, factors: Mapping[str, float]) -> Path:
    """The files that come along, with a patient bench, and with these sensors' factors multiplied."""
    configs = place / "configs"
    never_overdue(shutil.copytree(configs_directory(), configs))
    bench = configs / f"benches/{files.bench}.toml"
    text = re.sub(r"(?<=\nage_limit_s = )[012]\.\d", str(LONGEST_AGE_S), bench.read_text())
    text = re.sub(r"(?m)^pre_start_warning_s = .*", "pre_start_warning_s = 0.1", text)  # there is nobody to warn
    for device, hz in POLLS_HZ.items():
        text = re.sub(rf"(?<=\[devices\.{device}\]\n)(driver = .*\npoll_hz = )\d+", rf"\g<1>{hz}", text)
    # with the supply polled so seldom this limit trips under a motor of ten times the shipped one's current
    text = re.sub(r'(?<=channel = "current_disagreement"\n)low = .*\nhigh = .*', "low = -20.0\nhigh = 20.0", text)
    bench.write_text(text)
    for sensor, factor in factors.items():
        file = configs / f"sensors/{sensor}.toml"
        before, gain, after = re.split(r"(?m)(?<=^gain = )(\S+)", file.read_text(), maxsplit=1)
        file.write_text(f"{before}{float(gain) * factor!r}{after}")
    return configs


def play_all(configs: Mapping[str, Path], files: Files, *, seed: int) -> dict[str, Played]:
    """A complete run with each of these settings, evaluated, in the folder beside them; two at a time.

    A machine that lets a daemon wait too long makes its bench trip, as it should; that run is played once more, alone.
    """
    with ThreadPoolExecutor(max_workers=2) as workers:
        done = dict(
            zip(configs, workers.map(lambda place: _serve(place, files, seed=seed), configs.values()), strict=True)
        )
    for name, (ended, _) in done.items():
        if ended.returncode == TRIPPED:
            done[name] = _serve(configs[name], files, seed=seed)
    return {name: _evaluated(*served) for name, served in done.items()}


def _evaluated(done: subprocess.CompletedProcess[str], truths: list[tuple[float, Mapping[str, Any]]]) -> Played:
    assert done.returncode == 0, told(done)
    folder = Path(done.stdout.strip())
    evaluated = benchd("evaluate", str(folder), runtime=folder)
    assert evaluated.returncode == 0, evaluated.stderr
    return Played(folder=folder, document=json.loads((folder / "results.json").read_text()), truths=truths)


def _serve(
    configs: Path, files: Files, *, seed: int
) -> tuple[subprocess.CompletedProcess[str], list[tuple[float, Mapping[str, Any]]]]:
    """One run on a bench of its own, and the bench's truth meanwhile."""
    place = configs.parent
    bench = configs / f"benches/{files.bench}.toml"
    named = [
        str(bench),
        str(configs / f"programmes/{files.programme}.toml"),
        str(configs / f"motors/{files.motor}.toml"),
        str(configs / f"setups/{files.setup}.toml"),
    ]
    with simulated_bench(files.specimen, seed=seed) as listening, TruthTeller(listening["control"]) as teller:
        devices = device_options(listening, bench)
        sentry = Sentry(str(bench), devices, runtime=place)
        try:
            done = benchd("serve", *named, "--no-report", "--data", str(place / "data"), *devices, runtime=place)
        finally:
            sentry.close()
    return done, teller.truths
