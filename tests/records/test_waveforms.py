"""Captured windows in the run folder: bit for bit what was taken, summed, and damage told instead of raised."""

import errno
import hashlib
import os

import numpy as np
import pyarrow.parquet as pq
import pytest

from benchd.records import (
    Ending,
    EventLog,
    Journal,
    RecordsError,
    finish,
    read_waveforms,
    recover,
    verify,
    write_waveforms,
)
from benchd.records.errors import SchemaTooNewError

SIGNALS = [("wf11_v", "V"), ("wf14_v", "V"), ("wf17_v", "V")]
CHANNELS = [("shaft_torque", "N·m")]


def random_samples(count: int, *, seed: int = 3) -> np.ndarray:
    """Every bit pattern of a float32 may come, those of NaN and minus zero too."""
    bits = np.random.default_rng(seed).integers(0, 2**32, size=(count, len(SIGNALS)), dtype=np.uint32)
    return bits.view("<f4")


def kept(folder, samples, **changes):
    facts = {
        "test": 2,
        "point": 4,
        "signals": SIGNALS,
        "data": samples.tobytes(),
        "rate_hz": 20000.0,
        "first_mono_s": 1234.000_050_7,
        "first_index": 81_920,
        "lost": 17,
    }
    return write_waveforms(folder, **(facts | changes))


def ended(folder) -> None:
    Journal(folder, CHANNELS).close()
    EventLog(folder).close()
    folder.end(Ending.COMPLETE, why="All tests were run.", time_mono_s=102.0)
    finish(folder)


def test_a_window_is_read_back_bit_for_bit_with_all_that_belongs_to_it(make_run):
    folder = make_run()
    samples = random_samples(5000)
    path = kept(folder, samples, lossy="120 samples are missing.")
    assert path == folder.path / "waveforms" / "test=2_point=4.parquet"
    (window,) = read_waveforms(folder)
    assert (window.test, window.point, window.samples, window.rate_hz) == (2, 4, 5000, 20000.0)
    assert (window.first_mono_s, window.first_index, window.lost) == (1234.000_050_7, 81_920, 17)
    assert window.lossy == "120 samples are missing."
    assert dict(window.units) == dict(SIGNALS)
    for number, (name, _) in enumerate(SIGNALS):
        assert window.values[name].dtype == np.float32
        assert window.values[name].tobytes() == np.ascontiguousarray(samples[:, number]).tobytes()


def test_any_reader_of_parquet_finds_float32_columns_with_their_units(make_run):
    path = kept(make_run(), random_samples(10))
    schema = pq.read_schema(path)
    assert [(each.name, str(each.type), each.metadata[b"unit"].decode()) for each in schema] == [
        (name, "float", unit) for name, unit in SIGNALS
    ]
    assert schema.metadata[b"schema"] == b"1"
    assert float(schema.metadata[b"rate_hz"]) == 20000.0


def test_windows_come_by_test_and_point_and_nothing_else_counts_as_one(make_run):
    folder = make_run()
    assert read_waveforms(folder) == ()
    for test, point in [(10, 0), (2, 11), (2, 3)]:
        kept(folder, random_samples(5), test=test, point=point)
    for stray in ("test=1_point=1.parquet.partial", "notes.txt", "test=x_point=1.parquet"):
        (folder.path / "waveforms" / stray).write_bytes(b"PAR1")
    assert [(window.test, window.point) for window in read_waveforms(folder)] == [(2, 3), (2, 11), (10, 0)]


def test_a_point_that_was_begun_anew_replaces_its_window(make_run):
    folder = make_run()
    kept(folder, random_samples(5, seed=1), lossy="cut short")
    kept(folder, random_samples(50, seed=2))
    (window,) = read_waveforms(folder)
    assert (window.samples, window.lossy) == (50, "")


def test_windows_stand_in_the_sums_and_a_finished_folder_verifies(make_run):
    folder = make_run()
    path = kept(folder, random_samples(100))
    ended(folder)
    line = f"{hashlib.sha256(path.read_bytes()).hexdigest()}  waveforms/test=2_point=4.parquet"
    assert line in (folder.path / "SHA256SUMS").read_text().splitlines()
    assert verify(folder) == []
    (window,) = read_waveforms(folder)
    assert window.lossy == ""


@pytest.mark.parametrize("summed", [True, False], ids=["with sums", "without sums"])
def test_no_cut_and_no_flipped_bit_gives_wrong_samples_or_an_error(make_run, summed):
    folder = make_run()
    samples = random_samples(300)
    path = kept(folder, samples)
    kept(folder, samples, point=5)
    if summed:
        ended(folder)
    sound = path.read_bytes()
    rng = np.random.default_rng(5)
    told = 0
    cuts = [0, 3, 4, 8, *rng.integers(9, len(sound), 60).tolist()]
    flips = rng.integers(0, 8 * len(sound), 150).tolist()
    for damaged in [sound[:cut] for cut in cuts] + [flipped(sound, bit) for bit in flips]:
        path.write_bytes(damaged)
        window, other = read_waveforms(folder)
        assert (window.point, other.point, other.lossy, other.samples) == (4, 5, "", 300)
        if window.lossy:
            told += 1
            assert "waveforms/test=2_point=4.parquet" in window.lossy
            assert window.samples == 0
        else:  # without sums a bit of the file's own bookkeeping may go unnoticed, never one of a sample
            assert not summed
            assert window.values["wf14_v"].tobytes() == np.ascontiguousarray(samples[:, 1]).tobytes()
    assert told >= len(cuts)
    assert told == len(cuts) + len(flips) or not summed


def flipped(content: bytes, bit: int) -> bytes:
    changed = bytearray(content)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def test_a_window_of_a_newer_release_is_not_called_damaged(make_run):
    folder = make_run()
    path = kept(folder, random_samples(5))
    table = pq.read_table(path)
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, b"schema": b"2"}), path)
    with pytest.raises(SchemaTooNewError, match="newer release"):
        read_waveforms(folder)


def test_what_is_no_window_is_refused_and_leaves_no_file(make_run):
    folder = make_run()
    samples = random_samples(5)
    for changes in ({"data": samples.tobytes()[:-1]}, {"point": -1}, {"test": -1}, {"signals": []}):
        with pytest.raises(RecordsError, match="was not written"):
            kept(folder, samples, **changes)
    assert not (folder.path / "waveforms").exists()


def test_a_full_disk_is_one_sentence_and_keeps_the_older_window(make_run, monkeypatch):
    folder = make_run()
    kept(folder, random_samples(5))

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError, match="the disk is full"):
        kept(folder, random_samples(50))
    monkeypatch.undo()
    (window,) = read_waveforms(folder)
    assert window.samples == 5
    assert list((folder.path / "waveforms").glob("*.partial")) == []


def test_windows_of_a_run_that_was_killed_are_read_and_kept_by_recovery(make_run):
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    kept(folder, random_samples(20))
    (folder.path / "waveforms" / "test=2_point=5.parquet.partial").write_bytes(b"PAR1 and then the power failed")
    journal._release()
    assert len(read_waveforms(folder)) == 1
    recover(folder)
    (window,) = read_waveforms(folder)
    assert (window.samples, window.lossy) == (20, "")
    assert verify(folder) == []
