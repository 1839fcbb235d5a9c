"""A run's folder that is no longer whole: evaluated as far as it goes, and what is missing is said in words.

Results and report both say it, and what was not damaged gives the numbers of the sound folder.
"""

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchd.analysis import monte_carlo
from benchd.app.paperwork import report_in_subprocess
from benchd.settings.places import configs_directory
from tests.app.conftest import PROGRAMME
from tests.app.ideal_run import record
from tests.report.pdf_text import Pdf
from tests.scenarios.short_run import Told, told_here
from tests.sensor_dates import never_overdue

UNLOADED, LOADED = 3, 10  # points of the two tests


@pytest.fixture(scope="module", autouse=True)
def quick() -> Iterator[None]:
    """Few draws for the intervals: nothing here hangs on them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(monte_carlo, "DRAWS", 1000)
        yield


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """An ideal run whose every number is known, evaluated and reported."""
    place = tmp_path_factory.mktemp("sound")
    site = never_overdue(shutil.copytree(configs_directory(), place / "site"))
    programme = site / "programmes/vent_flap_acceptance.toml"
    programme.write_text(PROGRAMME, encoding="utf-8")
    files = ("benches/greenhouse.toml", "motors/vent_flap_24v.toml", "setups/vent_flap.toml")
    bench, motor, setup = (str(site / name) for name in files)
    return told_here(record((bench, str(programme), motor, setup), place / "data"))


@pytest.fixture
def folder(sound: Told, tmp_path: Path) -> Path:
    """A copy of the sound folder, to be damaged."""
    return shutil.copytree(sound.folder, tmp_path / sound.folder.name)


def cut(file: Path) -> None:
    """As a disk that was full, or a copy that was broken off."""
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])


def flip(file: Path) -> None:
    """One bit in the middle."""
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 0x10
    file.write_bytes(content)


def points(found: Told) -> list[int]:
    return [point["number"] for point in found.results["tests"]["load"]["points"]]


def values(found: Told, test: str) -> dict[str, float | None]:
    return {one["name"]: one["value"] for one in found.results["tests"][test]["quantities"]}


def both_say(found: Told, *sentences: str) -> None:
    for sentence in sentences:
        assert sentence in found.notes()
        assert found.printed(sentence), sentence


def test_the_sound_folder_has_nothing_to_say(sound: Told) -> None:
    assert sound.notes() == ""
    assert not sound.printed("Missing or changed data")
    assert len(points(sound)) == LOADED


@pytest.mark.parametrize("damage", [cut, flip, Path.unlink])
def test_either_file_of_samples_gives_all_results(sound: Told, folder: Path, damage: Callable[[Path], None]) -> None:
    damage(folder / "samples.parquet")
    found = told_here(folder)
    both_say(found, "samples.parquet is damaged or gone; the samples are read from samples.arrows.")
    assert found.results["tests"] == sound.results["tests"]


def test_samples_that_are_cut_off_cost_the_points_behind_the_cut(sound: Told, folder: Path) -> None:
    (folder / "samples.parquet").unlink()
    cut(folder / "samples.arrows")
    found = told_here(folder)
    both_say(found, "samples.arrows is cut off", "samples.arrows differs from its sum in SHA256SUMS")
    assert 1 <= len(points(found)) < LOADED
    lost = ", ".join(str(number) for number in range(len(points(found)), LOADED))
    assert f"Points {lost}: the record holds no samples; nothing is known." in found.notes("load")
    assert found.printed("the record holds no samples")
    assert len(found.results["tests"]["no_load"]["points"]) == UNLOADED
    assert values(found, "load")["voltage_constant"] == pytest.approx(values(sound, "load")["voltage_constant"])


def test_one_flipped_bit_costs_the_samples_that_it_stands_in_and_no_others(sound: Told, folder: Path) -> None:
    (folder / "samples.parquet").unlink()
    flip(folder / "samples.arrows")
    found = told_here(folder)
    both_say(found, "of samples.arrows fail their checksum and are left out.")
    (lost,) = set(range(LOADED)) - set(points(found))
    assert f"Point {lost}: the record holds no samples; nothing is known." in found.notes("load")
    mine, whole = values(found, "load"), values(sound, "load")
    kept = [name for name in whole if name.startswith("point_") and not name.startswith(f"point_{lost:03d}")]
    assert len(kept) > 2 * LOADED
    assert all(mine[name] == pytest.approx(whole[name], rel=1e-6, abs=1e-6) for name in kept)


@pytest.mark.parametrize("gone", [("samples.arrows", "samples.parquet"), ("events.jsonl",), ("run.json",)])
def test_where_nothing_can_be_evaluated_the_report_says_that_its_results_are_older(
    sound: Told, folder: Path, gone: tuple[str, ...]
) -> None:
    for name in gone:
        (folder / name).unlink()
    found = told_here(folder)
    assert found.results == sound.results
    assert found.printed(f"The results are those of an earlier evaluation, which cannot be repeated now: {gone[0]}")


def test_without_samples_and_results_the_report_says_why_there_are_none(folder: Path) -> None:
    for name in ("samples.parquet", "samples.arrows", "results.json", "report.pdf"):
        (folder / name).unlink()
    text = Pdf(report_in_subprocess(folder).read_bytes()).text
    assert "samples.arrows cannot be read (No such file or directory): there are no samples." in text
    assert "results.json is missing" in text
    assert not (folder / "results.json").exists()


def test_results_that_are_gone_are_made_again_byte_for_byte(sound: Told, folder: Path) -> None:
    (folder / "results.json").unlink()
    assert told_here(folder).notes() == ""
    assert (folder / "results.json").read_bytes() == (sound.folder / "results.json").read_bytes()


@pytest.mark.parametrize("damage", [cut, flip])
def test_damaged_events_cost_the_points_that_they_told_of(
    sound: Told, folder: Path, damage: Callable[[Path], None]
) -> None:
    damage(folder / "events.jsonl")
    found = told_here(folder)
    both_say(found, "left out.", "events.jsonl differs from its sum in SHA256SUMS")
    lost = sorted(set(range(LOADED)) - set(points(found)))
    assert lost
    if damage is cut:
        numbers = ", ".join(map(str, lost))
        both_say(found, f"Samples of points {numbers} of test 1 stand without their event")
    assert len(found.results["tests"]["no_load"]["points"]) == UNLOADED


def test_sums_that_are_gone_stay_gone_and_are_said_every_time(folder: Path) -> None:
    (folder / "SHA256SUMS").unlink()
    first = told_here(folder)
    both_say(first, "SHA256SUMS is missing")
    assert told_here(folder).results == first.results


def test_a_changed_number_in_the_description_is_said(folder: Path) -> None:
    description = json.loads((folder / "run.json").read_text())
    gain = next(one for one in description["channels"] if one["name"] == "dc_voltage")["calibration"]
    gain["gain"] *= 1.001
    (folder / "run.json").write_text(json.dumps(description))
    both_say(told_here(folder), "run.json differs from its sum in SHA256SUMS")
