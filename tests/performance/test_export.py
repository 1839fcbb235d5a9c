"""How long an hour of 50 channels at 200 Hz takes to become text."""

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchd.records import RunFolder, export_csv
from benchd.records.finish import write_parquet
from benchd.records.formats import STREAM, sample_schema
from benchd.records.stream import scan

pytestmark = pytest.mark.performance

ROWS, CHANNELS, AT_ONCE = 720_000, 50, 60_000


def test_an_hour_of_50_channels_at_200_hz_is_text_in_less_than_a_minute(tmp_path: Path) -> None:
    channels = [(f"channel_{number}", "V") for number in range(CHANNELS)]
    folder = RunFolder.create(
        tmp_path,
        order="1",
        serial="1",
        programme="hour",
        started=datetime(2026, 11, 25, tzinfo=UTC),
        description={
            "operator": "",
            "software": {},
            "configuration": {},
            "channels": [{"name": name, "unit": unit} for name, unit in channels],
            "tests": [],
            "clock": {"mono_s": 0.0, "utc_ns": 0},
        },
    )
    schema = sample_schema(channels)
    rng = np.random.default_rng(1)
    with pa.OSFile(str(folder.path / STREAM), "wb") as file, pa.ipc.new_stream(file, schema) as writer:
        for first in range(0, ROWS, AT_ONCE):
            fixed = [
                pa.array(1e5 + 0.005 * np.arange(first, first + AT_ONCE)),
                pa.array(np.full(AT_ONCE, 6, np.int8)),
                *[pa.array(np.zeros(AT_ONCE, np.int16))] * 2,
            ]
            age, good = pa.array(np.zeros(AT_ONCE, np.float32)), pa.array(np.zeros(AT_ONCE, np.uint8))
            for _ in channels:
                fixed += [pa.array(rng.normal(24.0, 0.1, AT_ONCE)), age, good]
            writer.write_batch(pa.record_batch(fixed, schema=schema))
    write_parquet(scan(folder.path))
    (folder.path / STREAM).unlink()
    began_s = time.perf_counter()
    exported = export_csv(folder)
    took_s = time.perf_counter() - began_s
    size = exported.path.stat().st_size
    print(
        f"\n{ROWS} rows of {CHANNELS} channels: {took_s:.1f} s, {size / 1e6:.0f} MB, {ROWS / took_s:.0f} rows a second"
    )
    assert exported.rows == ROWS
    assert took_s < 60.0
