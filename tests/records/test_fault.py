"""The fault record on the disk: every reading comes back, and whatever is killed leaves an older whole one or none."""

import json
import math
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchd.records import (
    Ending,
    EventLog,
    FaultReadings,
    Journal,
    RecordsError,
    finish,
    read_fault,
    recover,
    verify,
    write_fault,
)
from benchd.records.errors import SchemaTooNewError

from .conftest import CHANNELS, MakeRun

SCHEMA_1 = Path(__file__).with_name("fixtures") / "schema_1"
SET_POINTS = [("supply.voltage", "V"), ("load_drive.torque", "N·m")]
TRIP_S = 105.0
CAUSE = {"cause": "shaft_torque above 2 N·m.", "channel": "shaft_torque", "bound": "high", "limit": 2.0}
WRITER = """
import sys
from tests.records.test_fault import readings, written
given = [readings(seed) for seed in range(7)]
number = 0
while True:
    written(sys.argv[1], given[number % 7])
    number += 1
    sys.stdout.write("x")
    sys.stdout.flush()
"""


def readings(seed: int) -> FaultReadings:
    """Three channels at 100, 20 and 3 readings a second, any bit pattern, and two set-points; 9 s of them."""
    rng = np.random.default_rng(seed)
    parts = []
    for series, rate_hz in enumerate((100.0, 20.0, 3.0, 50.0, 0.2)):
        at = np.arange(TRIP_S - 3.0, TRIP_S + 6.0, 1.0 / rate_hz) + rng.random() * 0.003
        bits = rng.integers(0, 2**64, at.size, dtype=np.uint64)
        parts.append((at, np.full(at.size, series), bits.view(np.float64), rng.integers(0, 5, at.size)))
    at, series, value, quality = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.argsort(at, kind="stable")
    return FaultReadings(
        time_mono_s=at[order],
        series=series[order].astype(np.uint16),
        value=value[order],
        quality=quality[order].astype(np.uint8),
    )


def written(folder, found: FaultReadings, **changed) -> Path:
    told = [("tripped", TRIP_S + 0.001, {"cause": "é", "at": math.inf}), ("tripped", TRIP_S + 0.001, {"again": True})]
    settings = {
        "cause": CAUSE,
        "trip_mono_s": TRIP_S,
        "from_mono_s": TRIP_S - 2.0,
        "until_mono_s": TRIP_S + 5.0,
        "whole": True,
        "channels": CHANNELS,
        "set_points": SET_POINTS,
        "readings": found,
        "events": [("early", TRIP_S - 2.5, {}), *told, ("late", TRIP_S + 5.5, {})],
        "states": [(90.0, 3), (TRIP_S - 1.0, 6), (TRIP_S, 8), (TRIP_S + 2.0, 9)],
    }
    return write_fault(folder, **{**settings, **changed})


@pytest.mark.parametrize("seed", range(3))
def test_every_reading_comes_back_to_the_bit_with_its_own_time_and_quality(tmp_path: Path, seed: int) -> None:
    given = readings(seed)
    written(tmp_path, given)
    found = read_fault(tmp_path)
    assert found is not None
    assert {name: series.unit for name, series in found.channels.items()} == dict(CHANNELS)
    inside = (given.time_mono_s >= TRIP_S - 2.0) & (given.time_mono_s <= TRIP_S + 5.0)
    for number, (name, _) in enumerate(CHANNELS):
        mine = inside & (given.series == number)
        series = found.channels[name]
        assert series.time_mono_s.tobytes() == given.time_mono_s[mine].tobytes()
        assert series.value.tobytes() == given.value[mine].tobytes()
        assert series.quality.tobytes() == given.quality[mine].tobytes()


def test_what_was_in_force_at_its_start_is_told_there(tmp_path: Path) -> None:
    given = readings(1)
    written(tmp_path, given)
    found = read_fault(tmp_path)
    assert found is not None
    slow = found.set_points["load_drive.torque"]  # changed once in 5 s
    before = given.value[(given.series == 4) & (given.time_mono_s < TRIP_S - 2.0)][-1:]
    assert slow.time_mono_s[0] == TRIP_S - 2.0
    assert slow.value[:1].tobytes() == before.tobytes()
    assert slow.unit == "N·m"
    assert [number for _, number in found.states] == [3, 6, 8, 9]
    for at, expected in zip((at for at, _ in found.states), (-2.0, -1.0, 0.0, 2.0), strict=True):
        assert at - TRIP_S == pytest.approx(expected, abs=0.02)


