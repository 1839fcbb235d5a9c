"""A run that cannot be recorded is refused in one sentence, with nothing half made left behind."""

import errno
import os
import struct
from pathlib import Path

import pytest

from benchd.app import recorder
from benchd.app.loading import load_all
from benchd.app.recorder import clock_anchor, open_recorder
from benchd.live.capture import CapturedWindow
from benchd.live.run import RecordingFailed
from benchd.records import Ending, RecordsError, read_description, read_ending, read_waveforms, verify


@pytest.fixture
def planned(site):
    bench, run = load_all(*site.files, order="17", serial="0042", operator="Odile Brandvold")
    assert run is not None
    return bench, run


def folders(data: Path) -> list[Path]:
    return list(data.glob("order=*/serial=*/*"))


def opened(planned, data: Path):
    clock = clock_anchor()
    return open_recorder(*planned, clock=clock, mono_s=clock.mono_s, data_directory=data)


def test_a_run_is_described_by_everything_that_an_evaluation_needs(planned, tmp_path: Path) -> None:
    one = opened(planned, tmp_path / "data")
    one.close("stopped", "it was only a test")
    (folder,) = folders(tmp_path / "data")
    said = read_description(folder)
    assert (said["order"], said["serial"], said["operator"]) == ("17", "0042", "Odile Brandvold")
    assert set(said["configuration"]) == {
        "bench",
        "motor",
        "setup",
        "programme",
        "sensors",
        "waveform_sensors",
    }
    assert said["configuration"]["sensors"]["shaft_torque"]["calibrated_on"].startswith("20")
    assert [test["kind"] for test in said["tests"]] == ["no_load", "load"]
    assert {"benchd", "pymodbus", "pyvisa-py"} <= set(said["software"])
    ending = read_ending(folder)
    assert ending is not None
    assert Ending(ending["ending"]) is Ending.STOPPED
    assert verify(folder) == []


def test_a_derived_channel_is_described_with_what_the_motor_file_completed(planned, tmp_path: Path) -> None:
    bench, run = planned
    opened(planned, tmp_path / "data").close("stopped", "it was only a test")
    (folder,) = folders(tmp_path / "data")
    said = {one["name"]: one["derivation"] for one in read_description(folder)["channels"]}
    rule = said["winding_heat"]["rule"]
    plate = run.job.motor.document.data  # as it stands in the file
    assert (rule["rated"], rule["time_constant_s"]) == (plate["rated"]["current_a"], plate["thermal_time_constant_s"])
    assert said["shaft_speed"] is None
    (asked,) = (one.derivation for one in bench.channels() if one.name == "winding_heat")
    assert asked is not None
    assert asked.rule.rated is None  # the bench file leaves it out


def window() -> CapturedWindow:
    return CapturedWindow(
        test=1,
        point=0,
        signals=("wf11_v", "wf14_v"),
        rate_hz=20000.0,
        first_mono_s=12.5,
        first_index=700,
        lost=0,
        lossy="",
        parts=(struct.pack("<4f", 1.0, -1.0, 2.0, -2.0), struct.pack("<2f", 3.0, -3.0)),
    )


def test_a_captured_window_is_kept_in_the_run_folder_with_its_units(planned, tmp_path: Path) -> None:
    one = opened(planned, tmp_path / "data")
    one.keep_window(window())
    one.close("complete", "all tests were played")
    (folder,) = folders(tmp_path / "data")
    (kept,) = read_waveforms(folder)
    assert (kept.test, kept.point, kept.first_mono_s, kept.first_index, kept.lossy) == (1, 0, 12.5, 700, "")
    assert {name: values.tolist() for name, values in kept.values.items()} == {
        "wf11_v": [1.0, 2.0, 3.0],
        "wf14_v": [-1.0, -2.0, -3.0],
    }
    assert kept.units == {"wf11_v": "V", "wf14_v": "V"}
    assert verify(folder) == []


def test_a_window_that_cannot_be_written_is_one_sentence_and_the_run_goes_on(planned, tmp_path: Path) -> None:
    one = opened(planned, tmp_path / "data")
    (one.path / "waveforms").write_text("somebody's notes, in the place of the folder")
    with pytest.raises(RecordingFailed, match=r"waveforms.* could not be written: "):
        one.keep_window(window())
    one.flush()
    one.close("complete", "all tests were played")
    assert read_ending(one.path) is not None


def test_a_full_data_directory_is_refused_with_what_is_free_and_needed(
    planned, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = os.statvfs(tmp_path)
    full = os.statvfs_result((*there[:4], 20_000_000 // there.f_frsize, *there[5:]))
    monkeypatch.setattr(os, "statvfs", lambda _: full)
    with pytest.raises(RecordingFailed, match=r"has 20 MB free and a run needs 1000 MB: free space there\."):
        opened(planned, tmp_path / "data")
    assert folders(tmp_path / "data") == []


def test_a_disk_that_is_full_when_it_comes_to_writing_is_refused(
    planned, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: int) -> None:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(RecordingFailed, match="the disk is full"):
        opened(planned, tmp_path / "data")
    assert folders(tmp_path / "data") == []


def test_a_data_directory_that_is_a_file_is_refused(planned, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("")
    with pytest.raises(RecordingFailed, match="is a file: choose another data directory"):
        opened(planned, tmp_path / "data")


def test_a_data_directory_that_takes_nothing_is_refused(planned) -> None:
    with pytest.raises(RecordingFailed, match=r"data directory /proc/runs cannot take data: "):
        opened(planned, Path("/proc/runs"))


@pytest.mark.parametrize("part", ["Journal", "EventLog"])
def test_a_folder_whose_files_cannot_be_opened_is_taken_away_again(
    planned, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise RecordsError("The disk is full.")

    monkeypatch.setattr(recorder, part, refuse)
    with pytest.raises(RecordingFailed, match="The disk is full"):
        opened(planned, tmp_path / "data")
    assert folders(tmp_path / "data") == []


def test_a_file_that_vanishes_while_the_run_is_recorded_is_told_at_the_next_flush(site, tmp_path: Path) -> None:
    bench, run = load_all(*site.files)
    assert run is not None
    clock = clock_anchor()
    one = open_recorder(bench, run, clock=clock, mono_s=clock.mono_s, data_directory=tmp_path / "data")
    (one.path / "samples.arrows").unlink()
    for last_chance in (one.flush, lambda: one.close("complete", "all tests were played")):
        with pytest.raises(RecordingFailed, match=r"samples\.arrows vanished"):
            last_chance()
