"""Wrong leads found over the wires before the first test that turns the shaft, and one that comes loose under load."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.scenarios.on_the_wire import Control, a_bench, at_rest
from tests.scenarios.short_run import Ended, change, quick_configs, serve

pytestmark = pytest.mark.wires

LOAD = """
schema = 1
name = "loaded"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 1500.0
torques_nm = [1.0, 1.5]
torque_slope_nm_per_s = 4.0
settle_time_s = 0.5
average_time_s = 2.5
speed_band_rpm = 20.0
"""
NO_LOAD = """
schema = 1
name = "turns"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 9.0]
settle_time_s = 0.2
average_time_s = 0.3
speed_band_rpm = 100.0
"""
PUMP = ("vineyard", "pump_48v", "pump")
FLAP = ("greenhouse", "vent_flap_24v", "vent_flap")
MOST_RPM = 250.0  # where the jog asks for 120


class Rig:
    """A simulated bench with files of its own."""

    def __init__(self, place: Path, files: tuple[str, str, str], bench: tuple[Mapping[str, Any], Control]) -> None:
        self.files = files
        self.bench = bench
        self.control = bench[1]
        self.configs = quick_configs(place, files[0])
        self._runs = 0

    def run(self, programme: str, **faults: float | bool) -> Ended:
        """One run with these faults, which are mended afterwards."""
        self._runs += 1
        for name, value in faults.items():
            amount = {"on": value} if isinstance(value, bool) else {"value": value}
            self.control.ask("plant_fault", name=name, **amount)
        ended = serve(self.configs, self.bench, programme, files=self.files, data=f"run{self._runs}")
        assert at_rest(self.control.truth())
        for name, value in faults.items():
            amount = {"on": False} if isinstance(value, bool) else {"value": 0.0}
            self.control.ask("plant_fault", name=name, **amount)
        return ended


@pytest.fixture(scope="module")
def pump(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with a_bench("pump_48v") as bench:
        yield Rig(tmp_path_factory.mktemp("pump"), PUMP, bench)


@pytest.fixture(scope="module")
def flap(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with a_bench("vent_flap_24v") as bench:
        yield Rig(tmp_path_factory.mktemp("flap"), FLAP, bench)


def events(ended: Ended, name: str) -> list[dict[str, Any]]:
    return [event for event in ended.events if event["event"] == name]


WRONG = {
    "phases": ({"phases_swapped": True}, "look for two exchanged phase leads"),
    "commutation": ({"commutation_offset_deg": 180.0}, "off by about 180 electrical degrees"),
    "encoder": ({"encoder_sign_flipped": True}, "while load_drive turns 120 r/min: swap the encoder's A and B."),
    "pole pairs": ({"believed_pole_pairs": 5.0}, "look at the pole pairs"),
    "sense lead": ({"sense_lead_reversed": True}, "the sense lead of dc_voltage is reversed"),
}


@pytest.mark.parametrize("lead", WRONG)
def test_a_wrong_lead_is_named_before_any_test_and_the_shaft_hardly_turned(pump: Rig, lead: str) -> None:
    faults, words = WRONG[lead]
    ended = pump.run(LOAD, **faults)
    assert ended.status == 1
    (sentence,) = ended.sentences
    assert words in sentence
    (told,) = events(ended, "implausible")
    assert 100.0 < told["fastest_rpm"] < MOST_RPM
    assert events(ended, "test_started") == []


def test_exchanged_power_leads_of_a_brushed_motor_are_named(flap: Rig) -> None:
    ended = flap.run(NO_LOAD, motor_leads_swapped=True)
    assert ended.status == 1
    assert "its two power leads are exchanged" in ended.sentences[0]


def test_a_bench_file_may_leave_the_jog_out_and_the_folder_says_why(flap: Rig) -> None:
    file = flap.configs / "benches/greenhouse.toml"
    change(file, r"\[jog\]\nenabled = true", '[jog]\nenabled = false\nreason = "turned by hand today"')
    ended = flap.run(NO_LOAD)
    assert ended.status == 0
    (told,) = events(ended, "jog_skipped")
    assert "turned by hand today" in told["why"]
    assert "turned by hand today" in (ended.folder / "events.jsonl").read_text(encoding="utf-8")


def test_a_scale_that_is_wrong_passes_the_jog_and_is_warned_of_under_load(pump: Rig) -> None:
    ended = pump.run(LOAD, current_ratio_error=0.4)
    assert (ended.status, ended.sentences) == (0, [])
    assert len(events(ended, "plausible")) == 1
    told = [event for event in events(ended, "warning") if "power balance" in event["cause"]]
    assert len(told) == 1
    assert "the likely suspect is dc_current" in told[0]["cause"]