def test_events_of_one_moment_stand_in_their_order_and_those_outside_are_left_out(tmp_path: Path) -> None:
    written(tmp_path, readings(1))
    found = read_fault(tmp_path)
    assert found is not None
    assert found.events == [
        {"event": "tripped", "cause": "é", "at": "Infinity", "time_mono_s": TRIP_S + 0.001},
        {"event": "tripped", "again": True, "time_mono_s": TRIP_S + 0.001},
    ]
    assert found.cause == CAUSE
    assert (found.trip_mono_s, found.from_mono_s, found.until_mono_s, found.whole) == (105.0, 103.0, 110.0, True)


def test_a_foreign_reader_finds_units_and_a_schema_version(tmp_path: Path) -> None:
    table = pq.read_table(written(tmp_path, readings(1)))
    assert table.schema.metadata[b"schema"] == b"1"
    assert json.loads(table.schema.metadata[b"cause"])["channel"] == "shaft_torque"
    assert table.schema.field("shaft_torque").metadata[b"unit"] == "N·m".encode()
    assert table.schema.field("set_point.supply.voltage").metadata[b"unit"] == b"V"
    assert (np.diff(table.column("time_mono_s").to_numpy()) >= 0.0).all()
    assert table.column("winding").drop_null().length() == pytest.approx(21, abs=1)


def test_readings_of_one_channel_at_one_moment_are_all_there_in_their_order(tmp_path: Path) -> None:
    at = np.array([TRIP_S, TRIP_S, TRIP_S + 0.1, TRIP_S, TRIP_S + 0.1])
    given = FaultReadings(
        time_mono_s=at,
        series=np.array([0, 1, 0, 0, 1], np.uint16),
        value=np.array([1.0, 2.0, 3.0, 4.0, 5.0]),
        quality=np.zeros(5, np.uint8),
    )
    written(tmp_path, given)
    found = read_fault(tmp_path)
    assert found is not None
    assert found.channels["shaft_torque"].value.tolist() == [1.0, 4.0, 3.0]
    assert found.channels["shaft_torque"].time_mono_s.tolist() == [TRIP_S, TRIP_S, TRIP_S + 0.1]
    assert found.channels["dc_voltage"].value.tolist() == [2.0, 5.0]


def test_where_nothing_at_all_was_read_there_is_a_record_all_the_same(tmp_path: Path) -> None:
    none = np.zeros(0)
    nothing = FaultReadings(time_mono_s=none, series=none.astype(np.uint16), value=none, quality=none.astype(np.uint8))
    written(tmp_path, nothing, events=(), states=())
    found = read_fault(tmp_path)
    assert found is not None
    assert (found.damage, found.events, found.states) == ("", [], [])
    assert [series.value.size for series in found.channels.values()] == [0, 0, 0]


def test_a_record_cut_off_at_any_byte_is_told_as_damaged_and_never_raises(tmp_path: Path) -> None:
    path = written(tmp_path, readings(1))
    whole = path.read_bytes()
    for end in [*range(300), *range(300, len(whole), 997), len(whole) - 1]:
        path.write_bytes(whole[:end])
        found = read_fault(tmp_path)
        assert found is not None
        assert found.damage == "fault.parquet is damaged and cannot be read."


def test_a_flipped_byte_is_never_taken_for_a_reading(tmp_path: Path) -> None:
    path = written(tmp_path, readings(1))
    sound, whole = read_fault(tmp_path), path.read_bytes()
    assert sound is not None
    footer = int.from_bytes(whole[-8:-4], "little") + 8
    told = 0
    for at in np.random.default_rng(3).integers(4, len(whole) - footer, 200):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
        found = read_fault(tmp_path)
        assert found is not None
        told += bool(found.damage)
        if not found.damage:  # a page's own header may differ without any harm
            for name, series in found.channels.items():
                assert series.value.tobytes() == sound.channels[name].value.tobytes()
    assert told > 150


