"""`benchd evaluate` on what is no run, or a spoilt one: one sentence, status 1, and nothing is written."""

import json
from pathlib import Path

import pytest

from benchd.app import evaluation
from benchd.app.evaluation import calibration_of
from benchd.app.loading import load_all
from benchd.app.recorder import clock_anchor, described, open_recorder
from benchd.records import RecordsError

from .ideal_run import record


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.fixture
def stopped_run(site, tmp_path: Path) -> Path:
    """A sound run folder without a single sample."""
    bench, run = load_all(*site.files)
    assert run is not None
    clock = clock_anchor()
    one = open_recorder(bench, run, clock=clock, mono_s=clock.mono_s, data_directory=tmp_path / "data")
    one.close("stopped", "it was only a test")
    return one.path


def test_results_of_a_run_that_did_not_complete_say_so(stopped_run: Path) -> None:
    notes = evaluation.evaluate_in_subprocess(stopped_run)["notes"]
    assert notes[0] == "The run did not complete, it was stopped: it was only a test"


def test_a_file_that_was_changed_after_the_run_is_named_in_the_results(stopped_run: Path) -> None:
    text = (stopped_run / "run.json").read_text()
    (stopped_run / "run.json").write_text(text.replace('"order": "', '"order": "9', 1))
    assert any("run.json" in note for note in evaluation.evaluate_in_subprocess(stopped_run)["notes"])


@pytest.mark.parametrize(
    ("ending", "low", "verdict", "sentence"),
    [
        ("complete", 0.5, "accepted", "Accepted: the one requirement is kept."),
        ("aborted", 0.5, "undecided", "Undecided: the one requirement is kept, but the run did not complete."),
        ("aborted", 0.99, "rejected", "Rejected: not kept, of 1 requirements: load.efficiency_at_rated_torque."),
    ],
)
def test_a_run_that_did_not_complete_is_never_accepted(
    site, tmp_path: Path, ending: str, low: float, verdict: str, sentence: str
) -> None:
    required = f"""
        [decision]
        rule = "guard band"
        [[requirement]]
        quantity = "load.efficiency_at_rated_torque"
        low = {low}
        unit = "1"
        """
    with Path(site.files[1]).open("a") as programme:
        programme.write(required)
    folder = record(site.files, tmp_path / "data", ending=ending)
    decision = evaluation.evaluate_in_subprocess(folder)["decision"]
    assert (decision["verdict"], decision["sentence"]) == (verdict, sentence)


@pytest.mark.parametrize("spoil", ["gone", "changed"])
def test_what_became_of_the_last_results_says_nothing_of_the_run(site, tmp_path: Path, spoil: str) -> None:
    folder = record(site.files, tmp_path / "data")
    evaluation.evaluate_in_subprocess(folder)
    results = folder / "results.json"
    first = results.read_bytes()
    if spoil == "gone":
        results.unlink()
    else:
        results.write_bytes(first.replace(b"0.06", b"0.07"))
    assert evaluation.evaluate_in_subprocess(folder)["notes"] == []
    assert results.read_bytes() == first


def test_what_a_test_said_of_its_points_stands_in_its_results(site, tmp_path: Path) -> None:
    unsettled = [f"shaft_speed did not settle at 24 V, 0.{n} N·m." for n in (1, 2, 2, 3, 4, 5)]
    folder = record(site.files, tmp_path / "data", deviations=unsettled)
    tests = evaluation.evaluate_in_subprocess(folder)["tests"]
    first = ["shaft_speed did not settle at 24 V, 0.1 N·m.", "shaft_speed did not settle at 24 V, 0.2 N·m."]
    assert tests["load"]["notes"][:2] == first
    assert tests["load"]["notes"][3] == "Of this kind there are 2 more in the log."
    assert not any("settle" in note for note in tests["no_load"]["notes"])


def test_a_point_that_was_cut_off_is_known_by_its_events() -> None:
    started = {"event": "point_started", "test": 1}
    ended = {"event": "point_ended", "test": 1}
    events = [
        started | {"number": 0},
        ended | {"number": 0, "whole": True},
        started | {"number": 1},
        ended | {"number": 1, "whole": False},
        started | {"number": 2},
        started | {"number": 3},
        ended | {"number": 3},  # of a folder from before the mark
    ]
    assert evaluation._cut_off(events) == {(1, 1), (1, 2)}


