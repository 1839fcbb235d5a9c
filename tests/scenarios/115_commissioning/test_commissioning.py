"""A campaign on the simulated bench: limits, a loss and the permit provoked, answered, measured, written down."""

import contextlib
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from benchd.app.demo import device_options
from tests.report.pdf_text import Pdf
from tests.scenarios.on_the_wire import Control, a_bench, quick_bench, tied

pytestmark = pytest.mark.wires


def resetting(control: Control, until: threading.Event) -> None:
    """The person at the bench, who resets the chain whenever it is open and may be reset."""
    while not until.wait(0.2):
        if not control.truth()["permit"]:
            with contextlib.suppress(AssertionError):  # the heartbeat is not back yet
                control.ask("press", button="reset")


def test_every_provocation_is_answered_and_the_record_says_how_fast(tmp_path: Path) -> None:
    with a_bench() as (listening, control):
        bench = quick_bench(tmp_path)
        done = threading.Event()
        person = threading.Thread(target=resetting, args=(control, done))
        person.start()
        try:
            ended = subprocess.run(
                tied(
                    [
                        *(sys.executable, "-m", "benchd.app.command_line", "commission", str(bench), "--times", "1"),
                        *("--only", "shaft_torque above", "--only", "shaft_speed", "--only", "load_drive gives"),
                        *("--only", "permit", "--data", str(tmp_path), "--operator", "Odile Brandvold"),
                        *device_options(listening, bench),
                    ]
                ),
                env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)},
                capture_output=True,
                text=True,
                check=False,
                timeout=240.0,
            )
        finally:
            done.set()
            person.join()
        assert ended.returncode == 0, ended.stdout + ended.stderr
        paper = Path(ended.stdout.splitlines()[-1])
        truth = control.truth()
        assert not truth["supply_output_on"]
        assert not truth["load_drive_power_stage_on"]
        assert abs(truth["motor_speed_rpm"]) < 10.0
    record = json.loads(paper.with_name("commissioning.json").read_text(encoding="utf-8"))
    answers = {one["what"]: one for one in record["answers"]}
    assert all(one["as_wanted"] for one in answers.values()), answers
    cuts = [one for one in answers.values() if one["kind"] == "limit" and one["reaction"] == "cut"]
    assert len(cuts) >= 3
    for one in cuts:
        assert one["order_s"] <= one["expected_within_s"] + 0.5, one  # bounded; how fast is measured elsewhere
        assert one["what"].split(" ")[0] in one["cause"]
    assert answers["the permit is withdrawn"]["state"] == "Aborted"
    assert any("emergency stop" in one["title"] for one in record["not_provoked"])
    assert "were answered as wanted" in Pdf(paper.read_bytes()).text
