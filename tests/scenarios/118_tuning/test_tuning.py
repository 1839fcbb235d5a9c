"""The outer loops of a motor tuned over the wires, stored, and taken up by the next check of a job."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.app.demo import device_options
from benchd.rules.moves import Role
from benchd.settings.tuning_file import load_tuning
from tests.scenarios.on_the_wire import a_bench, at_rest, quick_bench, tied

pytestmark = pytest.mark.wires


def benchd(*arguments: str, runtime: Path) -> subprocess.CompletedProcess[str]:
    """One command of benchd to its end."""
    return subprocess.run(
        tied([sys.executable, "-m", "benchd.app.command_line", *arguments]),
        env={**os.environ, "RUNTIME_DIRECTORY": str(runtime), "COLUMNS": "120"},
        capture_output=True,
        text=True,
        check=False,
        timeout=240.0,
    )


def a_bench_file(folder: Path) -> Path:
    """The quick bench, polled as often as loops want it, its data in this folder."""
    bench = quick_bench(folder)
    text = bench.read_text(encoding="utf-8")
    for old, new in (("poll_hz = 10", "poll_hz = 20"), ('"data"', f'"{folder}/data"')):
        assert old in text
        text = text.replace(old, new)
    bench.write_text(text, encoding="utf-8")
    return bench


def test_a_tuning_finds_its_loops_stores_them_and_leaves_the_bench_at_rest(tmp_path: Path) -> None:
    with a_bench() as (listening, control):
        bench = a_bench_file(tmp_path)
        files = (str(bench), "vent_flap_24v", "vent_flap")
        ended = benchd(
            *("tune", *files, "--operator", "Odile Brandvold", *device_options(listening, bench)),
            runtime=tmp_path,
        )
        assert ended.returncode == 0, ended.stdout + ended.stderr
        assert at_rest(control.truth())
    file = Path(ended.stdout.splitlines()[-1])
    tuning = load_tuning(file)
    assert tuning.settings.made_by == "Odile Brandvold"
    loops = {(loop.role, loop.channel): loop for loop in tuning.loops}
    assert set(loops) == {
        (Role.LOAD_DRIVE, "shaft_torque"),
        (Role.LOAD_DRIVE, "shaft_speed"),
        (Role.SUPPLY, "shaft_torque"),
        (Role.SUPPLY, "dc_voltage"),
    }
    for (role, channel), loop in loops.items():
        assert 0.02 < loop.plant.lag_s + loop.plant.late_s < 0.2, (role, channel)  # polled at 20 Hz, seen at 50
        if role is Role.LOAD_DRIVE:
            assert loop.plant.gain == pytest.approx(1.0, abs=0.02)
    assert "expected after a step of 1" in ended.stdout
    short = tmp_path / "short.toml"
    short.write_text(
        'schema = 1\nname = "short"\n\n[[test]]\nkind = "no_load"\nsupply_voltages_v = [3.0, 4.0]\n', encoding="utf-8"
    )
    checked = benchd("check", str(bench), str(short), *files[1:], runtime=tmp_path)
    assert checked.returncode == 0, checked.stderr
    told = " ".join(checked.stdout.split())
    assert "Outer loops by" in told
    assert "shaft_torque by the load drive" in told
    bench.write_text(bench.read_text(encoding="utf-8") + "# mended\n", encoding="utf-8")
    changed = benchd("check", str(bench), str(short), *files[1:], runtime=tmp_path)
    assert "is not used: the bench file" in " ".join(changed.stdout.split())


def test_an_interrupted_tuning_stores_nothing_and_lets_the_shaft_come_to_rest(tmp_path: Path) -> None:
    with a_bench() as (listening, control):
        bench = a_bench_file(tmp_path)
        command = [sys.executable, "-m", "benchd.app.command_line", "tune", str(bench), "vent_flap_24v", "vent_flap"]
        process = subprocess.Popen(
            tied([*command, *device_options(listening, bench)]),
            env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            control.until(lambda truth: abs(truth["motor_speed_rpm"]) > 300.0, within_s=60.0)
            process.send_signal(signal.SIGINT)
            _, told = process.communicate(timeout=60.0)
        finally:
            process.kill()
            process.wait()
        assert process.returncode == 1, told
        assert "it was interrupted, and the bench was let go in order." in told
        control.until(at_rest)
    assert not list((tmp_path / "data").rglob("*.toml"))
