"""A small recorded run whose rows are random bit patterns, so that "the same" means the same bits."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.records import Ending, EventLog, Journal, RunFolder, SampleColumns, finish

CHANNELS = [("shaft_torque", "N·m"), ("dc_voltage", "V"), ("winding", "°C")]


def description() -> dict[str, Any]:
    return {
        "operator": "Ada Morrow",
        "software": {"benchd": "0.1.0"},
        "configuration": {"bench": {"name": "bench3", "limits": [1.5, float("inf")]}},
        "channels": [{"name": name, "unit": unit} for name, unit in CHANNELS],
        "tests": [{"index": 0, "kind": "no_load", "settings": {"speed_rpm": 1500.0}}],
        "clock": {"mono_s": 100.0, "utc_ns": 1_790_000_000_000_000_000},
    }


def random_rows(rows: int, *, seed: int) -> dict[str, np.ndarray]:
    """Every bit pattern of a double may come, also those of NaN, infinity and minus zero."""
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, 2**64, size=(rows, len(CHANNELS)), dtype=np.uint64)
    return {
        "time_mono_s": 100.0 + 0.005 * np.arange(rows),
        "state": rng.integers(0, 18, rows).astype(np.int8),
        "test": rng.integers(-1, 300, rows).astype(np.int16),
        "point": rng.integers(-1, 300, rows).astype(np.int16),
        "values": bits.view(np.float64),
        "ages_s": rng.random((rows, len(CHANNELS))).astype(np.float32),
        "quality": rng.integers(0, 5, (rows, len(CHANNELS))).astype(np.uint8),
    }


def append_row(journal: Journal, rows: dict[str, np.ndarray], number: int) -> None:
    journal.append(
        time_mono_s=float(rows["time_mono_s"][number]),
        state=int(rows["state"][number]),
        test=int(rows["test"][number]),
        point=int(rows["point"][number]),
        values=rows["values"][number],
        ages_s=rows["ages_s"][number],
        quality=rows["quality"][number],
    )


def same_bits(found: SampleColumns, rows: dict[str, np.ndarray], which: np.ndarray | range) -> bool:
    """Whether `found` holds exactly the rows `which`, to the bit."""
    numbers = np.asarray(which, dtype=int)
    fixed = all(
        getattr(found, name).tobytes() == rows[name][numbers].tobytes()
        for name in ("time_mono_s", "state", "test", "point")
    )
    return fixed and all(
        found.values[name].tobytes() == rows["values"][numbers, c].tobytes()
        and found.ages_s[name].tobytes() == rows["ages_s"][numbers, c].tobytes()
        and found.quality[name].tobytes() == rows["quality"][numbers, c].tobytes()
        for c, (name, _) in enumerate(CHANNELS)
    )


@dataclass
class Recorded:
    """A run, what went into it, and where in the stream each flush ended (from the file, not the sidecar)."""

    folder: RunFolder
    rows: dict[str, np.ndarray]
    stream_ends: list[int] = field(default_factory=list)
    row_ends: list[int] = field(default_factory=list)

    @property
    def path(self) -> Path:
        return self.folder.path


MakeRun = Callable[..., RunFolder]
Record = Callable[..., Recorded]


@pytest.fixture
def make_run(tmp_path: Path) -> MakeRun:
    def make(data: Path = tmp_path / "data", **changes: Any) -> RunFolder:
        settings: dict[str, Any] = {
            "order": "A-1042",
            "serial": "0007",
            "programme": "vent_flap",
            "started": datetime(2026, 11, 25, 10, 34, 0, 250_000, tzinfo=UTC),
            "description": description(),
            "minimum_free_bytes": 0,
        }
        return RunFolder.create(data, **{**settings, **changes})

    return make


@pytest.fixture
def record(make_run: MakeRun) -> Iterator[Record]:
    """Record a run of several flushes of different sizes; leaves it as a kill would when `ended` is False."""
    open_journals: list[Journal] = []

    def made(*, flushes: int = 12, seed: int = 1, ended: bool = True, finished: bool = True) -> Recorded:
        folder = make_run()
        sizes = np.random.default_rng(seed).integers(1, 40, flushes)
        run = Recorded(folder, random_rows(int(sizes.sum()), seed=seed))
        journal = Journal(folder, CHANNELS)
        open_journals.append(journal)
        events = EventLog(folder)
        events.append("state", time_mono_s=100.0, state="Execute")
        run.stream_ends.append((run.path / "samples.arrows").stat().st_size)
        run.row_ends.append(0)
        number = 0
        for size in sizes:
            for _ in range(size):
                append_row(journal, run.rows, number)
                number += 1
            journal.flush()
            run.stream_ends.append((run.path / "samples.arrows").stat().st_size)
            run.row_ends.append(number)
        events.append("trip", time_mono_s=101.0, channel="shaft_torque", value_nm=float("nan"))
        events.close()
        if ended:
            journal.close()
            folder.end(Ending.COMPLETE, why="All tests were run.", time_mono_s=102.0)
            if finished:
                assert finish(folder) == ()
        else:
            journal._release()  # as the kernel does after a kill: the files close, nothing more is written
        return run

    yield made
    for journal in open_journals:
        journal._release()
