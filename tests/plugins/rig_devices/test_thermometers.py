import math

import pytest

from benchd_rig.modbus_codec import ModbusRefusal, signed16
from benchd_rig.thermometers import Thermometers
from benchd_rig.wire_faults import WireFaults


@pytest.fixture
def degc() -> dict[str, float]:
    return {"winding": 81.26, "housing": -4.04}


@pytest.fixture
def group(degc: dict[str, float]) -> Thermometers:
    sources = {"winding": lambda: degc["winding"], "housing": lambda: degc["housing"]}
    return Thermometers(sources=sources, faults=WireFaults(device="thermometers", wire="modbus"))


def test_registers_hold_signed_tenths(group):
    assert [signed16(word) for word in group.read_input_registers(0, 2)] == [813, -40]


def test_an_open_sensor_is_the_agreed_number(group, degc):
    degc["winding"] = math.nan
    assert signed16(group.read_input_registers(0, 1)[0]) == -32768
    assert group.temperatures_degc()["winding"] is None


def test_a_register_beyond_the_last_sensor_is_an_illegal_address(group):
    with pytest.raises(ModbusRefusal) as refused:
        group.read_input_registers(1, 2)
    assert refused.value.code == 2


def test_holding_registers_are_an_illegal_function(group):
    with pytest.raises(ModbusRefusal) as refused:
        group.read_holding_registers(0, 1)
    assert refused.value.code == 1


def test_a_test_can_hold_one_sensor_and_give_it_back(group):
    group.put("winding", 140.0)
    assert group.temperatures_degc() == {"winding": 140.0, "housing": -4.0}
    group.put("winding", None)
    assert group.temperatures_degc()["winding"] == 81.3
    with pytest.raises(KeyError):
        group.put("oil", 20.0)
