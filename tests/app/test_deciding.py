"""On damaged files nothing is decided, and results and report name the file."""

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchd.analysis import monte_carlo
from benchd.app.deciding import raw_files_in
from benchd.app.evaluation import evaluate_folder
from benchd.app.report import make_report
from benchd.records import RecordsError
from benchd.settings.places import configs_directory

from ..report.pdf_text import Pdf
from ..sensor_dates import never_overdue
from .conftest import PROGRAMME
from .ideal_run import record

REQUIRED = """
[decision]
rule = "guard band"
[[requirement]]
quantity = "load.efficiency_at_rated_torque"
low = {low}
unit = "1"
"""


def a_run(place: Path, *, low: float, ending: str = "complete") -> Path:
    """An ideal run with one requirement, evaluated."""
    site = never_overdue(shutil.copytree(configs_directory(), place / "site"))
    programme = site / "programmes/vent_flap_acceptance.toml"
    programme.write_text(PROGRAMME + REQUIRED.format(low=low), encoding="utf-8")
    files = ("benches/greenhouse.toml", "motors/vent_flap_24v.toml", "setups/vent_flap.toml")
    bench, motor, setup = (str(site / name) for name in files)
    folder = record((bench, str(programme), motor, setup), place / "data", seconds=0.2, ending=ending)
    evaluate_folder(folder)
    return folder


