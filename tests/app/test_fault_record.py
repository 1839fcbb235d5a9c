"""A tripped run: results as without the fault record, a note and a page that lead to it, and sums that hold."""

import asyncio
import json
import shutil
from pathlib import Path

import pytest

from benchd.app.evaluation import evaluate_folder
from benchd.app.report import make_report, read_material
from benchd.live.virtual_time import run_virtual
from benchd.records import verify
from benchd.rules.states import State
from tests.live.twin_bench import running
from tests.report.pdf_text import Pdf

NOTE = "The fault record, every reading about the first cause as it arrived, is fault.parquet in the run folder."


@pytest.fixture(scope="module")
def tripped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a run that tripped on its torque; not to be changed."""
    place = tmp_path_factory.mktemp("tripped")

    async def story() -> None:
        async with running(place, record_in=place / "data") as bench:
            await bench.start()
            await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
            await asyncio.sleep(1.0)
            bench.rig.set_plant_fault("transducer_offset_nm", 1.9)
            assert await bench.settle() is State.ABORTED
            await bench.live.recording.quiet()

    run_virtual(story())
    (folder,) = (place / "data").glob("order=*/serial=*/*")
    return folder


@pytest.fixture
def folder(tripped: Path, tmp_path: Path) -> Path:
    return shutil.copytree(tripped, tmp_path / tripped.name)


def evaluated(folder: Path) -> dict:
    evaluate_folder(folder)
    return json.loads((folder / "results.json").read_text())


def test_the_results_say_where_it_is_and_are_otherwise_those_of_a_folder_without(folder: Path) -> None:
    with_record = evaluated(folder)
    (folder / "results.json").unlink()
    (folder / "fault.parquet").unlink()
    sums = folder / "SHA256SUMS"
    kept = [one for one in sums.read_text().splitlines() if "fault.parquet" not in one]
    sums.write_text("\n".join([*(one for one in kept if "results.json" not in one), ""]))
    without = evaluated(folder)
    assert NOTE in with_record["notes"]
    assert without["notes"] == [one for one in with_record["notes"] if one != NOTE]
    assert {**with_record, "notes": []} == {**without, "notes": []}
    assert with_record["tests"]["no_load"]["quantities"]


def test_the_folder_verifies_before_and_after_results_and_report_are_made(folder: Path) -> None:
    assert verify(folder) == []
    evaluate_folder(folder)
    first = make_report(folder).read_bytes()
    assert verify(folder) == []
    assert make_report(folder).read_bytes() == first


def test_the_report_has_its_page_from_the_record(folder: Path) -> None:
    evaluate_folder(folder)
    pdf = Pdf(make_report(folder).read_bytes())
    (page,) = [page for page in pdf.pages if "What tripped" in page]
    for told in ("shaft torque above 1.9", "supply off", "stage off", "braked", "standstill", "limit 1.9", "Execute"):
        assert told in page, told
    fault = read_material(folder).fault
    assert fault is not None
    speed = fault.channels["shaft_speed"]
    assert speed.value[speed.time_s < 0.0].min() > 500.0
    assert abs(speed.value[speed.time_s > 2.0]).max() < 20.0


def test_a_damaged_record_leaves_the_results_alone_and_is_named_in_the_report(folder: Path) -> None:
    sound = evaluated(folder)
    (folder / "fault.parquet").write_bytes(b"PAR1")
    again = evaluated(folder)
    assert again["tests"] == sound["tests"]
    assert again["decision"] == sound["decision"]
    material = read_material(folder)
    assert material.fault is None
    assert any(one.startswith("fault.parquet differs from its sum") for one in material.missing)
    assert any("There is no fault record" in page for page in Pdf(make_report(folder).read_bytes()).pages)
