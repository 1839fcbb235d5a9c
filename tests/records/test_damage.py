"""Cuts and flipped bits are always noticed, and never cost more than the rows they hit."""

import shutil
from bisect import bisect_right
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchd.records import RecordsError, SampleColumns, finish, read_samples, recover, verify

from .conftest import Record, Recorded, same_bits


def whole_batches(run: Recorded, size: int) -> int:
    """How many batches lie wholly within the first `size` bytes, by the file sizes seen while writing."""
    return bisect_right(run.stream_ends, size) - 1


def rows_of(run: Recorded, batches: list[int]) -> np.ndarray:
    parts = [np.arange(run.row_ends[b], run.row_ends[b + 1]) for b in batches]
    return np.concatenate(parts) if parts else np.arange(0)


def test_two_hundred_random_cuts_of_the_stream_leave_a_valid_prefix(record: Record) -> None:
    run = record(ended=False)
    stream = run.path / "samples.arrows"
    raw = stream.read_bytes()
    rng = np.random.default_rng(20)
    for _ in range(200):
        size = int(rng.integers(len(raw)))
        stream.write_bytes(raw[:size])
        kept = whole_batches(run, size)
        found = read_samples(run.path)  # a cut schema message comes back from run.json
        assert same_bits(found, run.rows, range(run.row_ends[max(kept, 0)]))
        assert any("cut off" in sentence for sentence in found.missing)


def test_cuts_without_a_sidecar_leave_the_same_prefix_and_say_that_nothing_proves_it(record: Record) -> None:
    run = record(ended=False)
    (run.path / "samples.crc").unlink()
    stream = run.path / "samples.arrows"
    raw = stream.read_bytes()
    rng = np.random.default_rng(21)
    for _ in range(100):
        size = int(rng.integers(run.stream_ends[0], len(raw)))
        stream.write_bytes(raw[:size])
        found = read_samples(run.path)
        assert same_bits(found, run.rows, range(run.row_ends[whole_batches(run, size)]))
        assert "nothing proves" in found.missing[0]
    stream.write_bytes(raw[:10])
    with pytest.raises(RecordsError, match="cannot be read"):
        read_samples(run.path)


def test_cuts_of_the_sidecar_leave_the_rows_that_it_still_vouches_for(record: Record) -> None:
    run = record(ended=False)
    sidecar = run.path / "samples.crc"
    raw = sidecar.read_bytes()
    rng = np.random.default_rng(22)
    for size in [0, *(int(rng.integers(1, len(raw))) for _ in range(60))]:
        sidecar.write_bytes(raw[:size])
        lines = raw[:size].count(b"\n")
        found = read_samples(run.path)
        assert same_bits(found, run.rows, range(run.row_ends[max(lines - 2, 0)]))
        assert found.missing


def flipped(raw: bytes, at: int, bit: int) -> bytes:
    return raw[:at] + bytes([raw[at] ^ (1 << bit)]) + raw[at + 1 :]


def lost_rows_are_named(found: SampleColumns, first: int, last: int) -> bool:
    return any(f"Rows {first} to {last} " in sentence for sentence in found.missing)


def test_three_hundred_flipped_bits_of_the_stream_are_all_noticed_and_cost_one_batch(record: Record) -> None:
    run = record(ended=False)
    stream = run.path / "samples.arrows"
    raw = stream.read_bytes()
    batches = len(run.row_ends) - 1
    assert read_samples(run.path).missing == ()
    rng = np.random.default_rng(23)
    for _ in range(300):
        at = int(rng.integers(len(raw)))
        stream.write_bytes(flipped(raw, at, int(rng.integers(8))))
        hit = whole_batches(run, at)
        found = read_samples(run.path)
        assert found.missing
        assert same_bits(found, run.rows, rows_of(run, [b for b in range(batches) if b != hit]))
        if hit >= 0:
            assert lost_rows_are_named(found, run.row_ends[hit], run.row_ends[hit + 1] - 1)


def test_flipped_bits_of_the_sidecar_are_all_noticed_and_cost_at_most_two_batches(record: Record) -> None:
    run = record(flushes=5, ended=False)
    sidecar = run.path / "samples.crc"
    raw = sidecar.read_bytes()
    batches = len(run.row_ends) - 1
    for at in range(len(raw)):
        bit = at % 8
        sidecar.write_bytes(flipped(raw, at, bit))
        line = raw[:at].count(b"\n")  # header, schema, then one a batch
        hit = {line - 2, line - 1} if raw[at : at + 1] == b"\n" else {line - 2}
        found = read_samples(run.path)
        assert found.missing
        assert same_bits(found, run.rows, rows_of(run, [b for b in range(batches) if b not in hit]))


