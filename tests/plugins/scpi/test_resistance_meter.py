"""The resistance meter over real TCP: its contacts never meet a fed winding, and safe works beside a stuck call."""

import asyncio
import math
import time

import pytest

from benchd.contract import LinkLost, OutOfRange, Refused, ReplyWrong, ResistanceMeter
from benchd_scpi.manifests import RESISTANCE_METER
from benchd_scpi.resistance_meter import resistance_meter

from .scripted_devices import Meter, listening

pytestmark = pytest.mark.wires


@pytest.fixture
async def meter():
    async with listening(Meter()) as fake:
        yield fake
        assert fake.breaches == []


def driver_of(meter, **changes):
    given = {
        "host": "127.0.0.1",
        "port": meter.port,
        "identity": "Quillmoor Instruments,QR2",
        "reply_time_s": 0.4,
        "max_current_a": 1.5,
    }
    return resistance_meter(RESISTANCE_METER.settings.model_validate(given | changes))


async def test_one_look_tells_voltage_current_and_contacts_with_their_signs(meter):
    meter.values |= {"ROUT:CLOS": "23", "CONT": "0"}
    meter._wanted = "0"
    async with driver_of(meter) as ports:
        assert isinstance(ports["winding"], ResistanceMeter)
        reading = await ports["winding"].read()
        assert meter.texts == ["*IDN?", "MEAS:VOLT?;:MEAS:CURR?;:ROUT:CLOS?;:CONT?"]
        assert (reading.voltage_v, reading.current_a) == (-0.24871, -0.99984)
        assert (reading.pair, reading.power_leads_open) == (23, True)


async def test_a_pair_is_connected_only_after_the_power_leads_were_seen_open(meter):
    meter.contactor_looks = 3
    async with driver_of(meter) as ports:
        await ports["winding"].connect(13)
        assert meter.texts[1:] == [
            "CURR 0;:ROUT:OPEN:ALL;:CONT OFF;:CURR?;:ROUT:CLOS?",
            *["CONT?"] * 4,
            "ROUT:CLOS (@13);:ROUT:CLOS?;:CURR?",
        ]
        assert (meter.values["CONT"], meter.values["ROUT:CLOS"]) == ("0", "13")


async def test_power_leads_that_stay_closed_are_refused_with_nothing_connected(meter):
    meter.welded = True
    meter.values["ROUT:CLOS"] = "12"
    async with driver_of(meter, contactor_time_s=0.1) as ports:
        with pytest.raises(Refused, match=r"stay closed .* look at the contactor"):
            await ports["winding"].connect(12)
        assert meter.values["ROUT:CLOS"] == "0"
        assert not any("(@" in text for text in meter.texts)
        await ports["winding"].read()


async def test_current_flows_through_the_connected_pair_in_either_direction(meter):
    async with driver_of(meter) as ports:
        await ports["winding"].connect(12)
        await ports["winding"].set_current(-1.25)
        assert meter.values["CURR"] == "-1.25"
        await ports["winding"].connect(23)  # a change of pair takes the current off first
        assert (meter.values["CURR"], meter.values["ROUT:CLOS"]) == ("0", "23")


@pytest.mark.parametrize("current_a", [1.6, -1.6, math.nan, math.inf])
async def test_a_current_beyond_the_bound_is_never_sent(meter, current_a):
    async with driver_of(meter) as ports:
        with pytest.raises(OutOfRange, match="max_current_a"):
            await ports["winding"].set_current(current_a)
        with pytest.raises(OutOfRange, match="12, 23 and 13"):
            await ports["winding"].connect(21)
        assert meter.texts == ["*IDN?"]


async def test_a_current_with_nothing_connected_is_refused_in_the_meters_words(meter):
    async with driver_of(meter) as ports:
        with pytest.raises(Refused, match="-221"):
            await ports["winding"].set_current(1.0)
        assert meter.values["CURR"] == "0"


