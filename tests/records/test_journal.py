"""The journal takes rows without waiting and gives them back to the bit."""

import threading
import time
import zlib
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from benchd.records import Journal, RecordsError, finish, read_samples

from .conftest import CHANNELS, MakeRun, Record, append_row, random_rows, same_bits


def test_a_plain_arrow_reader_reads_the_stream(record: Record) -> None:
    run = record()
    with pa.ipc.open_stream((run.path / "samples.arrows").read_bytes()) as reader:
        table = reader.read_all()
    assert table.num_rows == run.row_ends[-1]
    assert table.column("dc_voltage").to_numpy().tobytes() == run.rows["values"][:, 1].tobytes()
    assert table.schema.field("shaft_torque").metadata == {b"unit": "N·m".encode()}
    assert table.schema.names[:7] == [
        "time_mono_s", "state", "test", "point", "shaft_torque", "shaft_torque.age_s", "shaft_torque.quality",
    ]  # fmt: skip
    assert [str(t) for t in table.schema.types[:7]] == [
        "double", "int8", "int16", "int16", "double", "float", "uint8",
    ]  # fmt: skip


def test_the_sidecar_holds_offset_length_and_crc_of_each_message(record: Record) -> None:
    run = record(flushes=5)
    raw = (run.path / "samples.arrows").read_bytes()
    lines = [line.split() for line in (run.path / "samples.crc").read_text().splitlines()[1:]]
    assert [line[0] for line in lines] == ["schema", *["batch"] * 5, "end"]
    at = 0
    for _, offset, length, crc, *_ in lines:
        assert int(offset) == at
        at += int(length)
        assert int(crc, 16) == zlib.crc32(raw[int(offset) : at])
    assert at == len(raw)


def test_parquet_has_the_same_bits_columns_and_units(record: Record) -> None:
    run = record()
    table = pq.read_table(run.path / "samples.parquet")
    assert table.column("shaft_torque").to_numpy().tobytes() == run.rows["values"][:, 0].tobytes()
    assert table.schema.field("winding").metadata[b"unit"] == "°C".encode()
    assert table.schema.metadata[b"schema"] == b"1"
    found = read_samples(run.path)
    assert same_bits(found, run.rows, range(run.row_ends[-1]))
    assert found.units == dict(CHANNELS)


def test_samples_can_be_read_before_and_after_finishing_and_by_channel(record: Record) -> None:
    run = record(finished=False)
    before = read_samples(run.path)
    finish(run.path)
    (run.path / "samples.arrows").unlink()
    after = read_samples(run.path)
    assert same_bits(before, run.rows, range(run.row_ends[-1]))
    assert same_bits(after, run.rows, range(run.row_ends[-1]))
    only = read_samples(run.path, channels=["dc_voltage"])
    assert list(only.values) == ["dc_voltage"]
    with pytest.raises(RecordsError, match="no channel 'dc_current'"):
        read_samples(run.path, channels=["dc_current"])


def test_rows_appended_while_another_thread_flushes_all_arrive_in_order(make_run: MakeRun) -> None:
    folder = make_run()
    rows = random_rows(6000, seed=3)
    journal = Journal(folder, CHANNELS, pending_rows=512)
    done = threading.Event()

    def flushing() -> None:
        while not done.is_set():
            journal.flush()

    threads = [threading.Thread(target=flushing) for _ in range(2)]
    for thread in threads:
        thread.start()
    for number in range(6000):
        while journal.rows_pending >= 500:
            time.sleep(0.0005)
        append_row(journal, rows, number)
    done.set()
    for thread in threads:
        thread.join()
    journal.close()
    assert journal.rows_dropped == 0
    assert same_bits(read_samples(folder), rows, range(6000))


def test_a_full_memory_drops_new_rows_counts_them_and_the_folder_says_so(make_run: MakeRun) -> None:
    folder = make_run()
    rows = random_rows(25, seed=4)
    journal = Journal(folder, CHANNELS, pending_rows=10)
    for number in range(13):
        append_row(journal, rows, number)
    assert (journal.rows_pending, journal.rows_dropped) == (10, 3)
    journal.flush()
    append_row(journal, rows, 20)
    journal.close()
    found = read_samples(folder)
    assert same_bits(found, rows, np.array([*range(10), 20]))
    assert any("3 rows were never written" in sentence for sentence in found.missing)


def test_a_row_of_the_wrong_width_is_refused_and_changes_nothing(make_run: MakeRun) -> None:
    journal = Journal(make_run(), CHANNELS)
    with pytest.raises(ValueError, match="3 values"):
        journal.append(time_mono_s=0.0, state=1, test=-1, point=-1, values=[1.0], ages_s=[0.0], quality=[0])
    assert journal.rows_pending == 0
    journal.close()


def test_closing_and_flushing_twice_is_legal_and_later_rows_count_as_dropped(make_run: MakeRun) -> None:
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    assert journal.flush() == 0
    journal.close()
    journal.close()
    assert journal.flush() == 0
    append_row(journal, random_rows(1, seed=5), 0)
    assert journal.rows_dropped == 1
    found = read_samples(folder)
    assert found.rows == 0
    assert found.missing == ()


def test_nothing_pending_writes_nothing(make_run: MakeRun) -> None:
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    before = (folder.path / "samples.arrows").stat().st_size
    journal.flush()
    assert (folder.path / "samples.arrows").stat().st_size == before
    journal.close()


def test_a_second_journal_in_the_same_folder_is_refused(make_run: MakeRun) -> None:
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    with pytest.raises(RecordsError, match="exists already"):
        Journal(folder, CHANNELS)
    journal.close()


@pytest.mark.parametrize("names", [["a", "a"], ["state"], ["a.b"], ["Ä"], [""]])
def test_channel_names_that_cannot_be_columns_are_refused(make_run: MakeRun, names: list[str]) -> None:
    folder = make_run()
    with pytest.raises(RecordsError, match="channel name"):
        Journal(folder, [(name, "V") for name in names])
    assert not (folder.path / "samples.arrows").exists()


def test_a_run_longer_than_one_row_group_keeps_its_rows(make_run: MakeRun, tmp_path: Path) -> None:
    folder = make_run()
    journal = Journal(folder, [("a", "V")], pending_rows=70_000)
    for number in range(65_000):
        journal.append(
            time_mono_s=number * 0.005, state=6, test=-1, point=-1, values=(number,), ages_s=(0.0,), quality=(0,)
        )
    journal.close()
    finish(folder)
    assert pq.ParquetFile(folder.path / "samples.parquet").num_row_groups == 2
    assert np.array_equal(read_samples(folder).values["a"], np.arange(65_000.0))
