"""Recovery brings any folder into its lasting form and changes nothing that is sound."""

import json
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from benchd.records import (
    Ending,
    Journal,
    RecordsError,
    finish,
    read_ending,
    read_samples,
    recover,
    reseal,
    unfinished_runs,
    verify,
)

from .conftest import CHANNELS, MakeRun, Record, same_bits


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_sound_folder_is_left_to_the_byte(record: Record) -> None:
    run = record()
    before = content(run.path)
    recovery = recover(run.path)
    assert (recovery.ending, recovery.rows, recovery.sentences) == (Ending.COMPLETE, run.row_ends[-1], ())
    assert content(run.path) == before


def test_a_cleanly_killed_run_verifies_once_recovered(record: Record) -> None:
    run = record(ended=False)
    assert any("has no ending" in sentence for sentence in verify(run.path))
    recovery = recover(run.path)
    (sentence,) = recovery.sentences
    assert sentence == (
        f"The run was interrupted: {run.row_ends[-1]} rows can be read, the last one of loop time "
        f"{run.rows['time_mono_s'][-1]:.3f} s; what was measured after it never reached the disk."
    )
    assert verify(run.path) == []
    assert same_bits(read_samples(run.path), run.rows, range(run.row_ends[-1]))
    before = content(run.path)
    recover(run.path)
    assert content(run.path) == before


def test_a_run_killed_while_finishing_keeps_its_own_ending(record: Record) -> None:
    run = record(finished=False)
    (run.path / "samples.parquet.partial").write_bytes(b"half")
    assert unfinished_runs(run.path.parents[2]) == [run.path]
    recovery = recover(run.path)
    assert (recovery.ending, recovery.sentences) == (Ending.COMPLETE, ())
    assert verify(run.path) == []


def test_a_run_killed_before_its_first_sample_is_said_to_hold_none(make_run: MakeRun) -> None:
    folder = make_run()
    recovery = recover(folder)
    assert (recovery.ending, recovery.rows) == (Ending.INTERRUPTED, 0)
    assert recovery.sentences[0] == "samples.arrows is missing: no samples were recorded."
    assert unfinished_runs(folder.path.parents[2]) == []


def test_an_empty_folder_and_empty_files_are_recovered_in_sentences(make_run: MakeRun) -> None:
    folder = make_run()
    for name in ("run.json", "samples.arrows", "samples.crc", "events.jsonl", "ending.json"):
        (folder.path / name).write_bytes(b"")
    recovery = recover(folder)
    assert (recovery.ending, recovery.rows) == (Ending.INTERRUPTED, 0)
    assert all(sentence.endswith(".") for sentence in recovery.sentences)
    assert verify(folder)


def test_a_folder_of_a_running_run_is_refused_and_untouched(make_run: MakeRun) -> None:
    folder = make_run()
    journal = Journal(folder, CHANNELS)
    before = content(folder.path)
    with pytest.raises(RecordsError, match="still being written"):
        recover(folder)
    assert content(folder.path) == before
    journal.close()


@pytest.mark.parametrize("name", ["run.json", "ending.json"])
def test_a_folder_of_a_newer_release_is_refused_and_untouched(record: Record, name: str) -> None:
    run = record()
    page = json.loads((run.path / name).read_text())
    (run.path / name).write_text(json.dumps({**page, "schema": 2}))
    before = content(run.path)
    with pytest.raises(RecordsError, match="use a newer release"):
        recover(run.path)
    assert content(run.path) == before
    assert any("use a newer release" in sentence for sentence in verify(run.path))


def test_a_stream_of_a_newer_release_is_refused_in_one_sentence(record: Record) -> None:
    run = record()
    sidecar = run.path / "samples.crc"
    lines = sidecar.read_bytes().split(b"\n")
    lines[0] = b"benchd-samples-crc schema 2 %08x" % zlib.crc32(b"benchd-samples-crc schema 2")
    sidecar.write_bytes(b"\n".join(lines))
    with pytest.raises(RecordsError, match="schema 2, and this benchd reads up to 1"):
        recover(run.path)


def test_recovery_does_not_renew_the_sum_of_a_file_that_was_changed(record: Record) -> None:
    run = record()
    events = run.path / "events.jsonl"
    events.write_bytes(events.read_bytes().replace(b"shaft_torque", b"shaft_torquf"))
    recover(run.path)
    finish(run.path)
    reseal(run.path)
    assert any(sentence.startswith("events.jsonl differs from its sum") for sentence in verify(run.path))


def test_damaged_sums_are_kept_aside_and_made_again(record: Record) -> None:
    run = record()
    sums = run.path / "SHA256SUMS"
    sums.write_bytes(b"\xff" + sums.read_bytes())
    recovery = recover(run.path)
    assert any("SHA256SUMS was damaged" in sentence for sentence in recovery.sentences)
    assert (run.path / "SHA256SUMS.damaged").read_bytes().startswith(b"\xff")
    assert verify(run.path) == []


def test_a_damaged_ending_becomes_interrupted(record: Record) -> None:
    run = record()
    (run.path / "ending.json").write_bytes(b"{")
    assert recover(run.path).ending is Ending.INTERRUPTED
    ending = read_ending(run.path)
    assert ending is not None
    assert ending["ending"] == "interrupted"


def test_results_and_report_are_summed_when_they_come_and_anything_else_stands_out(record: Record) -> None:
    run = record()
    (run.path / "results.json").write_text('{"schema": 1}')
    assert verify(run.path) == ["results.json is not listed in SHA256SUMS: it was added later."]
    reseal(run.path)
    assert verify(run.path) == []
    (run.path / "results.json").write_text('{"schema": 1, "again": true}')
    reseal(run.path)
    assert verify(run.path) == []
    (run.path / "waveforms").mkdir()
    (run.path / "waveforms" / "window_1.parquet").write_bytes(b"1")
    assert verify(run.path) == ["waveforms/window_1.parquet is not listed in SHA256SUMS: it was added later."]


def test_a_changed_configuration_stands_out_by_its_hash(record: Record) -> None:
    run = record()
    path = run.path / "run.json"
    path.write_text(path.read_text().replace('"bench3"', '"bench4"'))
    assert verify(run.path)[0] == "The configuration in run.json differs from its hash: it was changed after the run."


def test_the_sums_are_those_of_the_coreutils_tool(record: Record) -> None:
    run = record()
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")

    told = subprocess.run([tool, "--check", "--strict", "SHA256SUMS"], cwd=run.path, capture_output=True, check=False)
    assert (told.returncode, told.stderr) == (0, b"")
    assert told.stdout.count(b": OK") == 6


def test_a_path_that_is_no_folder_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="is no folder"):
        recover(tmp_path / "nowhere")
    assert verify(tmp_path / "nowhere") == [f"{tmp_path / 'nowhere'} is no folder: check the path."]
