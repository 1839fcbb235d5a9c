"""The set-up sheet stays one page whatever it has to say, and counts what it leaves out."""

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from benchd.report.setup_sheet import render_setup_sheet, setup_sheet

from .pdf_text import Pdf, squeezed

LONG = "an adapter of which somebody wrote down far more than anybody wants to read before power is on " * 5
UNBROKEN = "W" * 300


def played(title: str, **more: Any) -> dict[str, Any]:
    return {
        "title": title,
        "energised": True,
        "speed_rpm": 3000.0,
        "torque_nm": 2.5,
        "voltage_v": 48.0,
        "current_a": 32.6,
        "duration_s": 30.6,
        "ways": "clockwise",
        "ranges": [
            {"channel": "shaft_torque", "sensor": "torque transducer", "serial": "TT-2044", "full_scale_nm": 5.0}
        ],
        **more,
    }


def sheet(**more: Any) -> dict[str, Any]:
    return {
        "schema": 1,
        "on": "2026-11-28",
        "bench": "vineyard",
        "programme": "pump acceptance",
        "order": "A-2207",
        "serial": "4711",
        "operator": "Odile Brandvold",
        "files": ["vineyard.toml", "pump_acceptance.toml", "pump_48v.toml", "pump.toml"],
        "configuration_sha256": "0123456789abcdef" * 4,
        "software": {"benchd": "0.4.0"},
        "motor": {
            "kind": "brushed_dc",
            "type_designation": "LK24-80",
            "manufacturer": "Farnholt Kleinmotoren",
            "thermal_class": "B",
            "pole_pairs": None,
            "rated": {"voltage_v": 24.0, "current_a": 4.2, "speed_rpm": 3000.0, "torque_nm": 0.25, "power_w": 78.5},
        },
        "setup": {
            "adapter": "flange",
            "fuse_current_a": 16.0,
            "coupling": {"max_torque_nm": 2.5, "max_speed_rpm": 10000.0},
            "cable": {"resistance_ohm": 0.03},
            "transducer_zero": None,
        },
        "shaft_train": {"max_speed_rpm": 8000.0, "max_torque_nm": 2.5},
        "torque_overload_nm": None,
        "tests": [played("Load test")],
        "attended": False,
        "release_at_bench": False,
        "sources": {"dc_voltage": "measuring_unit ai1_v"},
        "ladder": [
            {"what": "supply set-point, highest", "value_v": 24.0},
            {"what": "over-voltage protection (hardware)", "value_v": 36.0},
        ],
        "generated": {
            "alternating": False,
            "top": {"speed_rpm": 3526.0, "peak_v": 24.0},
            "limit": {"speed_rpm": 4500.0, "peak_v": 30.6},
        },
        "currents": {"expected_a": 4.2, "planned_a": 5.1, "limit_a": 10.0, "fuse_a": 16.0},
        "critical": {"natural_hz": [], "bands_rpm": [], "top_rpm": 3526.0},
        "limits": [limit("shaft_speed")],
        "expected": [],
        "tolerance": {"ratio": 0.15, "least_ratio": 0.1, "least_current_a": 0.42, "least_power_w": 10.0},
        "sensors": [sensor(1)],
        **more,
    }


def limit(channel: str) -> dict[str, Any]:
    return {
        "channel": channel,
        "unit": "r/min",
        "low": -300.0,
        "high": 4500.0,
        "reaction": "ramp_down",
        "delay_s": 0.02,
    }


def sensor(number: int, **more: Any) -> dict[str, Any]:
    return {
        "sensor": f"resistance thermometer {number} of a place with a long name, by telemetry",
        "serial": f"PT-{number}",
        "due_on": "2028-03-31",
        "overdue": False,
        **more,
    }


def crowded() -> dict[str, Any]:
    return sheet(
        programme=LONG,
        order=UNBROKEN,
        serial=LONG,
        operator=LONG,
        files=[f"{UNBROKEN}.toml"] * 4,
        tests=[played(f"{number} {LONG}") for number in range(80)],
        limits=[limit(f"channel_{number}") for number in range(60)],
        sensors=[sensor(number, sensor=LONG, serial=UNBROKEN) for number in range(50)],
        setup={
            "adapter": LONG,
            "fuse_current_a": 16.0,
            "coupling": {"max_torque_nm": 2.5, "max_speed_rpm": 10000.0},
            "cable": {"resistance_ohm": 0.03},
            "transducer_zero": {"taken_on": "2026-11-20", "value_nm": 0.0005},
        },
        sources=dict.fromkeys(("dc_voltage", "winding_voltage", "winding_temperature"), UNBROKEN),
        critical={
            "natural_hz": [123.4, 567.8],
            "bands_rpm": [[100.0 * n, 100.0 * n + 50.0] for n in range(1, 30)],
            "top_rpm": 3e3,
        },
        attended=True,
        release_at_bench=True,
    )


def test_a_crowded_sheet_is_one_page_and_says_how_much_it_leaves_out() -> None:
    pdf = Pdf(render_setup_sheet(crowded()))
    assert len(pdf.pages) == 1
    text = squeezed(pdf.text)
    assert "moretests" in text
    assert "morechannels;benchdchecklistsall" in text
    assert "moresensors" in text
    shown = text.count("clockwise") - 3  # what the wiring says of the direction
    left_out = int(text.split("moretests")[0].rpartition("…and")[2])
    assert shown + left_out == 80


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext tells where the words stand")
@pytest.mark.parametrize("said", ["B", LONG * 12], ids=["a level holds it", "no level holds it"])
def test_every_word_lies_on_the_page_even_where_no_level_holds_it(tmp_path: Path, said: str) -> None:
    file = tmp_path / "sheet.pdf"
    file.write_bytes(render_setup_sheet(sheet(motor={**sheet()["motor"], "thermal_class": said})))
    told = subprocess.run(["pdftotext", "-bbox", str(file), "-"], capture_output=True, text=True, check=True).stdout
    ends = [float(end) for end in re.findall(r'<word [^>]*yMax="([\d.]+)"', told)]
    assert told.count("<page ") == 1
    assert ">0.4.0</word>" in told  # the foot, which is set last
    assert max(ends) < 841.9 - 17.0  # A4 in points, less half of its lower margin: a word's box reaches below its line


def test_a_sheet_with_room_leaves_nothing_out() -> None:
    text = squeezed(Pdf(render_setup_sheet(sheet())).text)
    assert "…and" not in text
    assert "Thespecimenneverturnsbyitselfhere." in text
    assert "Shafttwistsatnotstated" in text


def test_letters_that_no_font_has_are_printed_as_code_points() -> None:
    assert "⟨U+4E2D⟩" in Pdf(render_setup_sheet(sheet(order="中"))).text


@pytest.mark.parametrize("order", ["#panic()", "$x$", "*bold*", "\\", '"', "@ref"])
def test_nothing_that_somebody_wrote_is_markup(order: str) -> None:
    assert f"Order{order}" in squeezed(Pdf(render_setup_sheet(sheet(order=order))).text)


def test_what_has_no_calibration_stands_first_and_says_so() -> None:
    bare = {"sensor": "", "serial": "", "due_on": "", "overdue": True, "channels": ["shaft_torque"]}
    made = setup_sheet(sheet(sensors=[bare, sensor(1)]))
    assert made["sensors"]["rows"][0] == ["without calibration: shaft torque", "–", "no date"]
    assert made["overdue"] == [0]
    json.dumps(made, allow_nan=False)
