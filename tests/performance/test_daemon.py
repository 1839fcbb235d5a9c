"""The daemon's own numbers beside a C loop of the same run; shared machines are noisy, so medians and ratios."""

import contextlib
import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchd.app.demo import device_options, simulated_bench

from ..scenarios.on_the_wire import Sentry
from . import c_loop

pytestmark = pytest.mark.performance

HERE = Path(__file__).parent
SECONDS = float(os.environ.get("BENCHD_MEASURE_S", "60"))
TICK_HZ, POLL_HZ = 200.0, 50.0
LONG = """
schema = 1
name = "long"

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.05, 0.10, 0.15]
torque_slope_nm_per_s = 0.1
settle_time_s = 20.0
average_time_s = 20.0
"""


def quantile(values: list[float], q: float) -> float:
    return sorted(values)[min(len(values) - 1, int(q * len(values)))]


def test_the_tick_is_as_punctual_as_a_c_loop_with_seven_devices_polled_and_a_run_recorded(tmp_path: Path) -> None:
    binary = c_loop.build(tmp_path)
    programme = tmp_path / "long.toml"
    programme.write_text(LONG)
    with simulated_bench("vent_flap_24v") as listening:
        options = [value for value in device_options(listening, "greenhouse") if value != "--device"]
        with subprocess.Popen(
            [
                sys.executable,
                str(HERE / "daemon_probe.py"),
                str(programme),
                str(tmp_path / "data"),
                str(SECONDS),
                str(TICK_HZ),
                str(POLL_HZ),
                *options,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        ) as probe:
            assert probe.stdout is not None
            assert probe.stdout.readline().strip() == "started"
            beside = c_loop.command(binary, rate_hz=TICK_HZ, seconds=SECONDS)
            c = json.loads(subprocess.run(beside, capture_output=True, text=True, check=True).stdout)
            found = json.loads(probe.stdout.read())
            assert probe.wait(30) == 0
    late_s = found["lateness_s"]
    c_missed = c["missed"] / (c["periods"] + c["missed"])
    missed = found["missed"] / (len(late_s) + found["missed"])
    median_s, c_median_s, c_p99_s = statistics.median(late_s), c["median_us"] * 1e-6, c["p99_us"] * 1e-6
    print(
        f"\n{SECONDS:g} s at {TICK_HZ:g} Hz, seven devices at {POLL_HZ:g} Hz ({found['state']})"
        f"\n  lateness median     {median_s * 1e3:.3f} ms, C loop {c_median_s * 1e3:.3f} ms"
        f", ratio {median_s / c_median_s:.2f}"
        f"\n  lateness 99 %       {quantile(late_s, 0.99) * 1e3:.3f} ms, C loop {c_p99_s * 1e3:.3f} ms"
        f"\n  missed              {missed:.3%}, C loop {c_missed:.3%}"
        f"\n  of one core         {found['core_share']:.1%}"
        f"\n  calls a second      { {name: round(rate, 1) for name, rate in found['calls_per_s'].items()} }"
    )
    assert found["state"] == "Execute"
    assert min(found["calls_per_s"].values()) > 0.95 * POLL_HZ
    assert median_s <= 1.5 * c_median_s
    assert median_s < 0.2e-3
    assert missed <= c_missed + 0.001
    assert found["core_share"] < 0.30


def test_the_daemon_is_in_stopped_in_time(tmp_path: Path) -> None:
    taken_s = []
    with contextlib.ExitStack() as stack:
        listening = stack.enter_context(simulated_bench("vent_flap_24v"))
        runtime = {"RUNTIME_DIRECTORY": str(tmp_path)}
        sentry = Sentry("greenhouse", device_options(listening, "greenhouse"), runtime=tmp_path)
        stack.callback(sentry.close)
        for number in range(7):
            began_s = time.monotonic()
            daemon = subprocess.Popen(
                [
                    *(sys.executable, "-m", "benchd.app.command_line", "serve", "greenhouse"),
                    *("--data", str(tmp_path)),
                    *device_options(listening, "greenhouse"),
                ],
                env={**os.environ, **runtime},
                stderr=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                text=True,
            )
            assert daemon.stderr is not None
            for line in daemon.stderr:
                event = json.loads(line)
                if event["event"] == "ready":
                    assert event["absent"] == {}
                    break
            if number:  # the first start reads everything from the disk
                taken_s.append(time.monotonic() - began_s)
            daemon.terminate()
            daemon.communicate()
    print(f"\nstart to Stopped: median {statistics.median(taken_s):.2f} s, worst {max(taken_s):.2f} s")
    assert statistics.median(taken_s) < 1.5
