"""What a bench file may say, and that reading it needs no vendor library."""

import subprocess
import sys
import tomllib
from importlib.resources import files

import pytest
from pydantic import ValidationError

from benchd.contract import MeasuringUnit, Sink, Supply
from benchd_scpi.manifests import MEASURING_UNIT, SINK, SUPPLY

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
        "from benchd_scpi.manifests import SUPPLY, SINK, MEASURING_UNIT"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr


def test_the_sample_file_fits_the_settings_and_the_drivers():
    sample = tomllib.loads((files("benchd_scpi") / "sample.toml").read_text())
    ports = {}
    for manifest in (SUPPLY, SINK, MEASURING_UNIT):
        table = next(one for one in sample["devices"].values() if one["driver"] == manifest.name)
        settings = manifest.settings.model_validate(table["settings"])
        (port,) = manifest.ports(settings)
        ports[port.name] = port
        assert manifest.make(settings) is not None
    assert {name: port.capability for name, port in ports.items()} == {
        "output": Supply,
        "input": Sink,
        "inputs": MeasuringUnit,
    }
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
