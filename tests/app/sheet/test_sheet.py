"""`benchd sheet`: what it says of the jobs that come along, one page each, and what it refuses."""

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest

from benchd.app.loading import load_all
from benchd.app.sheet.content import content
from benchd.settings.places import configs_directory

from ...report.pdf_text import Pdf, squeezed

FLAP = ("greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap")
PUMP = ("vineyard", "pump_acceptance", "pump_48v", "pump")
JOBS = (
    FLAP,
    PUMP,
    ("vineyard", "pump_duty_cycle", "pump_48v", "pump"),
    ("greenhouse", "reference_dc", "reference_dc_24v", "reference_dc"),
    ("reference_300v", "reference_pmsm", "reference_pmsm", "reference_pmsm"),
)
DAY = "2026-11-28"
BACK_AND_FORTH = """
schema = 1
name = "back and forth"

[[test]]
kind = "duty_cycle"
speed_by = "motor"
supply_voltage_v = 48.0

[[test.part]]
speed_rpm = { shape = "sine", offset = 0.0, amplitude = 200.0, period_s = 8.0, cycles = 1 }
torque_nm = { shape = "hold", at = 0.0 }
"""

pytestmark = pytest.mark.usefixtures("nothing_runs")


def sheet_of(job: tuple[str, str, str, str], *, on: str = DAY) -> dict[str, Any]:
    day = dt.date.fromisoformat(on)
    bench, run = load_all(*job, order="A-2207", serial="4711", operator="Odile Brandvold", on=day)
    assert run is not None
    return content(bench, run, on=day)


def made(typed, tmp_path: Path, *job: str, name: str = "sheet.pdf", **options: str) -> Pdf:
    given = {"--on": DAY, "--order": "A-2207", "--serial": "4711", **{f"--{key}": to for key, to in options.items()}}
    said = typed("sheet", *job, *(word for pair in given.items() for word in pair), "-o", str(tmp_path / name))
    assert said.status == 0, said.err
    return Pdf((tmp_path / name).read_bytes())


@pytest.mark.parametrize("job", JOBS, ids=lambda job: job[1])
def test_every_job_that_comes_along_gets_one_page_of_a4(typed, tmp_path: Path, job: tuple[str, ...]) -> None:
    pdf = made(typed, tmp_path, *job)
    assert len(pdf.pages) == 1
    assert pdf.media_boxes == {(595.3, 841.9)}
    text = squeezed(pdf.text)
    for words in ("Set-upsheet", "OrderA-2207", "Serialnumber4711", DAY, "benchd"):
        assert words in text
    for part in ("Onthebench", "Directionandwiring", "Beforepower", "Checkedbyanotherperson", "Mountedandwiredby"):
        assert part in text


def test_the_ladder_of_voltages_is_that_of_the_bench_file() -> None:
    # greenhouse.toml: programme to 24 V, sink from 30 V, limit on link_voltage 34 V, protection 36 V, component 50 V
    assert [rung["value_v"] for rung in sheet_of(FLAP)["ladder"]] == [24.0, 30.0, 34.0, 36.0, 50.0]
    rungs = sheet_of(PUMP)["ladder"]
    assert [rung["value_v"] for rung in rungs][:2] == [48.0, 54.0]
    assert [rung["value_v"] for rung in rungs][-2:] == [58.0, 63.0]


def test_magnets_make_the_square_root_of_two_times_their_rms_voltage() -> None:
    # 7.7 V rms per 1000 r/min: 23.1 V rms at 3000 r/min, of which the peak is 32.668 V; 43.558 V at the limit, 4000
    found = sheet_of(PUMP)["generated"]
    assert found["alternating"]
    assert found["top"] == {"speed_rpm": 3000.0, "peak_v": pytest.approx(32.668, abs=1e-3)}
    assert found["limit"] == {"speed_rpm": 4000.0, "peak_v": pytest.approx(43.558, abs=1e-3)}


def test_a_brushed_motor_generates_its_constant_times_its_speed() -> None:
    # 0.065 V·s at 4500 r/min, 471.24 rad/s, are 30.63 V
    found = sheet_of(FLAP)["generated"]
    assert not found["alternating"]
    assert found["limit"] == {"speed_rpm": 4500.0, "peak_v": pytest.approx(30.63, abs=0.01)}


def test_the_fuse_stands_beside_what_is_expected_planned_and_limited() -> None:
    # vent flap: 0.25 N·m are the plate's 4.2 A; planned with 0.25 / 0.065 + 0.3 · 4.2 A = 5.106 A; motor bears 10 A
    found = sheet_of(FLAP)["currents"]
    assert found["expected_a"] == pytest.approx(4.2, abs=1e-6)
    assert found["planned_a"] == pytest.approx(5.106, abs=1e-3)
    assert (found["limit_a"], found["fuse_a"]) == (10.0, 16.0)


