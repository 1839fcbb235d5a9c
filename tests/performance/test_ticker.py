"""The tick beside a C loop in the same run: medians, tails, misses, and their ratios.

BENCHD_MEASURE_S sets the length (20 s without it); pytest -m performance -s shows the numbers.
"""

import asyncio
import contextlib
import json
import os
import shutil
import statistics
import sys
from pathlib import Path

import pytest

from benchd.live.quiet import quiet_process
from benchd.live.ticker import Tick, TimerfdTicker

from . import c_loop

RATE_HZ = 200.0
SECONDS = float(os.environ.get("BENCHD_MEASURE_S", "20"))
FRAME_US = 500.0  # allowed beyond three C medians: an interpreter step and a busy neighbour, a tenth of the period

pytestmark = [
    pytest.mark.performance,
    pytest.mark.skipif(shutil.which("cc") is None, reason="the yardstick needs a C compiler"),
]


async def ticks_beside_c(program: Path) -> tuple[list[Tick], dict[str, float], float]:
    """The ticks, what the C loop says of the same seconds, and the share of a core that the ticks took."""
    command = c_loop.command(program, rate_hz=RATE_HZ, seconds=SECONDS)
    yardstick = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
    ticks: list[Tick] = []
    loop = asyncio.get_running_loop()
    began, cpu_began = loop.time(), os.times()
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(SECONDS):
            await TimerfdTicker(RATE_HZ).run(ticks.append)
    cpu = os.times()
    core = (cpu.user + cpu.system - cpu_began.user - cpu_began.system) / (loop.time() - began)
    out, _ = await yardstick.communicate()
    assert yardstick.returncode == 0
    return ticks, json.loads(out), core


@pytest.mark.parametrize("quiet", [False, True], ids=["as started", "quiet process"])
async def test_the_tick_is_as_punctual_as_a_c_loop_beside_it(tmp_path: Path, capsys, quiet: bool):
    program = c_loop.build(tmp_path)
    if quiet:
        with quiet_process() as got:
            ticks, c, core = await ticks_beside_c(program)
        held = "held" if got.latency_held else "not permitted"
    else:
        ticks, c, core = await ticks_beside_c(program)
        held = "untouched"
    late_us = sorted(tick.lateness_s * 1e6 for tick in ticks)
    median_us, missed = statistics.median(late_us), sum(tick.missed for tick in ticks)
    rows = (
        ("tick", median_us, at(late_us, 0.9), at(late_us, 0.99), late_us[-1], missed),
        ("C loop", c["median_us"], c["p90_us"], c["p99_us"], c["largest_us"], c["missed"]),
    )
    told = [
        f"\n{RATE_HZ:g} Hz for {SECONDS:g} s, processor latency {held}, the tick alone takes {core:.1%} of a core",
        f"{'us late':8}{'median':>9}{'90 %':>9}{'99 %':>9}{'largest':>9}   missed of {RATE_HZ * SECONDS:g}",
        *(f"{name:8}{m:9.1f}{p90:9.1f}{p99:9.1f}{top:9.1f}   {lost}" for name, m, p90, p99, top, lost in rows),
        f"{'ratio':8}{median_us / c['median_us']:9.2f}{at(late_us, 0.9) / c['p90_us']:9.2f}\n",
    ]
    with capsys.disabled():
        sys.stdout.write("\n".join(told))
    assert median_us <= 3.0 * c["median_us"] + FRAME_US
    assert missed <= 10 * c["missed"] + 0.02 * RATE_HZ * SECONDS


def at(ordered: list[float], quantile: float) -> float:
    return ordered[int(quantile * (len(ordered) - 1))]
