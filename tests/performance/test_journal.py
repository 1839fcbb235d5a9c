"""What recording costs: 50 channels at 200 Hz. Run by hand; the bounds are the design's, the prints the measurement."""

import gc
import statistics
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.outside.log import configure
from benchd.records import EventLog, Journal, RunFolder
from benchd.rules.channels import Quality

pytestmark = pytest.mark.performance

CHANNELS = [(f"channel_{number}", "V") for number in range(50)]


def told(what: str, times_s: list[float]) -> float:
    """Print median, 90 % and greatest in microseconds; returns the median in s."""
    ordered = sorted(times_s)
    middle = statistics.median(ordered)
    ninety = ordered[int(0.9 * len(ordered))]
    print(f"\n{what}: median {middle * 1e6:.1f} us, 90 % {ninety * 1e6:.1f}, most {ordered[-1] * 1e6:.1f}")
    return middle


@pytest.fixture
def folder(tmp_path: Path) -> RunFolder:
    return RunFolder.create(
        tmp_path,
        order="o",
        serial="s",
        programme="p",
        started=datetime(2026, 11, 25, tzinfo=UTC),
        description={
            "operator": "",
            "software": {},
            "configuration": {},
            "channels": [],
            "tests": [],
            "clock": {"mono_s": 0.0, "utc_ns": 0},
        },
    )


def test_a_row_of_50_channels_costs_the_tick_less_than_50_us_and_a_second_of_them_the_disk_little(
    folder: RunFolder,
) -> None:
    journal = Journal(folder, CHANNELS)
    values, ages_s, quality = [1.25] * 50, [0.01] * 50, [Quality.GOOD] * 50
    appends: list[float] = []
    flushes: list[float] = []
    gc.collect()
    gc.freeze()
    for second in range(30):
        for number in range(200):
            before = time.perf_counter()
            journal.append(
                time_mono_s=second + number / 200,
                state=6,
                test=0,
                point=-1,
                values=values,
                ages_s=ages_s,
                quality=quality,
            )
            appends.append(time.perf_counter() - before)
        before = time.perf_counter()
        journal.flush()
        flushes.append(time.perf_counter() - before)
    journal.close()
    gc.unfreeze()
    assert told("append of 50 channels", appends) < 50e-6
    assert told("flush of 200 rows, two fdatasync", flushes) < 50e-3


def test_an_event_costs_the_event_loop_less_than_20_us(folder: RunFolder) -> None:
    events = EventLog(folder)
    times: list[float] = []
    for number in range(5000):
        before = time.perf_counter()
        events.append("trip", time_mono_s=float(number), channel="shaft_torque", value_nm=1.0, limit_nm=0.9)
        times.append(time.perf_counter() - before)
    before = time.perf_counter()
    events.flush()
    flush_s = time.perf_counter() - before
    events.close()
    told("flush of 5000 events", [flush_s])
    assert told("append of an event", times) < 20e-6


def test_a_log_line_costs_the_event_loop_less_than_200_us(tmp_path: Path) -> None:
    times: list[float] = []
    with (tmp_path / "log").open("w") as file:
        log = configure(file)
        for number in range(4000):
            before = time.perf_counter()
            log.logger.info("link_lost", device="supply", number=number)
            times.append(time.perf_counter() - before)
        log.close()
    assert told("log line", times) < 200e-6
