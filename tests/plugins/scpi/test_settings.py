"""What a bench file may say, and that reading it needs no vendor library."""

import subprocess
import sys
import tomllib
from importlib.resources import files

import pytest
from pydantic import ValidationError

from benchd.contract import MeasuringUnit, PowerAnalyser, ResistanceMeter, Sink, Supply, Waveforms
from benchd_scpi.manifests import MEASURING_UNIT, POWER_ANALYSER, RESISTANCE_METER, SINK, SUPPLY

SUPPLY_GIVEN = {
    "host": "10.0.0.5",
    "port": 5025,
    "identity": "Quillmoor Instruments,QS80-60",
    "max_voltage_v": 80.0,
    "max_current_a": 60.0,
}
MEASURING_UNIT_GIVEN = {"host": "10.0.0.7", "port": 5025, "identity": "Quillmoor Instruments,QM8"}


def test_the_manifests_import_without_pyvisa():
    code = (
        "import sys; sys.modules['pyvisa'] = sys.modules['pyvisa_py'] = None; "
        "from benchd_scpi.manifests import SUPPLY, SINK, MEASURING_UNIT, POWER_ANALYSER, RESISTANCE_METER"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


def test_the_sample_file_fits_the_settings_and_the_drivers():
    sample = tomllib.loads((files("benchd_scpi") / "sample.toml").read_text())
    ports = {}
    for manifest in (SUPPLY, SINK, MEASURING_UNIT, POWER_ANALYSER, RESISTANCE_METER):
        table = next(one for one in sample["devices"].values() if one["driver"] == manifest.name)
        settings = manifest.settings.model_validate(table["settings"])
        ports |= {port.name: port for port in manifest.ports(settings)}
        assert manifest.make(settings) is not None
    assert {name: port.capability for name, port in ports.items()} == {
        "output": Supply,
        "input": Sink,
        "inputs": MeasuringUnit,
        "waveforms": Waveforms,
        "result": PowerAnalyser,
        "winding": ResistanceMeter,
    }
    assert ports["waveforms"].signals[:2] == ("wf11_v", "wf12_v")
    assert len(ports["result"].signals) == 16
    assert ports["inputs"].signals[:2] == ("ai1_v", "ai2_v")


@pytest.mark.parametrize(
    "change",
    [
        {"identity": "Quillmoor Instruments"},
        {"identity": ""},
        {"identity": ",QS80-60"},
        {"host": "10.0.0.5::INSTR"},
        {"host": ""},
        {"port": 0},
        {"reply_time_s": 0.0},
        {"reply_time_s": 2.0},
        {"max_voltage_v": float("inf")},
        {"max_voltage_v": -1.0},
        {"headers": {"output": "OUTP ON;VOLT"}},
        {"headers": {"output": "OUTP?"}},
        {"headers": {"power": "POW"}},
        {"maximum_voltage_v": 80.0},
    ],
)
def test_a_wrong_setting_is_refused(change):
    SUPPLY.settings.model_validate(SUPPLY_GIVEN)
    with pytest.raises(ValidationError):
        SUPPLY.settings.model_validate(SUPPLY_GIVEN | change)


@pytest.mark.parametrize(
    ("inputs", "words"),
    [
        ([], "at least 1"),
        ([{"name": "ai1", "channel": 1}], "does not end in a unit"),
        ([{"name": "ai1_v", "channel": 1}, {"name": "ai1_v", "channel": 2}], "the name ai1_v is given to two inputs"),
        ([{"name": "ai1_v", "channel": 1}, {"name": "ai2_v", "channel": 1}], "channel 1 is given to two inputs"),
    ],
)
def test_inputs_need_a_unit_and_a_place_of_their_own(inputs, words):
    with pytest.raises(ValidationError, match=words):
        MEASURING_UNIT.settings.model_validate(MEASURING_UNIT_GIVEN | {"inputs": inputs})


def test_the_promised_call_time_covers_the_exchange_and_the_error_queue():
    longest = max(SUPPLY_GIVEN.get("reply_time_s", 0.0), 0.4)
    SUPPLY.settings.model_validate(SUPPLY_GIVEN | {"reply_time_s": longest})
    assert SUPPLY.reply_time_s >= 3 * longest


def test_a_measuring_unit_without_waveforms_in_its_settings_has_no_such_port():
    given = MEASURING_UNIT_GIVEN | {"inputs": [{"name": "ai1_v", "channel": 1}]}
    settings = MEASURING_UNIT.settings.model_validate(given)
    assert [port.name for port in MEASURING_UNIT.ports(settings)] == ["inputs"]


@pytest.mark.parametrize(
    ("waveforms", "words"),
    [
        ({"rate_hz": 0.0, "inputs": [{"name": "wf11_v", "channel": 11}]}, "greater than 0"),
        ({"rate_hz": 20000.0, "inputs": []}, "at least 1"),
        ({"rate_hz": 20000.0, "inputs": [{"name": "wf11", "channel": 11}]}, "does not end in a unit"),
        (
            {"rate_hz": 20000.0, "inputs": [{"name": "wf11_v", "channel": 11}, {"name": "wf12_v", "channel": 11}]},
            "channel 11 is given to two inputs",
        ),
    ],
)
def test_waveforms_need_a_rate_and_inputs_of_their_own(waveforms, words):
    given = MEASURING_UNIT_GIVEN | {"inputs": [{"name": "ai1_v", "channel": 1}], "waveforms": waveforms}
    with pytest.raises(ValidationError, match=words):
        MEASURING_UNIT.settings.model_validate(given)


ANALYSER_GIVEN = {"host": "10.0.0.8", "port": 5025, "identity": "Quillmoor Instruments,QP3"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "Field required"),  # nobody may forget the bandwidth
        ({"minimum_bandwidth_hz": 0.0}, "greater than 0"),
        ({"minimum_bandwidth_hz": 1e5, "window_s": 0.0}, "greater than 0"),
        ({"minimum_bandwidth_hz": 1e5, "results": [{"name": "p1", "number": 7}]}, "neither in a unit nor in _factor"),
        (
            {"minimum_bandwidth_hz": 1e5, "results": [{"name": "p1_w", "number": 7}, {"name": "p2_w", "number": 7}]},
            "number 7 is given to two results",
        ),
    ],
)
def test_an_analyser_needs_a_bandwidth_and_results_with_units(change, words):
    POWER_ANALYSER.settings.model_validate(ANALYSER_GIVEN | {"minimum_bandwidth_hz": 1e5})
    with pytest.raises(ValidationError, match=words):
        POWER_ANALYSER.settings.model_validate(ANALYSER_GIVEN | change)
