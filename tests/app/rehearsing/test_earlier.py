"""Which of the earlier runs' values a rehearsal takes, and which it leaves."""

import json
from pathlib import Path
from typing import Any

from benchd.app.loading import load_all
from benchd.app.rehearsing.earlier import refined
from benchd.app.rehearsing.plate import plate_of


def run_of(data: Path, name: str, motor: dict[str, Any], *, ending: str = "complete", **values: float) -> None:
    folder = data / "order=1" / "serial=1" / name
    folder.mkdir(parents=True)
    units = {"voltage_constant": "V·s/rad", "friction_torque_coulomb": "N·m"}
    quantities = [{"name": one, "unit": units[one], "value": value} for one, value in values.items()]
    for file, content in {
        "run.json": {"configuration": {"motor": motor}},
        "ending.json": {"ending": ending},
        "results.json": {"tests": {"no_load": {"kind": "no_load", "quantities": quantities}}},
    }.items():
        (folder / file).write_text(json.dumps(content), encoding="utf-8")


def test_the_newest_complete_run_of_the_type_gives_each_value_and_is_named(site, tmp_path: Path) -> None:
    bench, run = load_all(*site.files)
    assert run is not None
    plate, data = plate_of(bench, run.job.motor, run.job.setup), tmp_path / "data"
    own = {key: run.job.motor.document.data[key] for key in ("kind", "manufacturer", "type_designation")}
    stated = plate.motor.ke_v_s
    run_of(data, "20300101T000000.000Z_a", own, voltage_constant=1.05 * stated, friction_torque_coulomb=0.011)
    run_of(data, "20300102T000000.000Z_a", own, voltage_constant=1.02 * stated)
    run_of(data, "20300103T000000.000Z_a", {**own, "type_designation": "X"}, voltage_constant=1.1 * stated)
    run_of(data, "20300104T000000.000Z_a", own, ending="aborted", voltage_constant=1.2 * stated)
    run_of(data, "20300105T000000.000Z_a", own, voltage_constant=3.0 * stated)  # cannot be this motor's
    (data / "order=1/serial=1/20300106T000000.000Z_spoilt").mkdir()
    better, used = refined(plate, data, run.job.motor.document.data)
    assert better.motor.ke_v_s == 1.02 * stated
    assert better.motor.dry_friction_nm == 0.011
    assert {one["name"]: one["file"] for one in used} == {
        "ke_v_s": "order=1/serial=1/20300102T000000.000Z_a/results.json",
        "dry_friction_nm": "order=1/serial=1/20300101T000000.000Z_a/results.json",
    }


def test_without_earlier_runs_the_files_count(site, tmp_path: Path) -> None:
    bench, run = load_all(*site.files)
    assert run is not None
    plate = plate_of(bench, run.job.motor, run.job.setup)
    assert refined(plate, tmp_path / "nowhere", run.job.motor.document.data) == (plate, ())