def test_the_page_says_the_numbers_that_were_worked_out_by_hand(typed, tmp_path: Path) -> None:
    text = squeezed(made(typed, tmp_path, *PUMP).text)
    assert "generatedat3000r/min(topspeed)32.7V" in text
    assert "23.1Vrmsattopspeed" in text
    assert "bears9N·mand8000r/min" in text
    assert "40AintheDClinetotheconverter" in text
    assert "1N·m(TT-2044)then5N·m(TT-2044)" in text
    assert "noload3000048" in text
    assert "Estimatesfromtheratingplate,nomeasurement" in text
    assert "Over-voltageprotectionreadsback58V" in text
    assert "Safetorqueoff(STO)isnoisolation" in text


def test_above_60_volts_the_page_forbids_touching_and_below_it_does_not(typed, tmp_path: Path) -> None:
    high = squeezed(made(typed, tmp_path, *JOBS[-1], name="high.pdf").text)
    low = squeezed(made(typed, tmp_path, *FLAP, name="low.pdf").text)
    assert "Upto380V:above60VDC(brokenline)nothingmaybetouched" in high
    assert "nothingmaybetouched" not in low
    assert "Directvoltagestaysbelow60V" in low


def test_each_test_has_the_ranges_that_it_may_be_evaluated_by(site) -> None:
    def ranges() -> list[list[float]]:
        tests = sheet_of(tuple(str(site.root / f"{kind}/{name}.toml") for kind, name in places))["tests"]  # type: ignore[arg-type]
        return [[one["full_scale_nm"] for one in test["ranges"]] for test in tests]

    places = tuple(zip(("benches", "programmes", "motors", "setups"), PUMP, strict=True))
    assert ranges() == [[], *[[1.0, 5.0]] * 5]
    site.change("programmes/pump_acceptance.toml", 'torque_range = "auto"', 'torque_range = "wide"')
    assert ranges()[4] == [5.0]


def test_only_the_torque_zero_turns_both_ways() -> None:
    assert [(one["title"], one["ways"]) for one in sheet_of(PUMP)["tests"]][:4] == [
        ("Winding resistance", "stands"),
        ("Torque zero", "both ways"),
        ("Back-EMF test", "clockwise"),
        ("No-load test", "clockwise"),
    ]


def test_a_duty_cycle_is_expected_where_its_course_leads_and_says_which_way_it_turns() -> None:
    # the course's most loaded point holds 1.6 N·m at 2400 r/min: 402.1 W at the shaft, 39.93 · (1.6 / 2.39)² = 17.9 W
    # of copper, 54.03 · 0.8 = 43.2 W of the rest
    found = sheet_of(JOBS[2])
    assert [one["ways"] for one in found["tests"]] == ["clockwise"]
    most = found["expected"][-1]
    assert (most["speed_rpm"], most["torque_nm"]) == (2400.0, pytest.approx(1.6))
    assert most["power_w"] == pytest.approx(463.2, abs=0.2)
    assert {"TT-2044", "EN-1190", "CS-0087", "PA-0309"} <= {one["serial"] for one in found["sensors"]}


def test_a_course_through_standstill_turns_both_ways(site) -> None:
    places = zip(("benches", "programmes", "motors", "setups"), JOBS[2], strict=True)
    files = tuple(str(site.root / f"{kind}/{name}.toml") for kind, name in places)
    (site.root / "programmes/pump_duty_cycle.toml").write_text(BACK_AND_FORTH, encoding="utf-8")
    assert [one["ways"] for one in sheet_of(files)["tests"]] == ["both ways"]  # type: ignore[arg-type]


def test_every_programme_that_comes_along_is_among_the_jobs_above() -> None:
    there = {file.stem for file in (configs_directory() / "programmes").glob("*.toml")}
    assert there == {programme for _, programme, _, _ in JOBS}


def test_the_limits_begin_with_what_holds_the_shaft_and_leave_out_what_only_tells() -> None:
    rows = {row["channel"]: row for row in sheet_of(FLAP)["limits"]}
    assert list(rows)[:4] == ["shaft_speed", "shaft_torque", "dc_current", "link_voltage"]
    assert set(list(rows)[4:6]) == {"winding_temperature", "winding_heat"}
    assert (rows["shaft_speed"]["low"], rows["shaft_speed"]["high"]) == (-300.0, 4500.0)
    assert (rows["dc_current"]["high"], rows["dc_current"]["reaction"]) == (10.0, "cut")
    assert "ambient_temperature" not in rows  # warn only


