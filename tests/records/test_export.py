"""`samples.csv`: what any reader of RFC 4180 gets out of it, and that nothing else ever suffers from it."""

import csv
import errno
import math
import os

import numpy as np
import pyarrow.csv as pa_csv
import pytest

from benchd.records import Ending, EventLog, Journal, RecordsError, export_csv, finish, verify
from benchd.records.export import significant

CHANNELS = [("shaft_torque", "N·m"), ("dc_voltage", "V"), ("power_factor", "1")]
HEADER = ["time_mono_s [s]", "state", "test", "point", "shaft_torque [N·m]", "dc_voltage [V]", "power_factor [1]"]
VALUES = [
    (1.0 / 3.0, 24.123456789012, 0.5),
    (-2.0e-7 / 3.0, 1234567.89012345, math.nan),
    (0.0, 9.9999999999, 1.0),
    (1e22 / 3.0, -0.1, 7.0),
    (math.inf, math.nan, 0.25),  # called good, and no number all the same
]
QUALITY = [(0, 0, 0), (0, 0, 2), (0, 1, 0), (0, 0, 3), (0, 0, 0)]


@pytest.fixture
def recorded(make_run):
    def made(*, ended: bool = True):
        folder = make_run()
        journal = Journal(folder, CHANNELS)
        for number, (values, quality) in enumerate(zip(VALUES, QUALITY, strict=True)):
            journal.append(
                time_mono_s=1_234_567.0 + 0.005 * number + 1e-8,
                state=6,
                test=number - 1,
                point=-1,
                values=values,
                ages_s=(0.01, 0.02, 0.03),
                quality=quality,
            )
        if ended:
            journal.close()
            events = EventLog(folder)
            events.close()
            folder.end(Ending.COMPLETE, why="All tests were run.", time_mono_s=102.0)
            finish(folder)
        else:
            journal.flush()
            journal._release()
        return folder

    return made


def rows_of(path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file, strict=True))


def test_names_units_and_values_are_there_one_row_a_tick(recorded):
    folder = recorded()
    exported = export_csv(folder)
    assert (exported.path, exported.rows, exported.missing) == (folder.path / "samples.csv", 5, ())
    header, *rows = rows_of(exported.path)
    assert header == HEADER
    assert [row[:4] for row in rows] == [
        [time_s, "6", str(test), "-1"]
        for time_s, test in (
            ("1234567", -1),
            ("1234567.005", 0),
            ("1234567.01", 1),
            ("1234567.015", 2),
            ("1234567.02", 3),
        )
    ]
    for row, values, quality in zip(rows, VALUES, QUALITY, strict=True):
        for cell, value, judged in zip(row[4:], values, quality, strict=True):
            if judged or not math.isfinite(value):
                assert cell == ""
            else:
                assert float(cell) == float(f"{value:.9g}")


def test_lines_end_as_rfc_4180_wants_and_the_text_is_utf_8_without_a_mark(recorded):
    content = export_csv(recorded()).path.read_bytes()
    assert content.count(b"\r\n") == content.count(b"\n") == len(VALUES) + 1
    assert content.startswith(b'"time_mono_s [s]",')
    assert "shaft_torque [N·m]".encode() in content


def test_another_reader_finds_numbers_and_gaps(recorded):
    table = pa_csv.read_csv(export_csv(recorded()).path)
    assert table.column("power_factor [1]").to_pylist() == [0.5, None, 1.0, None, 0.25]
    assert table.column("dc_voltage [V]").null_count == 2


def test_no_cell_has_more_than_nine_significant_digits():
    rng = np.random.default_rng(7)
    values = rng.normal(size=50_000) * 10.0 ** rng.integers(-14, 20, 50_000)
    spelled = significant(values).tolist()
    exact = sum(got == float(f"{value:.9g}") for got, value in zip(spelled, values.tolist(), strict=True))
    assert exact > 0.999 * np.count_nonzero(np.abs(values) > 1e-13) - 50  # the rest are halves and the very small
    for got, value in zip(spelled, values.tolist(), strict=True):
        digits = repr(got).partition("e")[0].replace(".", "").strip("-0")
        assert len(digits) <= 9, got
        assert abs(got - value) <= 0.5000001e-8 * abs(value) or abs(value) < 1e-13


def test_what_cannot_be_rounded_stays_as_it_is():
    odd = np.array([0.0, -0.0, math.nan, math.inf, -math.inf, 999_999_999.96, 1e300])
    assert repr(significant(odd).tolist()) == repr([0.0, -0.0, math.nan, math.inf, -math.inf, 1e9, 1e300])


def test_a_finished_folder_verifies_before_and_after_exporting_it_twice(recorded):
    folder = recorded()
    assert verify(folder) == []
    first = export_csv(folder).path.read_bytes()
    assert verify(folder) == []
    (folder.path / "samples.csv").write_text("somebody's notes")
    assert export_csv(folder).path.read_bytes() == first
    assert verify(folder) == []


def test_an_export_that_takes_the_place_of_a_summed_file_is_summed_anew(recorded):
    folder = recorded()
    (folder.path / "samples.csv").write_text("of an older release")
    finish(folder)
    export_csv(folder)
    assert verify(folder) == []


def test_a_run_that_was_killed_is_exported_from_its_stream_and_stays_unfinished(recorded):
    folder = recorded(ended=False)
    exported = export_csv(folder)
    assert exported.rows == len(VALUES)
    assert not (folder.path / "SHA256SUMS").exists()


def test_a_damaged_parquet_file_is_passed_over_for_the_stream(recorded):
    folder = recorded()
    parquet = folder.path / "samples.parquet"
    parquet.write_bytes(parquet.read_bytes()[:-50])
    assert export_csv(folder).rows == len(VALUES)


def test_samples_that_cannot_be_read_are_told(record):
    run = record(finished=False)
    stream = run.path / "samples.arrows"
    content = bytearray(stream.read_bytes())
    content[run.stream_ends[4] - 40] ^= 1
    stream.write_bytes(bytes(content))
    exported = export_csv(run.path)
    assert exported.rows < len(run.rows["state"])
    assert any("checksum" in sentence for sentence in exported.missing)


def test_a_run_that_is_being_written_is_not_exported(make_run):
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    try:
        with pytest.raises(RecordsError, match="still being written"):
            export_csv(folder)
    finally:
        journal.close()


def test_a_full_disk_is_one_sentence_and_leaves_the_older_export(recorded, monkeypatch):
    folder = recorded()
    before = export_csv(folder).path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError, match="the disk is full"):
        export_csv(folder)
    monkeypatch.undo()
    assert (folder.path / "samples.csv").read_bytes() == before
    assert not (folder.path / "samples.csv.partial").exists()
    assert verify(folder) == []


def test_a_folder_without_samples_is_one_sentence(make_run):
    with pytest.raises(RecordsError, match="no samples"):
        export_csv(make_run())