def test_a_folder_that_is_not_there_is_named(typed, tmp_path: Path) -> None:
    said = typed("evaluate", str(tmp_path / "gone"))
    assert said.status == 1
    assert said.sentence == f"{tmp_path / 'gone'} is no run folder: name the folder that holds run.json."


def test_a_file_is_no_run_folder(typed, stopped_run: Path) -> None:
    said = typed("evaluate", str(stopped_run / "run.json"))
    assert said.status == 1
    assert "is no run folder" in said.sentence


def test_a_foreign_folder_is_refused_and_stays_as_it_is(typed, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "home/letter.txt").write_text("Dear Odile")
    said = typed("evaluate", str(tmp_path / "home"))
    assert said.status == 1
    assert said.sentence == f"{tmp_path / 'home/run.json'} is missing: the folder is incomplete."
    assert names(tmp_path / "home") == {"letter.txt"}


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "cannot be read as JSON: take it from a copy"),
        (b"[1, 2]", "holds no object"),
        (b"{}", "carries no schema version"),
        (b'{"schema": 99}', "use a newer release of benchd"),
        (b'{"schema": 1}', "take the folder from a copy, or report it"),
        (b'{"schema": 1, "channels": 5, "tests": {}}', "take the folder from a copy, or report it"),
    ],
)
def test_a_spoilt_description_is_one_sentence(typed, stopped_run: Path, content: bytes, words: str) -> None:
    (stopped_run / "run.json").write_bytes(content)
    before = names(stopped_run)
    said = typed("evaluate", str(stopped_run))
    assert said.status == 1
    assert words in said.sentence
    assert str(stopped_run) in said.sentence
    assert names(stopped_run) == before


@pytest.mark.parametrize("gone", ["events.jsonl", "samples.parquet", "samples.arrows"])
def test_a_missing_file_is_named_or_made_up_for(typed, stopped_run: Path, gone: str) -> None:
    (stopped_run / gone).unlink()
    said = typed("evaluate", str(stopped_run))
    if said.status:
        assert gone in said.sentence
    else:
        assert gone == "samples.arrows" or "samples.parquet" in said.out  # either holds all samples


def test_a_run_that_was_stopped_before_its_tests_has_reasons_instead_of_values(typed, stopped_run: Path) -> None:
    said = typed("evaluate", str(stopped_run), "--all")
    assert (said.status, said.err) == (0, "")
    assert "not determined: " in said.out
    results = json.loads((stopped_run / "results.json").read_text())
    values = [one for test in results["tests"].values() for one in test["quantities"]]
    assert values
    assert all(one["value"] is None and one["reason"] for one in values)


def test_a_folder_that_cannot_be_written_is_one_sentence(stopped_run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise RecordsError(f"{stopped_run}/results.json could not be written: the disk is full: free space there.")

    monkeypatch.setattr(evaluation, "write_whole", refuse)
    with pytest.raises(SystemExit, match="the disk is full"):
        evaluation.main(stopped_run)


def test_every_calibration_survives_the_way_through_the_description(site) -> None:
    bench, _ = load_all(*site.files)
    calibrated = [channel for channel in bench.channels() if channel.calibration is not None]
    assert len(calibrated) >= 4
    for channel in calibrated:
        written = json.loads(json.dumps(described(channel), allow_nan=False))
        assert calibration_of(written) == channel.calibration


def test_the_line_of_the_negative_direction_survives_it_too() -> None:
    bench, _ = load_all("vineyard", None, None, None)
    torque = bench.channel_by_name["shaft_torque"]
    assert torque.calibration is not None
    assert torque.calibration.negative is not None
    read = calibration_of(json.loads(json.dumps(described(torque), allow_nan=False)))
    assert read == torque.calibration
    assert read is not None
    assert read.value(-2.0) == torque.calibration.value(-2.0) < 0.0
