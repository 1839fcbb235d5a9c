"""The supply driver against an instrument that answers over real TCP, as it should and as it should not."""

import asyncio
import time

import pytest

from benchd.contract import DeviceFault, LinkLost, OutOfRange, Refused, ReplyWrong, SupplySettings
from benchd_scpi.supply import supply

pytestmark = pytest.mark.wires


async def test_a_reading_is_one_exchange_with_all_values(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.heard.clear()
        before_s = asyncio.get_running_loop().time()
        reading = await ports["output"].read()
        after_s = asyncio.get_running_loop().time()
        assert supply_device.texts == ["MEAS:VOLT?;:MEAS:CURR?;:OUTP?;:VOLT:PROT:TRIP?"]
        assert reading.signals() == {"voltage_v": 23.998, "current_a": 1.2503, "output_on": 0.0, "tripped_on": 0.0}
        assert before_s < reading.taken_mono_s < after_s


async def test_a_reading_is_stamped_in_the_middle_of_the_exchange(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.delay_s = 0.2
        before_s = asyncio.get_running_loop().time()
        reading = await ports["output"].read()
        assert reading.taken_mono_s - before_s == pytest.approx(0.1, abs=0.06)


async def test_entering_asks_who_it_is_and_changes_nothing(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    before = dict(supply_device.values)
    async with driver:
        assert supply_device.texts == ["*IDN?"]
        assert supply_device.values == before


async def test_leaving_switches_the_output_off_and_closes_also_twice(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        await ports["output"].switch_output(on=True)
        assert supply_device.values["OUTP"] == "1"
    assert supply_device.values["OUTP"] == "0"
    heard = len(supply_device.heard)
    await driver.__aexit__(None, None, None)
    assert len(supply_device.heard) == heard


async def test_set_points_are_set_and_read_back_in_one_exchange(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.heard.clear()
        await ports["output"].set_voltage(23.456, current_limit_a=4.5)
        assert supply_device.texts == ["VOLT 23.456;:CURR 4.5;:VOLT?;:CURR?"]
        await ports["output"].set_over_voltage_protection(30.0)
        assert await ports["output"].read_settings() == SupplySettings(
            voltage_v=23.456, current_limit_a=4.5, over_voltage_protection_v=30.0, output_on=False
        )


@pytest.mark.parametrize(
    ("voltage_v", "current_limit_a"),
    [
        (80.01, 1.0),
        (-0.01, 1.0),
        (float("nan"), 1.0),
        (float("inf"), 1.0),
        (1.0, 60.1),
        (1.0, -1.0),
        (1.0, float("nan")),
    ],
)
async def test_a_set_point_beyond_the_limits_is_never_sent(supply_device, supply_settings, voltage_v, current_limit_a):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.heard.clear()
        with pytest.raises(OutOfRange, match="nothing was sent"):
            await ports["output"].set_voltage(voltage_v, current_limit_a=current_limit_a)
        assert supply_device.heard == []
        await ports["output"].read()  # the connection is as good as before


async def test_an_over_voltage_protection_beyond_its_own_limit_is_never_sent(supply_device, supply_settings):
    settings = supply_settings(supply_device, max_over_voltage_protection_v=66.0)
    async with supply(settings) as ports:
        await ports["output"].set_over_voltage_protection(66.0)
        with pytest.raises(OutOfRange):
            await ports["output"].set_over_voltage_protection(66.1)


async def test_a_set_point_that_is_silently_not_taken_is_a_wrong_reply(supply_device, supply_settings):
    supply_device.deaf_headers = {"VOLT"}
    async with supply(supply_settings(supply_device)) as ports:
        with pytest.raises(ReplyWrong, match=r"VOLT\? tells 0.000 instead of 24 V"):
            await ports["output"].set_voltage(24.0, current_limit_a=1.0)
        with pytest.raises(LinkLost):  # its answers cannot be believed before a reconnection
            await ports["output"].read()


async def test_a_set_point_that_the_device_refuses_is_told_in_its_own_words(supply_device, supply_settings):
    supply_device.errors_by_header = {"VOLT": '-222,"Data out of range"'}
    async with supply(supply_settings(supply_device)) as ports:
        with pytest.raises(Refused, match='VOLT 24; CURR 1: execution error -222, "Data out of range"'):
            await ports["output"].set_voltage(24.0, current_limit_a=1.0)
        assert supply_device.errors == []
        await ports["output"].read()  # a refusal leaves the connection good


async def test_a_tripped_protection_is_read_and_keeps_the_output_off_as_a_fault(supply_device, supply_settings):
    supply_device.values["VOLT:PROT:TRIP"] = "1"
    async with supply(supply_settings(supply_device)) as ports:
        assert (await ports["output"].read()).tripped
        with pytest.raises(DeviceFault, match=r"VOLT:PROT:TRIP\? tells 1"):
            await ports["output"].switch_output(on=True)
        await ports["output"].clear_protection()
        assert supply_device.values["OUTP"] == "0"
        await ports["output"].switch_output(on=True)
        assert (await ports["output"].read()).output_on


async def test_a_protection_that_does_not_clear_is_a_fault(supply_device, supply_settings):
    supply_device.values["VOLT:PROT:TRIP"] = "1"
    supply_device.deaf_headers = {"OUTP:PROT:CLE"}
    async with supply(supply_settings(supply_device)) as ports:
        with pytest.raises(DeviceFault):
            await ports["output"].clear_protection()


@pytest.mark.parametrize(
    "reply",
    [
        b"9.91E37;0;0;0\n",
        b"9.9E37;0;0;0\n",
        b"nan;0;0;0\n",
        b"24.0;1.0;1\n",
        b"24.0;1.0;1;0;0\n",
        b"24.0;1.0;yes;0\n",
        b"\xff\xfe;0;0;0\n",
        b"\n",
        b"24.0;1.0;1;0\n25.0;1.0;1;0\n",
        b"x" * 10_000 + b"\n",
    ],
)
async def test_a_reply_that_is_no_reading_is_wrong_and_spoils_the_connection(supply_device, supply_settings, reply):
    async with supply(supply_settings(supply_device)) as ports:
        supply_device.rewrite = lambda _: reply
        with pytest.raises(ReplyWrong, match="supply at 127"):
            await ports["output"].read()
        heard = len(supply_device.heard)
        with pytest.raises(LinkLost, match="reconnected"):
            await ports["output"].read()
        assert len(supply_device.heard) == heard
        supply_device.rewrite = None


async def test_a_reply_that_nobody_asked_for_is_never_taken_for_the_next_answer(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        supply_device.rewrite = lambda reply: reply + b"99.0;9.0;1;0\n"
        with pytest.raises(ReplyWrong, match="more than it was asked for"):
            await ports["output"].read()
        supply_device.rewrite = None
        await supply_device.let_go()
        await driver.reconnect()
        assert (await ports["output"].read()).voltage_v == 23.998


async def test_a_line_that_comes_between_two_questions_is_never_taken_for_an_answer(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        await supply_device.say(b"99.0;9.0;1;0\n")
        with pytest.raises(ReplyWrong, match="not asked for"):
            await ports["output"].read()
        await supply_device.let_go()
        await driver.reconnect()
        assert (await ports["output"].read()).voltage_v == 23.998


async def test_a_reply_in_single_bytes_is_a_reply(supply_device, supply_settings):
    supply_device.byte_by_byte = True
    async with supply(supply_settings(supply_device)) as ports:
        assert (await ports["output"].read()).voltage_v == 23.998


async def test_a_device_that_trickles_for_ever_is_given_up_in_time(supply_device, supply_settings):
    async with supply(supply_settings(supply_device, reply_time_s=0.2)) as ports:
        supply_device.byte_by_byte = True
        supply_device.byte_pause_s = 0.002
        supply_device.rewrite = lambda _: b"1" * 4000
        started_s = time.monotonic()
        with pytest.raises(LinkLost, match=r"within 0\.2 s"):
            await ports["output"].read()
        assert time.monotonic() - started_s < 2.0
        supply_device.byte_by_byte = False
        supply_device.rewrite = None


async def test_a_wrong_identity_is_refused_with_both_in_one_sentence(supply_device, supply_settings):
    with pytest.raises(Refused) as refused:
        async with supply(supply_settings(supply_device, identity="Quillmoor Instruments,QS80-600")):
            pass
    assert '"Quillmoor Instruments,QS80-60,1007,1.0"' in str(refused.value)
    assert '"Quillmoor Instruments,QS80-600"' in str(refused.value)


async def test_a_reconnection_to_another_device_is_refused(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        supply_device.identity = "Quillmoor Instruments,QL80-60,1,1.0"
        with pytest.raises(Refused):
            await driver.reconnect()
        with pytest.raises(LinkLost):
            await ports["output"].read()
        with pytest.raises(Refused):  # and is not taken for a safe one
            await ports["output"].make_safe()
        supply_device.identity = "Quillmoor Instruments,QS80-60,1007,1.0"


async def test_a_reconnection_changes_nothing_on_the_device(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        await ports["output"].set_voltage(24.0, current_limit_a=2.0)
        await ports["output"].switch_output(on=True)
        before = dict(supply_device.values)
        supply_device.heard.clear()
        await driver.reconnect()
        assert supply_device.texts == ["*IDN?"]
        assert supply_device.values == before


async def test_an_absent_device_is_told_at_once(supply_device, supply_settings, unused_tcp_port):
    started_s = time.monotonic()
    with pytest.raises(LinkLost, match="did not accept a connection"):
        async with supply(supply_settings(supply_device, port=unused_tcp_port)):
            pass
    assert time.monotonic() - started_s < 0.35


async def test_an_unknown_host_is_told_and_leaves_nothing_open(supply_device, supply_settings):
    with pytest.raises(LinkLost):
        async with supply(supply_settings(supply_device, host="no-such-host.invalid")):
            pass


async def test_a_device_that_takes_one_connection_only_refuses_the_second_driver_at_once(
    supply_device, supply_settings
):
    async with supply(supply_settings(supply_device)) as ports:
        started_s = time.monotonic()
        with pytest.raises(LinkLost):
            async with supply(supply_settings(supply_device)):
                pass
        assert time.monotonic() - started_s < 0.35  # and does not turn in circles until the reply time
        await ports["output"].read()


async def test_another_make_needs_only_other_headers(supply_device, supply_settings):
    supply_device.values |= {"OUTP:PROT:STAT": "0", "VOLT:OVP": "30.0"}
    headers = {"over_voltage_protection": "SOURce:VOLTage:OVP"}
    async with supply(supply_settings(supply_device, headers=headers)) as ports:
        await ports["output"].set_over_voltage_protection(31.0)
        assert supply_device.values["VOLT:OVP"] == "31"
