"""The command as it is typed: what it says, how it ends, what it leaves behind."""

import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from benchd.records import unfinished_runs, verify
from benchd.report.rehearsal import MARK

INPUTS = (
    "inputs = { guard_closed = 0, estop_released = 1, remote_selected = 2, torque_enabled = 3, permit = 4, "
    "release_pressed = 5 }"
)
WARM = """[[limits]]
channel = "winding_temperature"
high = 23.3
delay_s = 0.0
reaction = "ramp_down"
"""


def rehearsed(typed, site, data: Path, *more: str) -> tuple[Any, Path | None, Mapping[str, Any]]:
    """What was said, the folder and its results."""
    said = typed("rehearse", *site.files, "--data", str(data), "--order", "A 7", *more)
    folders = list(data.glob("rehearsals/order=*/serial=*/*"))
    if not folders:
        return said, None, {}
    assert len(folders) == 1
    return said, folders[0], json.loads((folders[0] / "results.json").read_text(encoding="utf-8"))


def test_a_programme_that_completes_leaves_a_marked_folder_that_is_no_run(typed, site, tmp_path: Path) -> None:
    data = tmp_path / "data"
    said, folder, results = rehearsed(typed, site, data)
    assert (said.status, said.err) == (0, "")
    assert folder is not None
    assert said.out.startswith("REHEARSAL: The programme completes within ")
    assert str(folder / "report.pdf") in said.out
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert run["rehearsal"]["twin"] == results["rehearsal"]["twin"] == "rig"
    assert results["decision"] is None
    assert results["rehearsal"]["completes"] is True
    assert results["rehearsal"]["unreachable"] == []
    assert verify(folder) == []
    assert unfinished_runs(data) == []
    assert list(data.glob("order=*")) == []
    assert list((data / "rehearsals").glob(".playing-*")) == []
    assert not (tmp_path / "runtime").exists()  # nobody locked the bench


