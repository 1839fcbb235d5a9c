"""From a run folder to its `report.pdf`: the same bytes, sums, and folders in any state."""

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchd.app import report
from benchd.app.evaluation import evaluate_folder
from benchd.app.report import make_report
from benchd.records import Ending, RecordsError, verify
from benchd.records.sums import check_sums

from ..report.made_up import results, write_folder
from ..report.pdf_text import Pdf
from .ideal_run import record


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("sound"), found=results())


@pytest.fixture
def run(sound: Path, tmp_path: Path) -> Path:
    """A copy of a sound folder, to be spoilt."""
    return shutil.copytree(sound, tmp_path / "data" / sound.name)


def text_of(folder: Path) -> str:
    return Pdf(make_report(folder).read_bytes()).text


def test_two_processes_in_two_places_give_the_same_bytes(run: Path, tmp_path: Path) -> None:
    made = []
    for number, seed in enumerate(("1", "2")):
        place = tmp_path / f"somewhere {number}"
        place.mkdir()
        environment = {
            **os.environ,
            "PYTHONHASHSEED": seed,
            "TZ": "Asia/Tokyo" if number else "UTC",
            "HOME": str(place),
        }
        named = os.path.relpath(run, place) if number else str(run)
        done = subprocess.run(
            [sys.executable, "-m", "benchd.app.report", named],
            cwd=place,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout == f"{run / 'report.pdf'}\n"
        made.append((run / "report.pdf").read_bytes())
    assert made[0] == made[1]


def test_a_copy_of_the_folder_elsewhere_gives_the_same_bytes(run: Path, tmp_path: Path) -> None:
    (run / "samples.parquet").write_bytes(b"spoilt")  # so that sentences name files
    copy = shutil.copytree(run, tmp_path / "another disk" / run.name)
    assert make_report(run).read_bytes() == make_report(copy).read_bytes()


def test_the_sums_hold_the_report_afterwards_and_a_second_one_changes_nothing(run: Path) -> None:
    first = make_report(run).read_bytes()
    assert verify(run) == []
    assert make_report(run).read_bytes() == first
    assert verify(run) == []


def test_both_papers_can_be_asked_for(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    report.main([str(run), "--paper", "letter"])
    assert capsys.readouterr().out == f"{run / 'report.pdf'}\n"
    assert Pdf((run / "report.pdf").read_bytes()).media_boxes == {(612.0, 792.0)}
    with pytest.raises(ValueError, match="a4 or letter"):
        make_report(run, paper="a3")


def test_a_changed_results_file_is_named_and_stays_known_as_changed(run: Path) -> None:
    content = (run / "results.json").read_text()
    (run / "results.json").write_text(content.replace("0.9012", "0.9512"))
    assert "results.json differs from its sum" in text_of(run)
    assert any("results.json differs from its sum" in sentence for sentence in check_sums(run))


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("results.json", "results.json is missing: evaluate the run first."),
        ("events.jsonl", "there are no events"),
        ("samples.parquet", "samples.parquet is damaged or gone; the samples are read from samples.arrows."),
        ("run.json", "run.json is missing: the folder is incomplete."),
        ("SHA256SUMS", "SHA256SUMS is missing"),
    ],
)
def test_a_missing_file_is_said_in_the_report(run: Path, file: str, words: str) -> None:
    (run / file).unlink()
    text = text_of(run)
    assert words in text
    assert str(run.parent) not in text