@pytest.fixture(scope="module", autouse=True)
def quick() -> Iterator[None]:
    """Few draws for the intervals: nothing here hangs on them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(monte_carlo, "DRAWS", 1000)
        yield


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_run(tmp_path_factory.mktemp("kept"), low=0.5)


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_run(tmp_path_factory.mktemp("broken"), low=0.99)


@pytest.fixture
def folder(sound: Path, tmp_path: Path) -> Path:
    """A copy of the accepted run, to be spoilt."""
    return shutil.copytree(sound, tmp_path / sound.name)


def flip(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 0x10
    file.write_bytes(content)


def cut(file: Path) -> None:
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) - len(whole) // 20])


def decided(folder: Path) -> tuple[str, str]:
    decision = json.loads((folder / "results.json").read_text())["decision"]
    return decision["verdict"], decision["sentence"]


def first_page(folder: Path, *, trouble: str = "") -> str:
    return Pdf(make_report(folder, trouble=trouble).read_bytes()).pages[0]


def test_a_sound_run_is_accepted_or_rejected(sound: Path, broken: Path) -> None:
    assert decided(sound) == ("accepted", "Accepted: the one requirement is kept.")
    assert decided(broken)[0] == "rejected"
    assert "Accepted" in first_page(sound)
    assert "Rejected" in first_page(broken)


@pytest.mark.parametrize(
    ("name", "spoil"),
    [
        ("samples.arrows", flip),
        ("samples.arrows", cut),
        ("samples.arrows", Path.unlink),
        ("samples.parquet", flip),
        ("samples.crc", cut),
        ("SHA256SUMS", Path.unlink),
    ],
)
def test_what_is_damaged_or_gone_is_never_accepted_and_results_and_report_name_it(
    folder: Path, name: str, spoil: Callable[[Path], None]
) -> None:
    spoil(folder / name)
    evaluate_folder(folder)
    verdict, sentence = decided(folder)
    assert verdict == "undecided"
    assert sentence.startswith("Undecided: the one requirement is kept, but what was recorded is damaged or incomplete")
    assert name in sentence
    first = first_page(folder)
    assert "Undecided" in first
    assert "Accepted" not in first
    assert f"what was recorded is damaged or incomplete ({name}" in first


def test_sums_that_are_damaged_vouch_for_nothing(folder: Path) -> None:
    cut(folder / "SHA256SUMS")
    with pytest.raises(RecordsError, match="SHA256SUMS is damaged"):
        evaluate_folder(folder)
    assert "(SHA256SUMS)" in decided(folder)[1]
    assert "Accepted" not in first_page(folder, trouble="SHA256SUMS is damaged: take it from a copy.")


def test_a_changed_event_or_description_is_never_accepted(folder: Path) -> None:
    for name, old, new in (("events.jsonl", "1e-05", "2e-05"), ("run.json", "Maren", "Marin")):
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1))
    evaluate_folder(folder)
    verdict, sentence = decided(folder)
    assert verdict == "undecided"
    assert "events.jsonl" in sentence
    assert "run.json" in sentence


def test_neither_is_a_rejection_taken_on_damaged_samples(broken: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(broken, tmp_path / broken.name)
    (folder / "samples.parquet").unlink()
    flip(folder / "samples.arrows")
    evaluate_folder(folder)
    verdict, sentence = decided(folder)
    assert verdict == "undecided"
    assert sentence.startswith("Undecided: not kept, of 1 requirements: load.efficiency_at_rated_torque; but what was")


def test_a_run_that_did_not_complete_and_is_damaged_says_both(tmp_path: Path) -> None:
    folder = a_run(tmp_path, low=0.5, ending="aborted")
    flip(folder / "samples.crc")
    evaluate_folder(folder)
    assert decided(folder)[1].startswith(
        "Undecided: the one requirement is kept, but the run did not complete and what was recorded is damaged"
    )


def test_a_file_that_somebody_added_and_results_that_are_made_anew_leave_the_decision(folder: Path) -> None:
    (folder / "letter.txt").write_text("Dear Odile")
    flip(folder / "results.json")
    evaluate_folder(folder)
    assert decided(folder)[0] == "accepted"


def test_a_window_that_was_added_later_is_damage(folder: Path) -> None:
    (folder / "waveforms").mkdir()
    shutil.copy(folder / "samples.parquet", folder / "waveforms/test=1_point=2.parquet")
    evaluate_folder(folder)
    assert "(waveforms/test=1_point=2.parquet)" in decided(folder)[1]


def test_results_that_cannot_be_made_again_are_not_believed(folder: Path) -> None:
    assert "Accepted" in first_page(folder)
    first = first_page(folder, trouble="numpy is gone.")
    assert "Accepted" not in first
    assert "The results say accepted, but they are those of an earlier evaluation" in first


def test_results_that_were_changed_are_not_believed(folder: Path) -> None:
    text = (folder / "results.json").read_text()
    (folder / "results.json").write_text(text.replace("all tests", "all  tests") + " ")
    first = first_page(folder)
    assert "Accepted" not in first
    assert "The results say accepted, but results.json was changed after it was written." in first


@pytest.mark.parametrize(
    ("sentence", "named"),
    [
        ("samples.parquet is damaged or gone; the samples are read from samples.arrows.", ["samples.parquet"]),
        ("/data/order=1/run.json.d/ending.json is damaged.", ["ending.json"]),
        ("waveforms/test=0_point=1.parquet differs from its sum in SHA256SUMS.", ["waveforms/test=0_point=1.parquet"]),
        ("/data/SHA256SUMS is damaged: take it from a copy.", ["SHA256SUMS"]),
        ("letter.txt is not listed in SHA256SUMS: it was added later.", []),
        ("my-run.json was added later.", []),
        ("Point 3 of test 1 was cut off before its window was full and is left out.", []),
        ("report.pdf differs from its sum: take it from a copy.", []),
    ],
)
def test_the_file_that_a_sentence_blames_is_its_first(sentence: str, named: list[str]) -> None:
    assert raw_files_in([sentence]) == named


def test_two_files_that_differ_blame_the_first_unless_another_sentence_knows_better() -> None:
    differ = "samples.parquet has 260 rows and samples.arrows 240 readable ones."
    assert raw_files_in([differ]) == ["samples.parquet"]
    assert raw_files_in([differ, "Rows 120 to 139 of samples.arrows fail their checksum."]) == ["samples.arrows"]
