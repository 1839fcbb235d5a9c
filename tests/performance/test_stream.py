"""Eight waveforms at 20 kS/s beside the tick, and what a block costs; printed beside a C loop of the same run."""

import json
import os
import socket
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from benchd.app.demo import device_options, simulated_bench
from benchd_scpi.measuring_unit import measuring_unit
from benchd_scpi.settings import ScpiMeasuringUnitSettings

from . import c_loop
from .test_daemon import LONG, POLL_HZ, SECONDS, TICK_HZ, quantile

pytestmark = pytest.mark.performance

HERE = Path(__file__).parent
STREAM_HZ, CHANNELS = 20_000.0, 8
INPUTS = [{"name": f"wf{channel}_v", "channel": channel} for channel in range(11, 19)]


def test_eight_waveforms_at_20_ks_per_s_are_streamed_without_loss_beside_the_tick(tmp_path: Path) -> None:
    binary = c_loop.build(tmp_path)
    programme = tmp_path / "long.toml"
    programme.write_text(LONG)
    (tmp_path / "data").mkdir()
    with simulated_bench("vent_flap_24v") as listening:
        options = [value for value in device_options(listening, "greenhouse") if value != "--device"]
        command = [sys.executable, str(HERE / "daemon_probe.py"), str(programme), str(tmp_path / "data")]
        command += [str(SECONDS), str(TICK_HZ), str(POLL_HZ), *options]
        with subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env=os.environ | {"BENCHD_PROBE_STREAM": "1"},
        ) as probe:
            assert probe.stdout is not None
            assert probe.stdout.readline().strip() == "started"
            beside = c_loop.command(binary, rate_hz=TICK_HZ, seconds=SECONDS)
            c = json.loads(subprocess.run(beside, capture_output=True, text=True, check=True).stdout)
            found = json.loads(probe.stdout.read())
            assert probe.wait(30) == 0
    late_s, stream = found["lateness_s"], found["stream"]
    missed = found["missed"] / (len(late_s) + found["missed"])
    c_missed = c["missed"] / (c["periods"] + c["missed"])
    median_s, c_median_s, c_p99_s = statistics.median(late_s), c["median_us"] * 1e-6, c["p99_us"] * 1e-6
    print(
        f"\n{SECONDS:g} s at {TICK_HZ:g} Hz, seven devices at {POLL_HZ:g} Hz, {CHANNELS} waveforms at {STREAM_HZ:g} Hz"
        f" ({found['state']})"
        f"\n  samples a second    {stream['samples_per_s']:.0f} of each, missing {stream['missing']},"
        f" dropped by the unit {stream['lost']}"
        f"\n  windows             {len(stream['windows'])}, lossy {sum(map(bool, stream['windows']))}"
        f"\n  lateness median     {median_s * 1e3:.3f} ms, C loop {c_median_s * 1e3:.3f} ms"
        f", ratio {median_s / c_median_s:.2f}"
        f"\n  lateness 99 %       {quantile(late_s, 0.99) * 1e3:.3f} ms, C loop {c_p99_s * 1e3:.3f} ms"
        f"\n  missed              {missed:.3%}, C loop {c_missed:.3%}"
        f"\n  of one core         {found['core_share']:.1%}"
        f"\n  calls a second      { {name: round(rate, 1) for name, rate in found['calls_per_s'].items()} }"
    )
    assert found["state"] == "Execute"
    assert (stream["missing"], stream["lost"], stream["failures"]) == (0, 0, [])
    assert stream["samples_per_s"] == pytest.approx(STREAM_HZ, rel=0.01)
    assert stream["windows"]
    assert not any(stream["windows"])
    assert min(found["calls_per_s"].values()) > 0.95 * POLL_HZ
    assert median_s <= 1.5 * c_median_s
    assert missed <= c_missed + 0.001
    assert found["core_share"] < 0.40


class Canned:
    """An instrument in a thread that always has the same block ready."""

    def __init__(self, samples: int) -> None:
        data = bytes(4 * CHANNELS * samples)
        length = str(len(data))
        self._block = f"{0:012d},{0:06d},#{len(length)}{length}".encode() + data + b"\n"
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        peer, _ = self._listening.accept()
        answers = {b"*IDN?": b"Quillmoor Instruments,QM8,1,1.0\n", b"WAV:STAT?": b"1\n", b"WAV:DATA?": self._block}
        with peer, self._listening, peer.makefile("rb") as lines:
            for line in lines:
                peer.sendall(answers[line.strip()])

    def join(self) -> None:
        self._thread.join()


@pytest.mark.parametrize("samples", [1000, 40_000], ids=["50 ms", "2 s"])
async def test_a_block_is_read_at_the_speed_of_the_wire(samples: int) -> None:
    canned = Canned(samples)
    settings = {
        "host": "127.0.0.1",
        "port": canned.port,
        "identity": "Quillmoor Instruments,QM8",
        "reply_time_s": 0.4,
        "inputs": [{"name": "ai1_v", "channel": 1}],
        "waveforms": {"rate_hz": STREAM_HZ, "inputs": INPUTS},
    }
    taken_s = []
    async with measuring_unit(ScpiMeasuringUnitSettings.model_validate(settings)) as ports:
        for _ in range(100):
            began_s = time.perf_counter()
            block = await ports["waveforms"].read_block()
            taken_s.append(time.perf_counter() - began_s)
            assert block.samples == samples
    canned.join()
    median_s = statistics.median(taken_s)
    size = 4 * CHANNELS * samples
    print(f"\na block of {size / 1e3:.0f} kB: {median_s * 1e3:.2f} ms, {size / median_s / 1e6:.0f} MB/s")
    assert size / median_s > 20e6