@pytest.mark.parametrize(
    "file", ["run.json", "ending.json", "events.jsonl", "results.json", "samples.parquet", "SHA256SUMS"]
)
@pytest.mark.parametrize("spoil", ["torn", "empty", "flipped"])
def test_a_damaged_file_is_said_in_the_report(run: Path, file: str, spoil: str) -> None:
    content = bytearray((run / file).read_bytes())
    content[len(content) // 2] ^= 0x10
    shorter = {"torn": bytes(content[: len(content) // 2]), "empty": b"", "flipped": bytes(content)}
    (run / file).write_bytes(shorter[spoil])
    pdf = Pdf(make_report(run).read_bytes())
    assert "Missing or changed data" in pdf.pages[0]
    assert file in pdf.pages[0]
    assert "end of report" in pdf.pages[-1]


def test_all_samples_lost_leaves_the_rest(run: Path) -> None:
    for name in ("samples.parquet", "samples.arrows", "samples.crc"):
        (run / name).unlink()
    text = text_of(run)
    assert "There are no samples that can be read." in text
    assert "Load test" in text


def test_a_tripped_run_has_its_cause_on_the_first_page(tmp_path: Path) -> None:
    cause = "dc_current was above 30 A: 41 A was read."
    why = f"the run was tripped: {cause}"
    fields = {"cause": cause, "reaction": "cut", "doubted": [], "chain_open": False}
    folder = write_folder(tmp_path, found=None, ending=Ending.ABORTED, why=why, events=[("tripped", fields)])
    first = Pdf(make_report(folder).read_bytes()).pages[0]
    assert "The run was tripped" in first
    assert cause.replace("dc_current", "DC current") in first
    assert "No decision" in first


def test_a_killed_run_is_brought_into_its_lasting_form_first(run: Path) -> None:
    for name in ("ending.json", "SHA256SUMS", "samples.parquet"):
        (run / name).unlink()
    assert "it was interrupted" in text_of(run)
    assert (run / "samples.parquet").exists()


def test_results_of_the_first_schema_give_a_report_with_curves(site, tmp_path: Path) -> None:
    folder = record(site.files, tmp_path / "data")
    evaluate_folder(folder)
    found = json.loads((folder / "results.json").read_text())
    for test in found["tests"].values():
        points, units = test.pop("points"), test.pop("units")
        plain = [one for one in test["quantities"] if not one["name"].startswith("point_")]
        named = [
            {"name": f"point_{point['number']:03d}_{name}", "unit": units[name], **value}
            for point in points
            for name, value in point["values"].items()
        ] or [one for one in test["quantities"] if one["name"].startswith("point_")]
        test["quantities"] = plain + named
    del found["decision"]
    (folder / "results.json").write_text(json.dumps(found | {"schema": 1}))
    pdf = Pdf(make_report(folder).read_bytes())
    assert len(pdf.figures) == 4  # load at a glance, no-load, load, time record
    assert "Torque in N·m" in pdf.text


@pytest.mark.parametrize(("zone", "shown"), [("XYZ-05:30", "UTC+05:30"), ("XYZ+03", "UTC−03:00"), ("UTC", "UTC+00:00")])
def test_times_are_local_by_the_zone_of_the_machine_that_recorded(
    site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, zone: str, shown: str
) -> None:
    with monkeypatch.context() as there:
        there.setenv("TZ", zone)
        time.tzset()
        folder = record(site.files, tmp_path / "data", seconds=0.05)
    time.tzset()
    assert shown in Pdf(make_report(folder).read_bytes()).pages[0]


def test_a_folder_that_is_none_of_ours_is_refused_and_stays_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear Odile")
    with pytest.raises(RecordsError, match=r"is no run folder: name the folder that holds run\.json\."):
        make_report(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_newer_schema_is_refused_in_one_sentence(run: Path) -> None:
    content = (run / "run.json").read_text()
    (run / "run.json").write_text(content.replace('"schema": 1', '"schema": 99', 1))
    with pytest.raises(SystemExit, match="use a newer release"):
        report.main([str(run)])
    assert not (run / "report.pdf").exists()


def test_a_full_disk_is_one_sentence(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise RecordsError("report.pdf could not be written: the disk is full: free space there.")

    monkeypatch.setattr(report, "write_whole", refuse)
    with pytest.raises(SystemExit, match="the disk is full"):
        report.main([str(run)])
