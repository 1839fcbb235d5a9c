"""The sink and the measuring unit against instruments that answer over real TCP."""

import math

import pytest

from benchd.contract import DeviceFault, OutOfRange, Refused, ReplyWrong, SinkSettings
from benchd_scpi.measuring_unit import measuring_unit
from benchd_scpi.settings import ScpiMeasuringUnitSettings, ScpiSinkSettings
from benchd_scpi.sink import sink

pytestmark = pytest.mark.wires


@pytest.fixture
def sink_driver(sink_device):
    return sink(
        ScpiSinkSettings(
            host="127.0.0.1",
            port=sink_device.port,
            identity="Quillmoor Instruments,QL80-60",
            max_voltage_v=80.0,
            max_current_a=60.0,
        )
    )


@pytest.fixture
def measuring_driver(measuring_unit_device):
    return measuring_unit(
        ScpiMeasuringUnitSettings.model_validate(
            {
                "host": "127.0.0.1",
                "port": measuring_unit_device.port,
                "identity": "Quillmoor Instruments,QM8",
                "inputs": [
                    {"name": "encoder_rpm", "channel": 5},
                    {"name": "ai1_v", "channel": 1},
                    {"name": "ai2_v", "channel": 2},
                ],
            }
        )
    )


async def test_arming_sets_the_mode_before_the_input_and_reads_all_back_in_one_exchange(sink_device, sink_driver):
    async with sink_driver as ports:
        assert sink_device.texts == ["*IDN?"]
        await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)
        assert sink_device.texts[-1] == (
            "FUNC VOLT;:VOLT 30;:CURR:LIM 20;:INP ON;:FUNC?;:VOLT?;:CURR:LIM?;:INP?;:INP:PROT:TRIP?"
        )
        assert await ports["input"].read_settings() == SinkSettings(armed=True, threshold_v=30.0, current_limit_a=20.0)
        reading = await ports["input"].read()
        assert reading.signals() == {"voltage_v": 23.998, "current_a": 0.0, "input_on": 1.0, "tripped_on": 0.0}


async def test_leaving_an_armed_sink_leaves_it_absorbing(sink_device, sink_driver):
    async with sink_driver as ports:
        await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)
        heard = len(sink_device.heard)
    assert len(sink_device.heard) == heard
    assert sink_device.values["INP"] == "1"


async def test_an_input_that_is_on_in_another_mode_is_not_armed(sink_device, sink_driver):
    sink_device.values |= {"INP": "1", "FUNC": "CURRENT"}
    async with sink_driver as ports:
        assert not (await ports["input"].read_settings()).armed


async def test_disarming_switches_the_input_off(sink_device, sink_driver):
    sink_device.values["INP"] = "1"
    async with sink_driver as ports:
        await ports["input"].disarm()
        assert sink_device.values["INP"] == "0"


@pytest.mark.parametrize("header", ["FUNC", "VOLT", "CURR:LIM", "INP"])
async def test_arming_that_does_not_hold_is_a_wrong_reply(sink_device, sink_driver, header):
    sink_device.deaf_headers = {header}
    async with sink_driver as ports:
        with pytest.raises(ReplyWrong, match="instead of"):
            await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)


async def test_arming_that_the_device_refuses_is_told_in_its_own_words(sink_device, sink_driver):
    sink_device.errors_by_header = {"FUNC": '-224,"Illegal parameter value"'}
    async with sink_driver as ports:
        with pytest.raises(Refused, match="-224"):
            await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)


async def test_arming_a_tripped_sink_is_a_fault(sink_device, sink_driver):
    sink_device.values["INP:PROT:TRIP"] = "1"
    async with sink_driver as ports:
        with pytest.raises(DeviceFault):
            await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)


@pytest.mark.parametrize(
    ("threshold_v", "limit_a"), [(0.0, 1.0), (80.1, 1.0), (math.nan, 1.0), (30.0, 0.0), (30.0, 61.0)]
)
async def test_a_threshold_beyond_the_limits_is_never_sent(sink_device, sink_driver, threshold_v, limit_a):
    async with sink_driver as ports:
        with pytest.raises(OutOfRange):
            await ports["input"].arm(threshold_v=threshold_v, current_limit_a=limit_a)
        assert sink_device.texts == ["*IDN?"]


async def test_inputs_come_by_name_in_the_order_of_the_settings(measuring_unit_device, measuring_driver):
    measuring_unit_device.values |= {"FETC5": "-3.0E+03", "FETC1": "2.4", "FETC2": ".5"}
    async with measuring_driver as ports:
        reading = await ports["inputs"].read()
        assert measuring_unit_device.texts[-1] == "FETC? (@5,1,2)"
        assert dict(reading.values) == {"encoder_rpm": -3000.0, "ai1_v": 2.4, "ai2_v": 0.5}
        assert reading.overloaded == frozenset()


async def test_an_overloaded_input_is_marked_and_never_a_number(measuring_unit_device, measuring_driver):
    measuring_unit_device.values |= {"FETC1": "9.9E37", "FETC2": "-9.9E+37"}
    async with measuring_driver as ports:
        reading = await ports["inputs"].read()
        assert reading.overloaded == {"ai1_v", "ai2_v"}
        assert reading.values["ai2_v"] == -math.inf
        assert math.isnan(reading.signals()["ai1_v"])
        assert reading.signals()["encoder_rpm"] == 5.5


async def test_an_input_without_a_number_does_not_take_the_others_with_it(measuring_unit_device, measuring_driver):
    measuring_unit_device.values |= {"FETC5": "9.91E37"}
    async with measuring_driver as ports:
        reading = await ports["inputs"].read()
        assert math.isnan(reading.values["encoder_rpm"])
        assert reading.overloaded == frozenset()
        assert reading.values["ai1_v"] == 1.5


@pytest.mark.parametrize("reply", [b"1,2\n", b"1,2,3,4\n", b"1,,3\n", b"1,two,3\n", b"1;2;3\n"])
async def test_a_reply_that_is_not_one_number_an_input_is_wrong(measuring_unit_device, measuring_driver, reply):
    measuring_unit_device.rewrite = lambda _: reply
    async with measuring_driver as ports:
        with pytest.raises(ReplyWrong):
            await ports["inputs"].read()