def test_three_hundred_flipped_bits_anywhere_in_a_finished_folder_are_found_by_verify(record: Record) -> None:
    run = record(flushes=6)
    assert verify(run.path) == []
    files = sorted(path for path in run.path.iterdir() if path.is_file())
    assert {path.name for path in files} == {
        "SHA256SUMS", "ending.json", "events.jsonl", "run.json", "samples.arrows", "samples.crc", "samples.parquet",
    }  # fmt: skip
    rng = np.random.default_rng(24)
    for number in range(300):
        path = files[number % len(files)]
        raw = path.read_bytes()
        path.write_bytes(flipped(raw, int(rng.integers(len(raw))), int(rng.integers(8))))
        sentences = verify(run.path)
        assert sentences, path.name
        assert all(sentence.endswith(".") and "\n" not in sentence for sentence in sentences)
        path.write_bytes(raw)
    assert verify(run.path) == []


def test_a_damaged_parquet_is_never_believed(record: Record) -> None:
    run = record()
    parquet = run.path / "samples.parquet"
    raw = parquet.read_bytes()
    rng = np.random.default_rng(25)
    sums = (run.path / "SHA256SUMS").read_bytes()
    for with_sums in (True, False):
        if not with_sums:
            (run.path / "SHA256SUMS").unlink()
        for _ in range(60):
            parquet.write_bytes(flipped(raw, int(rng.integers(len(raw))), int(rng.integers(8))))
            found = read_samples(run.path)
            assert same_bits(found, run.rows, range(run.row_ends[-1]))
            if with_sums:
                assert found.missing == (
                    "samples.parquet is damaged or gone; the samples are read from samples.arrows.",
                )
    (run.path / "SHA256SUMS").write_bytes(sums)
    recovery = recover(run.path)
    assert any("made again" in sentence for sentence in recovery.sentences)
    assert parquet.read_bytes() == raw
    assert verify(run.path) == []


def test_a_parquet_made_anew_with_other_bytes_gets_a_new_sum(record: Record) -> None:
    run = record(finished=False)
    parquet = run.path / "samples.parquet"
    with pa.ipc.open_stream((run.path / "samples.arrows").read_bytes()) as reader:
        pq.write_table(reader.read_all(), parquet, compression="none")  # as another release may have written it
    finish(run.path)
    raw = parquet.read_bytes()
    assert verify(run.path) == []
    parquet.write_bytes(flipped(raw, len(raw) // 3, 1))
    recover(run.path)
    assert parquet.read_bytes() != raw
    assert verify(run.path) == []


def test_a_damaged_parquet_without_the_stream_is_refused_and_not_read(record: Record) -> None:
    run = record()
    parquet = run.path / "samples.parquet"
    raw = parquet.read_bytes()
    (run.path / "samples.arrows").unlink()
    assert same_bits(read_samples(run.path), run.rows, range(run.row_ends[-1]))
    parquet.write_bytes(flipped(raw, len(raw) // 4, 2))  # inside a page: the page's own checksum tells
    with pytest.raises(RecordsError, match="damaged: take it from a copy"):
        read_samples(run.path)


def test_recovery_keeps_the_good_batches_on_both_sides_of_a_damaged_one(record: Record) -> None:
    run = record(ended=False)
    stream = run.path / "samples.arrows"
    raw = stream.read_bytes()
    at = (run.stream_ends[4] + run.stream_ends[5]) // 2
    stream.write_bytes(flipped(raw, at, 3))
    recovery = recover(run.path)
    others = [b for b in range(len(run.row_ends) - 1) if b != 4]
    found = read_samples(run.path)
    assert found.missing == ()  # the Parquet file is sound; what it lacks is in the ending
    assert same_bits(found, run.rows, rows_of(run, others))
    expected = f"Rows {run.row_ends[4]} to {run.row_ends[5] - 1} of samples.arrows fail their checksum"
    assert any(expected in sentence for sentence in recovery.sentences)
    assert stream.read_bytes() == flipped(raw, at, 3)
    assert any(expected in sentence for sentence in verify(run.path))
    again = recover(run.path)
    assert (again.ending, again.rows) == (recovery.ending, recovery.rows)


def test_a_folder_moved_elsewhere_still_verifies(record: Record, tmp_path: Path) -> None:
    run = record()
    shutil.copytree(run.path, tmp_path / "copy")
    assert verify(tmp_path / "copy") == []
