"""Runs of a brushless motor with something wrong at its leads and sensors: nonsense comes with its likely suspect."""

import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.scenarios.on_the_wire import Control, a_bench, at_rest
from tests.scenarios.short_run import Ended, Told, quick_configs, serve, told_here

pytestmark = pytest.mark.wires

FILES = ("vineyard", "pump_48v", "pump")
LOAD = """
schema = 1
name = "loaded"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 1500.0
torques_nm = [0.5, 0.9]
torque_slope_nm_per_s = 4.0
torque_range = "auto"
settle_time_s = 0.3
average_time_s = 0.7
speed_band_rpm = 20.0
capture_s = 0.2
"""
# no speed stays within this, and the transducer's narrow range ends at 1 N·m
POOR = LOAD.replace('"auto"', '"narrow"').replace("20.0", "0.0001").replace("loaded", "poor")
GAIN_ERROR = 0.3  # of the transducer: 0.9 N·m are too much for the narrow range


@pytest.fixture(scope="module")
def bench() -> Iterator[tuple[Mapping[str, Any], Control]]:
    with a_bench("pump_48v") as places_and_control:
        yield places_and_control


@pytest.fixture(scope="module")
def configs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return quick_configs(tmp_path_factory.mktemp("leads"), FILES[0])


@pytest.fixture(scope="module")
def poor(configs: Path, bench: tuple[Mapping[str, Any], Control]) -> Told:
    """No speed that settles, a torque range that saturates, a sense lead that is off."""
    control = bench[1]
    control.ask("plant_fault", name="transducer_gain_error", value=GAIN_ERROR)
    control.ask("plant_fault", name="sense_lead_open", on=True)
    ended = serve(configs, bench, POOR, files=FILES, data="poor")
    if ended.status == 3:  # a steep swing in its last stop may open the chain, see "Known gaps"
        control.ask("press", button="reset")
        ended = serve(configs, bench, POOR, files=FILES, data="poor again")
    control.ask("plant_fault", name="transducer_gain_error", value=0.0)
    control.ask("plant_fault", name="sense_lead_open", on=False)
    assert (ended.status, ended.sentences) == (0, [])
    return ended.told()


@pytest.fixture(scope="module")
def swapped(configs: Path, bench: tuple[Mapping[str, Any], Control]) -> Ended:
    """Two of the specimen's phase leads are exchanged."""
    control = bench[1]
    control.ask("plant_fault", name="phases_swapped", on=True)
    ended = serve(configs, bench, LOAD, files=FILES, data="swapped")
    assert at_rest(control.truth())
    control.ask("plant_fault", name="phases_swapped", on=False)
    return ended


def test_a_speed_that_never_settled_is_said(poor: Told) -> None:
    for words in ("shaft_speed did not settle within 0.0001 r/min", "The speed never settled within 0.0001 r/min"):
        assert words in poor.notes("load")
        assert poor.printed(words)


def test_a_torque_range_that_saturates_is_said_and_its_points_have_no_torque(poor: Told) -> None:
    words = "torque_range = 'narrow' leaves 2 of the points without torque, because that range is overloaded there"
    assert words in poor.notes("load")
    assert poor.printed(words)
    having = [one["number"] for one in poor.results["tests"]["load"]["points"] if "torque" in one["values"]]
    assert having == [0, 3]


def test_a_transducer_whose_scale_is_wrong_is_a_suspect(poor: Told) -> None:
    words = "the shaft gives more power than the terminals take"
    assert words in poor.notes("load")
    assert "the torque's scale" in poor.notes("load")
    assert poor.printed(words)


def test_a_sense_lead_that_is_off_costs_the_converter_s_numbers_only(poor: Told) -> None:
    words = "dc_voltage: all samples are not a number, stale or missing (its sense lead is the likely suspect)"
    assert words in poor.notes("load")
    assert poor.printed(words)
    assert poor.quantity("load", "point_000_input_power")["value"] > 50.0
    names = [one["name"] for one in poor.results["tests"]["load"]["quantities"] if one["value"] is not None]
    assert not any("converter" in name or "system" in name for name in names)


def test_too_few_points_give_no_best_efficiency(poor: Told) -> None:
    found = poor.quantity("load", "maximum_efficiency")
    assert found["value"] is None
    assert "four or more torque steps" in found["reason"]
    assert poor.printed("four or more torque steps")


def test_exchanged_phase_leads_refuse_the_start_and_the_report_says_what_to_look_at(swapped: Ended) -> None:
    found = swapped.told()
    assert swapped.status == 1
    words = "flow in each phase: look for two exchanged phase leads"
    assert words in " ".join(swapped.sentences)
    assert found.printed(words)
    assert found.quantity("load", "efficiency_at_rated_torque")["value"] is None
    assert "counts the wrong way" not in found.notes("load")
    assert "voltage leads" not in found.notes("load")


@pytest.mark.parametrize("damage", ["gone", "flipped", "cut"])
def test_a_captured_window_that_is_damaged_is_said_and_costs_nothing_else(
    poor: Told, tmp_path: Path, damage: str
) -> None:
    folder = shutil.copytree(poor.folder, tmp_path / poor.folder.name)
    window = folder / "waveforms/test=0_point=1.parquet"
    content = bytearray(window.read_bytes())
    if damage == "gone":
        window.unlink()
    elif damage == "flipped":
        content[len(content) // 2] ^= 0x10
        window.write_bytes(content)
    else:
        window.write_bytes(content[: len(content) // 2])
    found = told_here(folder)
    words = "waveforms/test=0_point=1.parquet " + ("is listed in" if damage == "gone" else "differs from its sum in")
    assert words in found.notes()
    assert found.printed(words)
    assert found.results["tests"]["load"]["quantities"] == poor.results["tests"]["load"]["quantities"]