def test_peaks_energies_and_temperatures_are_those_of_the_samples(typed, site, tmp_path: Path) -> None:
    _, _, results = rehearsed(typed, site, tmp_path / "data")
    found = results["rehearsal"]
    speed = next(one for one in found["limits"] if (one["channel"], one["bound"]) == ("shaft_speed", "high"))
    assert speed["limit"] == 4500.0
    assert 3000.0 < speed["peak"] < 4500.0  # 24 V without load
    assert speed["share"] == pytest.approx(speed["peak"] / 4500.0)
    assert 0.0 < speed["at_s"] < found["duration_s"]
    energies = {one["where"]: one["given_ws"] for one in found["energies"]}
    assert energies["supply"] >= energies["specimen, DC side"] > energies["shaft"] > 0.0
    winding = next(one for one in found["temperatures"] if one["channel"] == "winding_temperature")
    assert winding["highest_degc"] > winding["first_degc"]


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext tells what stands on a page")
def test_every_page_says_that_it_is_a_rehearsal(typed, site, tmp_path: Path) -> None:
    _, folder, _ = rehearsed(typed, site, tmp_path / "data")
    assert folder is not None
    told = subprocess.run(
        ["pdftotext", str(folder / "report.pdf"), "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = told.split("\f")[:-1]
    assert len(pages) > 3
    assert all(page.count(MARK) >= 2 for page in pages)
    assert "2000-01-01" not in told  # of no day


def test_the_same_rehearsal_gives_the_same_bytes_in_another_process_zone_and_place(site, tmp_path: Path) -> None:
    made = []
    for number, zone in enumerate(("Pacific/Auckland", "America/Lima")):
        data = tmp_path / f"data{number}"
        subprocess.run(
            [sys.executable, "-m", "benchd.app.command_line", "rehearse", *site.files, "--data", str(data)],
            env={**os.environ, "TZ": zone, "PYTHONHASHSEED": str(number)},
            check=True,
            capture_output=True,
        )
        made.append({file.relative_to(data): file.read_bytes() for file in data.rglob("*") if file.is_file()})
    assert made[0].keys() == made[1].keys()
    assert {file.name for file in made[0]} >= {"report.pdf", "results.json", "samples.parquet", "events.jsonl"}
    assert [file for file in made[0] if made[0][file] != made[1][file]] == []


def test_the_same_again_takes_the_place_of_the_first_and_another_programme_does_not(
    typed, site, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    for _ in range(2):
        rehearsed(typed, site, data)
    site.change("programmes/vent_flap_acceptance.toml", "0.20, 0.25]", "0.20]")
    typed("rehearse", *site.files, "--data", str(data), "--order", "A 7")
    assert len(list(data.glob("rehearsals/order=*/serial=*/*"))) == 2


def test_people_are_stood_in_for_and_it_is_said_who_answered(typed, site, tmp_path: Path) -> None:
    file = "programmes/vent_flap_acceptance.toml"
    site.change(file, 'name = "acceptance"', 'name = "acceptance"\nattended = true')
    site.change(file, 'kind = "load"', 'kind = "load"\nconfirm = "Is the fan off?"')
    site.change("benches/greenhouse.toml", "# release_at_bench = true", "release_at_bench = true")
    site.change("benches/greenhouse.toml", "port = 45031", f"port = 45031\n{INPUTS}")
    told = []
    for number in range(2):
        said, folder, _ = rehearsed(typed, site, tmp_path / f"data{number}")
        assert (said.status, said.err) == (0, "")
        assert folder is not None
        told.append((folder / "events.jsonl").read_text(encoding="utf-8"))
    events = [json.loads(line) for line in told[0].splitlines()]
    answered = next(event for event in events if event["event"] == "answered")
    assert (answered["answer"], answered["by"]) == ("yes", "the stand-in of the rehearsal")
    assert any(event["event"] == "release_given" for event in events)
    assert told[0] == told[1]  # no number of this process is in an answer


def test_a_programme_that_trips_says_which_limit_when_and_where(typed, site, tmp_path: Path) -> None:
    site.change("programmes/vent_flap_acceptance.toml", "[[limits]]", f"{WARM}\n[[limits]]")
    said, _, results = rehearsed(typed, site, tmp_path / "data")
    assert said.status == 3
    trip = results["rehearsal"]["trip"]
    assert f"The programme would trip {trip['at_s']:.1f} s after its start, in Load test (test 2)" in said.out
    assert "winding_temperature above 23.3 °C" in said.out
    assert "programmes/vent_flap_acceptance.toml" in trip["cause"]
    assert results["rehearsal"]["completes"] is False
    crossed = next(one for one in results["rehearsal"]["limits"] if one["limit"] == 23.3)
    assert crossed["share"] > 1.0
    assert crossed["at_s"] == pytest.approx(trip["at_s"], abs=1.0)
    assert [one["ended"] for one in results["rehearsal"]["tests"]] == [True, False]


def test_a_point_that_never_settles_is_told(typed, site, tmp_path: Path) -> None:
    site.change(
        "programmes/vent_flap_acceptance.toml",
        "torque_slope_nm_per_s = 0.1",
        "torque_slope_nm_per_s = 0.1\nspeed_band_rpm = 0.001\nsettle_time_s = 0.4\naverage_time_s = 0.4",
    )
    said, _, results = rehearsed(typed, site, tmp_path / "data")
    assert said.status == 0
    told = [one["sentence"] for one in results["rehearsal"]["unreachable"] if one["title"] == "Load test"]
    assert any("did not settle within 0.001 r/min" in one for one in told)


def test_a_rehearsal_opens_no_socket_of_its_own(typed, site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket.socket, "__init__", never)
    monkeypatch.setattr(socket, "socketpair", never)
    said, _, _ = rehearsed(typed, site, tmp_path / "data")
    assert (said.status, said.err) == (0, "")


def test_a_specimen_that_nobody_simulates_is_refused_in_one_sentence(typed, site, tmp_path: Path) -> None:
    said, folder, _ = rehearsed(typed, site, tmp_path / "data", "--specimen", "nobody")
    assert said.status == 78
    assert "has no specimen 'nobody'" in said.sentence
    assert "vent_flap_24v" in said.sentence
    assert folder is None


def test_a_device_that_the_simulated_bench_lacks_is_named_with_its_place(typed, site, tmp_path: Path) -> None:
    line = site.change("benches/greenhouse.toml", "[devices.cabinet_thermometers]", "[devices.cabinet]")
    text = (site.root / "benches/greenhouse.toml").read_text(encoding="utf-8")
    text = text.replace("devices.cabinet_thermometers", "devices.cabinet").replace('"cabinet_thermometers', '"cabinet')
    (site.root / "benches/greenhouse.toml").write_text(text, encoding="utf-8")
    said, _, _ = rehearsed(typed, site, tmp_path / "data", "--specimen", "vent_flap_24v")
    assert said.status == 78
    assert "has no device 'cabinet'" in said.sentence
    assert f"greenhouse.toml:{line + 1}" in said.sentence


def test_a_file_that_does_not_fit_is_refused_as_by_serve(typed, site, tmp_path: Path) -> None:
    site.change("programmes/vent_flap_acceptance.toml", "supply_voltage_v = 24.0", "supply_voltage_v = 240.0")
    said, folder, _ = rehearsed(typed, site, tmp_path / "data")
    assert (said.status, folder) == (78, None)
    assert "programmes/vent_flap_acceptance.toml" in said.sentence
