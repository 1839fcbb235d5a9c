"""Communication watchdogs: a supply's is armed and proved before it is switched on, a sink's is proved off."""

import pytest
from pydantic import ValidationError

from benchd.contract import Refused, ReplyWrong
from benchd_scpi.manifests import SINK, SUPPLY
from benchd_scpi.settings import ScpiSinkSettings, ScpiSupplySettings
from benchd_scpi.sink import sink
from benchd_scpi.supply import supply

pytestmark = pytest.mark.wires

HEADER = "SYST:COMM:TIM"


def settings(device, model, **more):
    identity = {ScpiSupplySettings: "QS80-60", ScpiSinkSettings: "QL80-60"}[model]
    given = {"host": "127.0.0.1", "port": device.port, "max_voltage_v": 80.0, "max_current_a": 60.0}
    headers = {"headers": {"communication_watchdog": HEADER}}
    device.values[HEADER] = "9.99"  # what somebody left behind
    return model.model_validate(given | {"identity": f"Quillmoor Instruments,{identity}"} | headers | more)


@pytest.mark.parametrize(("more", "period"), [({}, "1"), ({"communication_watchdog_s": 0.35}, "0.35")])
async def test_a_supplys_is_armed_and_read_back_before_the_output_is_switched_on(supply_device, more, period):
    async with supply(settings(supply_device, ScpiSupplySettings, **more)) as ports:
        supply_device.heard.clear()
        await ports["output"].switch_output(on=True)
        assert supply_device.texts == [
            f"{HEADER} {period};:{HEADER}?",
            "OUTP ON;:OUTP?;:VOLT:PROT:TRIP?",
        ]
        supply_device.heard.clear()
        await ports["output"].switch_output(on=False)
        assert supply_device.texts == ["OUTP OFF;:OUTP?"]  # nothing beside what must arrive


async def test_a_supply_whose_watchdog_does_not_read_back_stays_off(supply_device):
    supply_device.deaf_headers.add(HEADER)
    async with supply(settings(supply_device, ScpiSupplySettings)) as ports:
        with pytest.raises(ReplyWrong, match=r"SYST:COMM:TIM\? tells 9\.99 instead of 1 s"):
            await ports["output"].switch_output(on=True)
        assert not [text for text in supply_device.texts if "OUTP ON" in text]
        assert supply_device.values["OUTP"] == "0"


async def test_a_supply_that_refuses_the_period_says_so_and_stays_off(supply_device):
    supply_device.errors_by_header[HEADER] = '-222,"Data out of range"'
    async with supply(settings(supply_device, ScpiSupplySettings)) as ports:
        with pytest.raises(Refused, match=r"-222"):
            await ports["output"].switch_output(on=True)
        assert supply_device.values["OUTP"] == "0"


async def test_a_supply_without_the_header_is_switched_on_as_before(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.heard.clear()
        await ports["output"].switch_output(on=True)
        assert supply_device.texts == ["OUTP ON;:OUTP?;:VOLT:PROT:TRIP?"]


async def test_a_sinks_is_off_and_read_back_before_it_is_armed(sink_device):
    async with sink(settings(sink_device, ScpiSinkSettings)) as ports:
        sink_device.heard.clear()
        await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)
        assert sink_device.texts[0] == f"{HEADER} 0;:{HEADER}?"
        assert "INP ON" in sink_device.texts[1]


async def test_a_sink_that_would_let_go_with_its_wire_is_not_armed(sink_device):
    sink_device.deaf_headers.add(HEADER)
    async with sink(settings(sink_device, ScpiSinkSettings)) as ports:
        with pytest.raises(ReplyWrong, match=r"tells 9\.99 instead of 0 s"):
            await ports["input"].arm(threshold_v=30.0, current_limit_a=20.0)
        assert sink_device.values["INP"] == "0"


def test_a_period_needs_its_header_and_stays_within_reason():
    given = {"host": "10.0.0.5", "port": 5025, "max_voltage_v": 80.0, "max_current_a": 60.0, "identity": "A,B"}
    header = {"headers": {"communication_watchdog": HEADER}}
    with pytest.raises(ValidationError, match=r"without headers\.communication_watchdog"):
        ScpiSupplySettings.model_validate(given | {"communication_watchdog_s": 0.5})
    for wrong in (0.0, -1.0, 10.1):
        with pytest.raises(ValidationError, match="communication_watchdog_s"):
            ScpiSupplySettings.model_validate(given | header | {"communication_watchdog_s": wrong})
    with pytest.raises(ValidationError, match="communication_watchdog_s"):  # a sink's is never armed
        ScpiSinkSettings.model_validate(given | header | {"communication_watchdog_s": 0.5})


def test_the_promised_times_have_room_for_the_further_exchange():
    # two exchanges of 0.4 s at most, and an error queue whose last question begins 0.4 s after its first
    assert SUPPLY.reply_time_s >= 1.6
    assert SINK.reply_time_s >= 1.6
