"""What a temperature module promises."""

import pytest

from benchd.contract import LinkLost, Thermometers
from benchd_modbus.thermometers import thermometers

pytestmark = pytest.mark.wires


async def test_all_are_read_in_one_exchange_and_an_open_sensor_is_no_number(device, thermometer_settings):
    device.input = {0: 453, 1: 0x10000 - 105, 2: 0x8000}
    async with thermometers(thermometer_settings(device)) as ports:
        assert isinstance(ports["group"], Thermometers)
        before = len(device.requests)
        reading = await ports["group"].read()
        assert device.requests[before:] == [bytes.fromhex("04 0000 0003")]
    assert dict(reading.temperatures_degc) == {
        "winding": pytest.approx(45.3),
        "housing": pytest.approx(-10.5),
        "ambient": None,
    }


async def test_registers_scale_table_and_open_value_come_from_the_settings(device, thermometer_settings):
    device.words(40, 2150, 9, 9999)
    settings = thermometer_settings(
        device, registers={"rack": 42, "supply_air": 40}, table="holding", degc_per_step=0.01, open_value=9999
    )
    async with thermometers(settings) as ports:
        reading = await ports["group"].read()
    assert dict(reading.temperatures_degc) == {"rack": None, "supply_air": pytest.approx(21.5)}


async def test_a_lost_module_is_read_again_only_after_reconnecting(device, thermometer_settings):
    made = thermometers(thermometer_settings(device))
    async with made as ports:
        device.always("hang")
        with pytest.raises(LinkLost):
            await ports["group"].read()
        device.behave = None
        with pytest.raises(LinkLost, match="reconnect"):
            await ports["group"].read()
        await made.reconnect()
        await ports["group"].read()
    await made.__aexit__(None, None, None)
    assert not [pdu for pdu in device.requests if pdu[0] not in {3, 4}]