@pytest.mark.wires
def test_a_writer_killed_at_any_moment_leaves_a_whole_record(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    expected = [_read_back(readings(seed), tmp_path / "expected") for seed in range(7)]
    for _ in range(8):
        folder = tmp_path / "killed"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        with subprocess.Popen([sys.executable, "-c", WRITER, str(folder)], stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None
            assert writer.stdout.read(1) == b"x"
            time.sleep(float(rng.random()) * 0.08)
            os.kill(writer.pid, 9)
        found = read_fault(folder)
        assert found is not None
        assert found.damage == ""
        assert found.channels["shaft_torque"].value.tobytes() in expected


def _read_back(given: FaultReadings, folder: Path) -> bytes:
    folder.mkdir(exist_ok=True)
    written(folder, given)
    found = read_fault(folder)
    assert found is not None
    return found.channels["shaft_torque"].value.tobytes()


def interrupted(make_run: MakeRun, *, ended: bool):
    """As a kill in the seconds after a trip leaves it; `ended`: the run itself was over."""
    run = make_run()
    journal, events = Journal(run, CHANNELS), EventLog(run)
    journal.append(time_mono_s=104.0, state=6, test=0, point=-1, values=[1.0] * 3, ages_s=[0.0] * 3, quality=[0] * 3)
    written(run, readings(1), until_mono_s=TRIP_S + 1.0, whole=False)
    if ended:
        journal.close()
        run.end(Ending.ABORTED, why="It tripped.", time_mono_s=105.2)
    else:
        journal.flush()
        journal._release()
    events.append("tripped", time_mono_s=105.0)
    events.close()
    (run.path / "fault.parquet.partial").write_bytes(b"half of the next one")
    return run


@pytest.mark.parametrize("ended", [True, False])
def test_a_folder_left_by_a_kill_keeps_the_record_and_is_sealed_by_recovery(make_run: MakeRun, *, ended: bool) -> None:
    run = interrupted(make_run, ended=ended)
    before = (run.path / "fault.parquet").read_bytes()
    recovery = recover(run)
    assert recovery.ending is (Ending.ABORTED if ended else Ending.INTERRUPTED)
    assert (run.path / "fault.parquet").read_bytes() == before
    assert "  fault.parquet\n" in (run.path / "SHA256SUMS").read_text()
    assert verify(run) == []
    found = read_fault(run)
    assert found is not None
    assert (found.whole, found.until_mono_s) == (False, TRIP_S + 1.0)


def test_a_record_that_was_changed_after_the_run_is_told_once(make_run: MakeRun) -> None:
    run = interrupted(make_run, ended=True)
    finish(run)
    path = run.path / "fault.parquet"
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    assert verify(run) == [
        "fault.parquet differs from its sum in SHA256SUMS: it was changed or is damaged; take it from a copy."
    ]
    found = read_fault(run)
    assert found is not None
    assert found.damage == "fault.parquet differs from its sum: it is damaged or was changed."


def test_a_damaged_record_that_was_never_sealed_is_told_by_recovery_and_verification(make_run: MakeRun) -> None:
    run = interrupted(make_run, ended=True)
    (run.path / "fault.parquet").write_bytes(b"PAR1 and nothing else")
    assert recover(run).sentences == ("fault.parquet is damaged and cannot be read.",)
    assert verify(run) == ["fault.parquet is damaged and cannot be read."]


def test_a_record_of_a_newer_release_is_refused_in_one_sentence(tmp_path: Path) -> None:
    path = written(tmp_path, readings(1))
    table = pq.read_table(path)
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, b"schema": b"2"}), path)
    with pytest.raises(SchemaTooNewError, match="use a newer release of benchd"):
        read_fault(tmp_path)


def test_a_table_of_somebody_else_is_no_fault_record(tmp_path: Path) -> None:
    pq.write_table(pa.table({"a": [1, 2]}), tmp_path / "fault.parquet")
    found = read_fault(tmp_path)
    assert found is not None
    assert found.damage


def test_a_folder_that_cannot_be_written_keeps_what_it_had(tmp_path: Path) -> None:
    path = written(tmp_path, readings(1))
    before = path.read_bytes()
    (tmp_path / "fault.parquet.partial").mkdir()  # stands in the way
    with pytest.raises(RecordsError, match=r"fault\.parquet could not be written: "):
        written(tmp_path, readings(2))
    assert path.read_bytes() == before


def test_an_older_folder_without_one_is_read_as_before() -> None:
    assert read_fault(SCHEMA_1) is None
    assert verify(SCHEMA_1) == []