@pytest.mark.parametrize("header", ["ROUT:CLOS", "CURR"])
async def test_what_is_not_carried_out_is_a_wrong_reply(meter, header):
    meter.values["CURR"] = "0.5" if header == "CURR" else "0"
    meter.deaf_headers = {header}
    driver = driver_of(meter)
    ports = await driver.__aenter__()
    with pytest.raises(ReplyWrong, match=rf"{header}\? tells .* instead of"):
        await ports["winding"].connect(12)
    meter.breaches.clear()  # a meter that keeps its current is made to break its own rules
    meter.deaf_headers = set()
    await meter.let_go()
    await driver.__aexit__(None, None, None)
    assert (meter.values["CURR"], meter.values["ROUT:CLOS"]) == ("0", "0")


async def test_disconnecting_takes_the_current_off_opens_and_only_then_closes_the_power_leads(meter):
    async with driver_of(meter) as ports:
        await ports["winding"].connect(12)
        await ports["winding"].set_current(1.0)
        before = len(meter.texts)
        meter.contactor_looks = 2
        await ports["winding"].disconnect()
        assert meter.texts[before:] == [
            "CURR 0;:ROUT:OPEN:ALL;:CURR?;:ROUT:CLOS?",
            "CONT ON;:ROUT:CLOS?",
            *["CONT?"] * 3,
        ]
        assert (meter.values["CONT"], meter.values["ROUT:CLOS"], meter.values["CURR"]) == ("1", "0", "0")


async def test_power_leads_that_do_not_close_again_are_told(meter):
    async with driver_of(meter, contactor_time_s=0.05) as ports:
        await ports["winding"].connect(12)
        meter.welded = True  # in the open position
        with pytest.raises(Refused, match="stay open"):
            await ports["winding"].disconnect()


async def test_making_safe_passes_a_stuck_call_at_once_and_leaves_the_power_leads_as_they_are(meter):
    """The bound is generous for a shared machine; without overtaking it would wait for the reply time, 0.4 s."""
    async with driver_of(meter) as ports:
        winding = ports["winding"]
        await winding.connect(12)
        await winding.set_current(1.0)
        meter.deaf = True
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_lost(winding.read()))
            await asyncio.sleep(0.02)
            meter.deaf = False
            started_s = time.monotonic()
            await winding.make_safe()
            assert time.monotonic() - started_s < 0.3
        assert stuck.result()
        await winding.make_safe()
        reading = await winding.read()
        assert (reading.pair, reading.power_leads_open, meter.values["CURR"]) == (0, True, "0")


async def _lost(call) -> bool:
    try:
        await call
    except LinkLost:
        return True
    return False


async def test_leaving_takes_the_current_off_and_disconnects(meter):
    async with driver_of(meter) as ports:
        await ports["winding"].connect(12)
        await ports["winding"].set_current(1.0)
    assert (meter.values["CURR"], meter.values["ROUT:CLOS"], meter.values["CONT"]) == ("0", "0", "0")


@pytest.mark.parametrize("reply", [b"0.1;1.0;21;0\n", b"0.1;1.0;12;2\n", b"0.1;9.91E37;12;0\n", b"0.1;1.0;12\n"])
async def test_a_look_that_is_none_is_wrong(meter, reply):
    driver = driver_of(meter)
    async with driver as ports:
        meter.rewrite = lambda _: reply
        with pytest.raises(ReplyWrong):
            await ports["winding"].read()
        meter.rewrite = None


async def test_a_cancelled_step_leaves_no_reply_for_the_next(meter):
    driver = driver_of(meter)
    meter.delay_s = 0.002
    async with driver as ports:
        for wait_ms in range(12):
            async with asyncio.TaskGroup() as group:
                task = group.create_task(ports["winding"].connect(12))
                await asyncio.sleep(wait_ms / 1000.0)
                task.cancel()
            await ports["winding"].make_safe()
            meter.values["MEAS:VOLT"] = f"{wait_ms}.5"
            assert (await ports["winding"].read()).voltage_v == wait_ms + 0.5
