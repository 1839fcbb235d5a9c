"""`benchd explain`: what it prints can be followed with a pocket calculator, and a wrong name is answered."""

import math
import re
from pathlib import Path

import pytest

from .ideal_run import FRICTION_NM, KE_V_S, OHM, ZERO_NM, at_point, record


@pytest.fixture
def ideal(site, tmp_path: Path) -> Path:
    return record(site.files, tmp_path / "data")


def test_the_way_from_sample_to_result_is_shown_and_its_numbers_are_those_of_the_motor(ideal: Path, typed) -> None:
    said = typed("explain", str(ideal), "load.efficiency_at_rated_torque")
    assert said.status == 0, said.err
    current_a = (0.25 + FRICTION_NM) / KE_V_S
    speed_rad_s = (24.0 - OHM * current_a) / KE_V_S
    truth = 0.25 * speed_rad_s / (24.0 * current_a)
    value, expanded = map(float, re.search(r"\(([\d.]+) ± ([\d.]+)\)", said.out).groups())
    assert value == pytest.approx(truth, abs=expanded)
    means = mean_table(said.out, "shaft_torque, N·m")
    assert means[4] == pytest.approx(at_point(voltage_v=24.0, torque_nm=0.25)["shaft_torque"], rel=1e-6)
    assert "0.2 N·m/V · signal" in said.out  # the calibration's line
    assert f"less the zero {ZERO_NM:g}" in said.out
    assert "HL-2026-0320" in said.out  # the certificate


def mean_table(text: str, heading: str) -> dict[int, float]:
    """The column of means under a channel's heading, by point."""
    block = text.partition(f"From sample to mean: {heading}")[2].partition("\n\n")[0]
    rows = re.findall(r"^ +(\d+)  \d\d:\d\d:\S+ +\d\d:\d\d:\S+ +(\d+) +(\S+)", block, re.MULTILINE)
    assert all(count == "50" for _, count, _ in rows)
    return {int(point): float(mean) for point, _, mean in rows}


def test_the_contributions_shown_add_up_to_the_standard_uncertainty_above_them(ideal: Path, typed) -> None:
    out = typed("explain", str(ideal), "load.efficiency_at_rated_torque").out
    standard = float(re.search(r"standard uncertainty ([\d.e-]+)", out).group(1))
    sizes = [float(one) for one in re.findall(r"^ +\S.*?  +([\d.e-]+) +[\d.]+%$", out, re.MULTILINE)]
    assert sizes[-1] == pytest.approx(standard, rel=0.01)
    assert math.hypot(*sizes[:-1]) == pytest.approx(standard, rel=0.02)


def test_a_quantity_without_a_number_is_explained_by_its_reason(site, tmp_path: Path, typed) -> None:
    folder = record(site.files, tmp_path / "data", seconds=0.02)  # two samples a point
    said = typed("explain", str(folder), "load.efficiency_at_rated_torque")
    assert said.status == 0
    assert "not determined: " in said.out


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("efficency_at_rated_torque", "did you mean load.efficiency_at_rated_torque"),
        ("winding_temperature", "several tests"),
        ("xyzzy", "it has "),
    ],
)
def test_a_name_that_is_not_there_gets_one_sentence(ideal: Path, typed, asked: str, words: str) -> None:
    said = typed("explain", str(ideal), asked)
    assert said.status == 1
    assert words in said.sentence
    assert ".point_" not in said.sentence
