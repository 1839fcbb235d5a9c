"""One whole run over real sockets of a motor whose constants are published, and the same with a wrong factor.

The linear DC motor: R 0.5 Ω, K 0.05 V·s, b 1e-4 N·m·s, no dry friction, no brush drop. Its end state at 24 V without
load, 0.9411765 A and 470.5882353 rad/s, is the published closed form on which gym-electric-motor 3.0.3 and
python-control 0.10.2 agree. Simulated bench, daemon and evaluation are processes of their own; nothing but the wires
and the folder is between them.
"""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import numpy as np
import pyarrow.parquet as pq
import pytest

from benchd.settings.places import configs_directory

pytestmark = pytest.mark.wires

SEED = 7
PROGRAMME = """
schema = 1
name = "published motor"

[[test]]
kind = "no_load"
supply_voltages_v = [12.0, 18.0, 24.0]
settle_time_s = 0.6
average_time_s = 0.8
speed_band_rpm = 10.0

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.1, 0.25, 0.4]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.6
average_time_s = 0.8
speed_band_rpm = 10.0
"""
TRIPPED = 3  # exit status
LOAD = 1  # place of the load test in the programme

R_OHM, K_VS, B_NMS = 0.5, 0.05, 1e-4
VOLTAGE_V, RATED_NM = 24.0, 0.4
NO_LOAD_A, NO_LOAD_RAD_S = 0.9411765, 470.5882353
RPM = 30.0 / np.pi

# voltage and torque equation under rated torque: two linear equations for current and speed
RATED_A, RATED_RAD_S = np.linalg.solve([[R_OHM, K_VS], [K_VS, -B_NMS]], [VOLTAGE_V, RATED_NM])

TRUE = {
    ("no_load", "voltage_constant"): K_VS,
    ("no_load", "no_load_speed"): NO_LOAD_RAD_S * RPM,
    ("no_load", "no_load_current"): NO_LOAD_A,
    ("no_load", "friction_coefficient_viscous"): B_NMS,
    ("no_load", "friction_torque_coulomb"): 0.0,
    ("no_load", "friction_torque_at_no_load"): K_VS * NO_LOAD_A,
    ("load", "voltage_constant"): K_VS,
    ("load", "torque_constant"): K_VS,
    ("load", "winding_resistance"): R_OHM,
    ("load", "brush_drop"): 0.0,
    ("load", "speed_at_rated_torque"): RATED_RAD_S * RPM,
    ("load", "current_at_rated_torque"): RATED_A,
    ("load", "efficiency_at_rated_torque"): RATED_NM * RATED_RAD_S / (VOLTAGE_V * RATED_A),
    ("load", "stall_current"): VOLTAGE_V / R_OHM,
    ("load", "stall_torque"): K_VS * VOLTAGE_V / R_OHM,
}
# an uncertainty that covers anything says nothing: most of U, as a share of the value
WIDEST = {
    ("no_load", "voltage_constant"): 0.001,
    ("no_load", "no_load_speed"): 0.001,
    ("no_load", "friction_coefficient_viscous"): 0.06,
    ("no_load", "friction_torque_at_no_load"): 0.02,
    ("load", "torque_constant"): 0.005,
    ("load", "winding_resistance"): 0.003,
    ("load", "efficiency_at_rated_torque"): 0.005,
}
# the sensor whose factor is 2 % too large, and what that moves by how much
BROKEN = {
    "dc_voltage_divider": {("load", "voltage_constant"): +0.02, ("no_load", "no_load_speed"): -0.02},
    "dc_current_sensor": {("load", "winding_resistance"): -0.02, ("load", "torque_constant"): -0.02},
    "torque_2nm": {("load", "efficiency_at_rated_torque"): +0.02, ("load", "torque_constant"): +0.02},
}
SOUND = ""


@dataclass(frozen=True, kw_only=True)
class Played:
    """A run's folder, its results by (test, quantity), and what the bench's own truth was meanwhile."""

    folder: Path
    document: Mapping
    truths: list[tuple[float, Mapping]] = field(default_factory=list)

    def quantity(self, test: str, name: str) -> Mapping:
        return next(q for q in self.document["tests"][test]["quantities"] if q["name"] == name)

    def covers(self, key: tuple[str, str], true: float) -> bool:
        found = self.quantity(*key)
        return abs(found["value"] - true) <= found["expanded_uncertainty"]


