"""What a manual session leaves behind: a folder that says so, evaluates to no result and makes a report."""

import json
from pathlib import Path

import pytest

from benchd.app.evaluation import evaluate_folder
from benchd.app.report import make_report, read_material
from benchd.report.document import document
from benchd.rules.states import State
from tests.live.manual_bench import BRUSHED, BRUSHLESS, by_hand
from tests.live.twin_bench import Kind

pytestmark = pytest.mark.virtual_time


async def session(folder: Path, kind: Kind, *, lost: bool = False) -> Path:
    """The run folder of a short session, left or lost."""
    async with by_hand(folder, kind, record_in=folder / "data") as hand:
        hand.order("voltage_v", 12.0 if kind is BRUSHED else 48.0)
        await hand.sees("dc_voltage", 12.0 if kind is BRUSHED else 48.0, within=0.5)
        if kind is BRUSHLESS:
            hand.order("speed_rpm", 500.0)
            await hand.sees("shaft_speed", 500.0, within=10.0)
        if lost:
            hand.alive = False
            await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
            await hand.live.recording.quiet()
        else:
            hand.order("leave")
            assert await hand.on_twin.settle() is State.COMPLETE
    return next((folder / "data").glob("order=*/serial=*/*_manual"))


@pytest.mark.parametrize("kind", [BRUSHED, BRUSHLESS])
async def test_a_session_s_folder_says_so_and_is_evaluated_and_reported_without_a_result(
    tmp_path: Path, kind: Kind
) -> None:
    run = await session(tmp_path, kind)
    said = json.loads((run / "run.json").read_text())
    assert (said["mode"], said["programme"]) == ("manual", "manual")
    assert [test["kind"] for test in said["tests"]] == ["manual"]
    events = [json.loads(line) for line in (run / "events.jsonl").read_text().splitlines()]
    orders = [(one["by"], one["what"], one["value"]) for one in events if one["event"] == "ordered"]
    assert orders[0] == ("ines", "voltage_v", 12.0 if kind is BRUSHED else 48.0)
    assert orders[-1] == ("ines", "leave", None)
    evaluate_folder(run)
    results = json.loads((run / "results.json").read_text())
    manual = results["tests"]["manual"]
    assert manual["quantities"] == [] or manual["quantities"] == {}
    notes = " ".join(manual["notes"])
    assert "determines nothing" in notes
    assert "Furthest DC voltage: " in notes
    assert "has no evaluation" not in json.dumps(results)
    report = json.dumps(document(read_material(run), paper="a4"), ensure_ascii=False)
    assert "could not be made" not in report
    assert "ines ordered voltage" in report
    assert make_report(run).read_bytes().startswith(b"%PDF")


async def test_a_session_whose_hand_was_lost_has_a_fault_record_and_a_report(tmp_path: Path) -> None:
    run = await session(tmp_path, BRUSHLESS, lost=True)
    assert (run / "fault.parquet").exists()
    evaluate_folder(run)
    report = json.dumps(document(read_material(run), paper="a4"), ensure_ascii=False)
    assert "could not be made" not in report
    assert "never goes on alone" in report
