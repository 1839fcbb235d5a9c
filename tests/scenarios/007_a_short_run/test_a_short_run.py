"""A short programme from the first byte to the results, and the same results again."""

import hashlib
import json

import pytest

from benchd.app.command_line import main
from benchd.records import read_ending, verify
from tests.scenarios.on_the_wire import SHORT, a_run, at_rest, the_folder

pytestmark = pytest.mark.wires


def test_a_short_programme_completes_and_its_results_repeat_byte_for_byte(
    daemon, listening, control, tmp_path, capsys
) -> None:
    one = daemon(a_run(tmp_path, listening, SHORT))
    status, said = one.end()
    assert (status, one.sentences) == (0, [])
    assert at_rest(control.truth())
    folder = the_folder(tmp_path / "data")
    assert said == f"{folder}\n"
    assert read_ending(folder)["ending"] == "complete"

    sums = set()
    for _ in range(2):
        with pytest.raises(SystemExit) as ended:
            main(["evaluate", str(folder)])
        assert not ended.value.code
        sums.add(hashlib.sha256((folder / "results.json").read_bytes()).hexdigest())
        assert verify(folder) == []
    assert len(sums) == 1

    marks = {
        name: json.loads(
            (folder / name).read_text().splitlines()[0] if name.endswith("l") else (folder / name).read_text()
        )
        for name in ("run.json", "ending.json", "events.jsonl", "results.json")
    }
    assert {name: content["schema"] for name, content in marks.items()} == {
        **dict.fromkeys(marks, 1),
        "results.json": 2,
    }
    results = marks["results.json"]
    found = {one["name"]: one for test in results["tests"].values() for one in test["quantities"]}
    constant = found["voltage_constant"]
    # the specimen's own file: 0.0638 V·s is what the simulated machine was made with, give or take its temperature
    assert constant["value"] == pytest.approx(0.064, rel=0.05)
    printed = capsys.readouterr().out
    assert "  voltage constant" in printed