@contextlib.contextmanager
def rig(seed: int) -> Iterator[Mapping]:
    command = [sys.executable, "-m", "benchd_rig", "--specimen", "reference_dc_24v"]
    command += ["--seed", str(seed), "--until-stdin-closes"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.stdin.close()
        process.wait(20.0)
        process.stdout.close()


class TruthTeller(threading.Thread):
    """Asks the bench for its truth ten times a second while the context lasts; times are of the monotonic clock."""

    def __init__(self, control: Mapping) -> None:
        super().__init__(name="truth")
        self._control = (control["host"], control["port"])
        self._end = threading.Event()
        self.truths: list[tuple[float, Mapping]] = []

    def run(self) -> None:
        with socket.create_connection(self._control, timeout=10.0) as wire, wire.makefile("rw") as lines:
            while not self._end.wait(0.1):
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
    """The command as anyone could type it, with a place of its own for the bench's lock: several run at once."""
    return subprocess.run(
        [sys.executable, "-m", "benchd.app.command_line", *arguments],
        env={**os.environ, "RUNTIME_DIRECTORY": str(runtime)},
        capture_output=True,
        text=True,
        check=False,
    )


def told(done: subprocess.CompletedProcess[str]) -> str:
    return "\n".join([line for line in done.stderr.splitlines() if '"progress"' not in line][-8:])


def make_configs(place: Path, *, broken: str) -> Path:
    """The files that come along; the factor of the sensor `broken` is 2 % too large.

    Readings may be older here than on a bench: machines that check many things at once let processes wait. The
    measuring unit is polled more slowly than frames are made, so that its samples stand in two or three rows each.
    """
    configs = place / "configs"
    shutil.copytree(configs_directory(), configs)
    (configs / "programmes/published_motor.toml").write_text(PROGRAMME)
    bench = configs / "benches/greenhouse.toml"
    text = bench.read_text()
    for before, after in (("age_limit_s = 0.3\n", "age_limit_s = 2.0\n"), ("poll_hz = 100\n", "poll_hz = 40\n")):
        assert before in text
        text = text.replace(before, after)
    bench.write_text(text)
    if broken:
        sensor = configs / f"sensors/{broken}.toml"
        before, key, after = sensor.read_text().partition("\ngain = ")
        gain, blank, rest = after.partition(" ")
        assert key
        assert blank
        sensor.write_text(f"{before}{key}{float(gain) * 1.02!r}{blank}{rest}")
    return configs


def serve(configs: Path, *, seed: int) -> tuple[subprocess.CompletedProcess[str], list[tuple[float, Mapping]]]:
    """One run on a bench of its own, and the bench's truth meanwhile."""
    place = configs.parent
    files = ("benches/greenhouse", "programmes/published_motor", "motors/reference_dc_24v", "setups/reference_dc")
    with rig(seed) as listening, TruthTeller(listening["control"]) as teller:
        devices = [
            option
            for name, address in listening["devices"].items()
            for key in ("host", "port")
            for option in ("--device", f"{name}.{key}={address[key]}")
        ]
        named = [str(configs / f"{name}.toml") for name in files]
        done = benchd("serve", *named, "--data", str(place / "data"), *devices, runtime=place)
    return done, teller.truths


def play(place: Path, *, broken: str, seed: int = SEED) -> Played:
    """A complete run in a folder of its own, evaluated.

    A machine that lets the daemon wait too long makes the bench trip, as it should; then the run is played once more.
    """
    configs = make_configs(place, broken=broken)
    done, truths = serve(configs, seed=seed)
    if done.returncode == TRIPPED:
        done, truths = serve(configs, seed=seed)
    assert done.returncode == 0, told(done)
    folder = Path(done.stdout.strip())
    evaluated = benchd("evaluate", str(folder), runtime=place)
    assert evaluated.returncode == 0, evaluated.stderr
    return Played(folder=folder, document=json.loads((folder / "results.json").read_text()), truths=truths)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Played]:
    """The sound run and one for each broken factor, two at a time."""
    names = [SOUND, *BROKEN]
    with ThreadPoolExecutor(max_workers=2) as workers:
        played = workers.map(lambda name: play(tmp_path_factory.mktemp(name or "sound"), broken=name), names)
        return dict(zip(names, played, strict=True))


@pytest.fixture
def sound(runs: Mapping[str, Played]) -> Played:
    return runs[SOUND]


