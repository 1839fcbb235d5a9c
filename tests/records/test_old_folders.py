"""Folders written by older releases stay readable. The files under fixtures/ are never written again.

The expected numbers are those that the rows were made from, written out here.
"""

import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter

from benchd.records import read_description, read_ending, read_events, read_samples, recover, verify
from benchd.rules.channels import Channel

SCHEMA_1 = Path(__file__).with_name("fixtures") / "schema_1"


@pytest.fixture(params=["parquet", "stream", "stream without its own column names"])
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    copy = tmp_path / "copy"
    shutil.copytree(SCHEMA_1, copy)
    if request.param != "parquet":
        (copy / "samples.parquet").unlink()
    if request.param == "stream without its own column names":
        stream = copy / "samples.arrows"
        stream.write_bytes(bytes(64) + stream.read_bytes()[64:])
    return copy


def test_the_samples_of_schema_1_are_read(folder: Path) -> None:
    found = read_samples(folder)
    assert found.units == {"shaft_torque": "N·m", "winding_temperature": "°C"}
    assert found.time_mono_s.tolist() == [5000.0 + k * 0.005 for k in range(10)]
    assert found.state.tolist() == [6] * 10
    assert found.test.tolist() == [-1] * 4 + [0] * 6
    assert found.point.tolist() == [-1] * 4 + [0, 1, 2, 3, 4, 5]
    assert found.values["shaft_torque"].tolist() == [0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.25]
    assert np.isnan(found.values["winding_temperature"][:3]).all()
    assert found.values["winding_temperature"][3:].tolist() == [23.0, 24.0, 25.0, 26.0, 27.0, 28.0, 29.0]
    assert found.ages_s["winding_temperature"].tolist() == [math.inf] * 3 + [0.5] * 7
    assert found.quality["winding_temperature"].tolist() == [4] * 3 + [0] * 7
    assert {found.time_mono_s.dtype.str, found.ages_s["shaft_torque"].dtype.str} == {"<f8", "<f4"}


def test_description_events_and_ending_of_schema_1_are_read() -> None:
    run = read_description(SCHEMA_1)
    assert (run["order"], run["serial"], run["operator"]) == ("A-1042", "0007", "Ada Morrow")
    assert run["tests"] == [{"index": 0, "kind": "no_load", "settings": {"speed_rpm": 1500.0}}]
    channels = TypeAdapter(list[Channel]).validate_python(run["channels"])
    calibration = channels[0].calibration
    assert calibration is not None
    assert calibration.gain == 2.0
    assert calibration.contributions[0].degrees_of_freedom == math.inf
    assert [(event["event"], event["utc"]) for event in read_events(SCHEMA_1)] == [
        ("state", "2026-11-25T10:34:00.000000Z"),
        ("warning", "2026-11-25T10:34:00.030000Z"),
    ]
    ending = read_ending(SCHEMA_1)
    assert ending is not None
    assert (ending["ending"], ending["utc"]) == ("stopped", "2026-11-25T10:34:00.050000Z")


def test_a_folder_of_schema_1_verifies_and_needs_no_recovery(tmp_path: Path) -> None:
    assert verify(SCHEMA_1) == []
    copy = tmp_path / "copy"
    shutil.copytree(SCHEMA_1, copy)
    assert recover(copy).sentences == ()
    assert {p.name: p.read_bytes() for p in copy.iterdir()} == {p.name: p.read_bytes() for p in SCHEMA_1.iterdir()}