def test_the_natural_frequencies_are_there_and_the_bands_to_be_crossed() -> None:
    # 497 Hz: 1.1e-4 + 2e-6 against 2e-4 + 2e-6 kg·m² on 700 N·m/rad alone would be 496 Hz ("critical" has the rest)
    found = sheet_of(FLAP)["critical"]
    assert found["natural_hz"][0] == pytest.approx(497.0, rel=0.05)
    assert sheet_of(PUMP)["critical"]["bands_rpm"]


def test_the_same_inputs_and_day_give_the_same_bytes(typed, tmp_path: Path) -> None:
    one, other = (made(typed, tmp_path, *PUMP, name=name).content for name in ("one.pdf", "other.pdf"))
    assert one == other
    assert made(typed, tmp_path, *PUMP, on="2026-11-29").content != one


def test_an_overdue_sensor_is_told_as_such_on_the_day_that_was_stated(typed, tmp_path: Path) -> None:
    assert "overdue" not in squeezed(made(typed, tmp_path, *FLAP).text).replace("noneoverdue", "")
    late = squeezed(made(typed, tmp_path, *FLAP, name="late.pdf", on="2028-04-01").text)
    assert late.count("2028-03-31,overdue") == len([one for one in sheet_of(FLAP)["sensors"] if one["due_on"]])


def test_what_check_refuses_gets_no_sheet(typed, site, tmp_path: Path) -> None:
    site.change("programmes/vent_flap_acceptance.toml", "24.0]", "31.0]")
    refused = typed("check", *site.files)
    said = typed("sheet", *site.files, "-o", str(tmp_path / "none.pdf"))
    assert (said.status, said.sentence) == (78, refused.sentence)
    assert "must stay below 30 V" in said.sentence
    assert not (tmp_path / "none.pdf").exists()


def test_a_job_that_asks_for_more_than_there_is_gets_no_sheet(typed, site, tmp_path: Path) -> None:
    site.change("setups/vent_flap.toml", "fuse_current_a = 16.0", "fuse_current_a = 4.0")
    said = typed("sheet", *site.files, "-o", str(tmp_path / "none.pdf"))
    assert said.status == 78
    assert "vent_flap.toml" in said.sentence
    assert "allows 4 A" in said.sentence
    assert not (tmp_path / "none.pdf").exists()


def test_an_overdue_sensor_refuses_where_the_bench_file_says_so(typed, site, tmp_path: Path) -> None:
    for file in (site.root / "sensors").glob("*.toml"):  # long past, so that only the stated day can be in time
        text = re.sub(r"calibrated_on = .*", "calibrated_on = 2020-01-31", file.read_text(encoding="utf-8"))
        file.write_text(re.sub(r"due_on = .*", "due_on = 2021-01-31", text), encoding="utf-8")
    site.change("benches/greenhouse.toml", "[dc_link]", '[calibration]\noverdue = "refuse"\n\n[dc_link]')
    assert typed("sheet", *site.files, "--on", "2021-01-31", "-o", str(tmp_path / "in_time.pdf")).status == 0
    said = typed("sheet", *site.files, "--on", "2021-02-01", "-o", str(tmp_path / "late.pdf"))
    assert said.status == 78
    assert "was due on 2021-01-31" in said.sentence


def test_a_file_that_is_no_pdf_is_not_overwritten(typed, tmp_path: Path) -> None:
    mine = tmp_path / "bench.toml"
    mine.write_text("schema = 1\n", encoding="utf-8")
    said = typed("sheet", *FLAP, "--on", DAY, "-o", str(mine))
    assert said.status == 1
    assert said.sentence == f"{mine} is there and is no PDF: give the sheet another name."
    assert mine.read_text(encoding="utf-8") == "schema = 1\n"


def test_a_day_that_is_none_and_a_missing_file_are_wrong_use(typed) -> None:
    said = typed("sheet", *FLAP, "--on", "31.12.2026")
    assert (said.status, said.sentence) == (
        2,
        "--on 31.12.2026 is not a day: write it as YYYY-MM-DD, such as 2026-03-31.",
    )
    assert typed("sheet", *FLAP[:3]).sentence.endswith("see benchd sheet --help.")


def test_without_a_name_the_sheet_is_called_after_order_and_serial_number(
    typed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    said = typed("sheet", *FLAP, "--on", DAY, "--order", "A/22", "--serial", "47 11")
    assert said.out.strip() == "setup_sheet_A-22_47-11.pdf"
    assert (tmp_path / "setup_sheet_A-22_47-11.pdf").read_bytes().startswith(b"%PDF-")