@pytest.mark.parametrize("key", TRUE, ids=" ".join)
def test_the_stated_uncertainty_covers_the_published_value(sound: Played, key: tuple[str, str]) -> None:
    assert sound.covers(key, TRUE[key]), sound.quantity(*key)


@pytest.mark.parametrize("key", WIDEST, ids=" ".join)
def test_the_stated_uncertainty_is_narrow_enough_to_mean_something(sound: Played, key: tuple[str, str]) -> None:
    found = sound.quantity(*key)
    assert 0.0 < found["expanded_uncertainty"] < WIDEST[key] * found["value"]


@pytest.mark.parametrize(("sensor", "key"), [(s, key) for s, moved in BROKEN.items() for key in moved])
def test_a_factor_that_is_two_per_cent_wrong_puts_the_published_value_outside(
    runs: Mapping[str, Played], sensor: str, key: tuple[str, str]
) -> None:
    played, shift = runs[sensor], BROKEN[sensor][key]
    assert not played.covers(key, TRUE[key])
    assert played.quantity(*key)["value"] / TRUE[key] - 1.0 == pytest.approx(shift, abs=0.005)


def test_the_run_itself_tells_that_a_factor_is_wrong(runs: Mapping[str, Played]) -> None:
    said = {name: " ".join(played.document["tests"]["load"]["notes"]) for name, played in runs.items()}
    assert "they agree" in said.pop(SOUND)
    assert all("they disagree" in notes for notes in said.values())


def rows_of_point(folder: Path, test: int, point: int) -> tuple[Mapping[str, np.ndarray], np.ndarray]:
    """All columns of samples.parquet, and which rows belong to the point."""
    table = pq.read_table(folder / "samples.parquet")
    columns = {name: table.column(name).to_numpy() for name in table.column_names}
    return columns, (columns["test"] == test) & (columns["point"] == point)


def test_the_bench_s_own_truth_lies_within_the_uncertainty_of_every_loaded_point(sound: Played) -> None:
    for point in range(6):
        columns, mine = rows_of_point(sound.folder, LOAD, point)
        first_s, last_s = columns["time_mono_s"][mine][[0, -1]]
        within = [truth for at_s, truth in sound.truths if first_s < at_s < last_s]
        assert len(within) >= 3
        u, i, t, n = (
            np.mean([truth[name] for truth in within])
            for name in ("terminal_voltage_v", "motor_current_a", "shaft_torque_nm", "motor_speed_rpm")
        )
        shaft_w = t * n / RPM
        assert shaft_w > 40.0
        assert sound.covers(("load", f"point_{point:03d}_output_power"), shaft_w)
        assert sound.covers(("load", f"point_{point:03d}_efficiency"), shaft_w / (u * i))


def test_an_auditor_gets_a_point_s_efficiency_from_the_samples_with_numpy_alone(sound: Played) -> None:
    stated = sound.quantity("load", "point_002_efficiency")
    # these words are what the auditor follows below
    assert stated["how"] == (
        "shaft torque times speed times π/30, by voltage times current, each the mean over the point: its rows of good "
        "quality (0), without rows that repeat a sample (time_mono_s less age moves by less than 0.1 ms, since ages "
        "are kept in single precision), of the last window where it was averaged more than once"
    )
    columns, mine = rows_of_point(sound.folder, LOAD, 2)
    assert np.all(np.diff(np.flatnonzero(mine)) == 1)  # one window
    mean = {}
    for channel in ("shaft_torque", "shaft_speed", "dc_voltage", "dc_current"):
        taken_s = columns["time_mono_s"] - columns[f"{channel}.age_s"]
        repeats = np.concatenate([[False], np.abs(np.diff(taken_s)) < 1e-4])
        good = columns[f"{channel}.quality"] == 0
        assert (mine & repeats).sum() > 0.4 * mine.sum()
        mean[channel] = np.mean(columns[channel][mine & good & ~repeats])
    shaft_w = mean["shaft_torque"] * mean["shaft_speed"] * np.pi / 30.0
    efficiency = shaft_w / (mean["dc_voltage"] * mean["dc_current"])
    assert f"{efficiency:.9g}" == f"{stated['value']:.9g}"


def test_the_folder_evaluated_again_gives_the_same_results_byte_for_byte(sound: Played, tmp_path: Path) -> None:
    first = (sound.folder / "results.json").read_bytes()
    assert benchd("evaluate", str(sound.folder), runtime=tmp_path).returncode == 0
    assert (sound.folder / "results.json").read_bytes() == first
