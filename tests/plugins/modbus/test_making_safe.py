"""Making safe at any time, twice, on a stuck, busy or refused connection, and nothing that energises after it."""

import asyncio
import contextlib

import pytest

from benchd.contract import DriverError, LinkLost, Refused
from benchd_modbus.connection import Line
from benchd_modbus.drive import drive
from benchd_modbus.settings import SAFE_TIME_S

pytestmark = pytest.mark.wires


async def test_it_is_confirmed_on_the_same_connection_when_that_is_sound(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        await ports["axis"].make_safe()
        assert device.state == "disabled"
        await ports["axis"].make_safe()
        assert device.commands()[-2:] == [0x00, 0x00]
        assert device.connections == 1


async def test_it_overtakes_a_stuck_call_and_is_on_the_wire_within_milliseconds(device, drive_settings):
    loop = asyncio.get_running_loop()
    async with drive(drive_settings(device, reply_time_s=0.4)) as ports:
        await ports["axis"].enable()
        device.behave = lambda _number, pdu: "hang" if pdu[0] == 16 else None
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_outcome(ports["axis"].follow_torque(0.5, speed_limit_rpm=100.0)))
            await asyncio.sleep(0.05)
            asked = loop.time()
            await ports["axis"].make_safe()
            confirmed = loop.time()
        arrived = next(
            at
            for at, pdu in zip(device.times, device.requests, strict=True)
            if at >= asked and pdu == bytes.fromhex("06 0000 0000")
        )
    assert arrived - asked < 0.1  # about 1 ms on an idle machine; bound for a busy one
    assert confirmed - asked < 0.2
    assert isinstance(await stuck, LinkLost)
    assert device.state == "disabled"
    assert device.connections == 2


async def test_a_call_on_its_way_through_the_states_sends_nothing_after_it(device, drive_settings):
    device.obeys = False
    async with drive(drive_settings(device)) as ports:
        async with asyncio.TaskGroup() as group:
            walking = group.create_task(_outcome(ports["axis"].enable()))
            while 0x06 not in device.commands():
                await asyncio.sleep(0.001)
            await ports["axis"].make_safe()
            after = len(device.commands())
            device.obeys = True
            device.state = "ready"  # had it gone on, it would now switch on
            await asyncio.sleep(0.05)
        assert isinstance(await walking, LinkLost)
        assert len(device.commands()) == after
        assert device.commands()[-1] == 0x00


async def test_it_mends_a_spoiled_connection_by_itself(device, drive_settings):
    async with drive(drive_settings(device, reply_time_s=0.05)) as ports:
        await ports["axis"].enable()
        device.always("hang")
        with pytest.raises(LinkLost):
            await ports["axis"].read()
        device.behave = None
        await ports["axis"].make_safe()
        assert device.state == "disabled"
        assert (await ports["axis"].read()).signals()["enabled_on"] == 0.0


async def test_it_asks_again_for_a_connection_that_is_refused_for_a_while(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        device.refuse_until = asyncio.get_running_loop().time() + 0.2
        device.open[0].close()
        await asyncio.sleep(0.02)
        await ports["axis"].make_safe()
        assert device.state == "disabled"
        assert device.refused > 1


async def test_it_ends_in_its_safe_time_when_nobody_answers(device, drive_settings):
    loop = asyncio.get_running_loop()
    made = drive(drive_settings(device))
    ports = await made.__aenter__()
    device.always("hang")
    started = loop.time()
    with pytest.raises(LinkLost):
        await ports["axis"].make_safe()
    assert loop.time() - started < SAFE_TIME_S + 0.3
    device.behave = None
    await made.__aexit__(None, None, None)


async def test_a_drive_that_keeps_its_power_stage_on_is_told(device, drive_settings):
    made = drive(drive_settings(device))
    ports = await made.__aenter__()
    await ports["axis"].enable()
    device.obeys = False
    with pytest.raises(Refused, match=r'stays in "operation enabled" after disable voltage: .*safety chain'):
        await ports["axis"].make_safe()
    device.obeys = True
    await made.__aexit__(None, None, None)
    assert device.state == "disabled"


async def test_two_at_the_same_time_both_end_safe(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        device.always(("before", 0.02))
        await asyncio.gather(*(ports["axis"].make_safe() for _ in range(3)))
        assert device.state == "disabled"


async def test_a_second_one_goes_on_when_the_first_is_cancelled(device, drive_settings):
    async with drive(drive_settings(device, reply_time_s=0.4)) as ports:
        await ports["axis"].enable()
        device.always("hang")
        async with asyncio.TaskGroup() as group:
            first = group.create_task(ports["axis"].make_safe())
            await asyncio.sleep(0.02)
            second = group.create_task(ports["axis"].make_safe())
            await asyncio.sleep(0.02)
            device.behave = None
            first.cancel()
            await second
        assert device.state == "disabled"


async def test_it_takes_the_connection_from_a_reconnect(device, drive_settings):
    made = drive(drive_settings(device, reply_time_s=0.4))
    async with made as ports:
        await ports["axis"].enable()
        device.behave = lambda _number, pdu: "hang" if pdu == bytes.fromhex("03 0064 0013") else None
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_outcome(made.reconnect()))
            await asyncio.sleep(0.03)
            await ports["axis"].make_safe()
            assert device.state == "disabled"
        assert isinstance(await stuck, LinkLost)
        device.behave = None
        await ports["axis"].read()  # the failed reconnect did not close what make_safe opened


async def test_a_reconnect_that_is_still_dialling_does_not_take_the_connection_back(
    device, drive_settings, monkeypatch
):
    made = drive(drive_settings(device))
    async with made as ports:
        await ports["axis"].enable()
        may_dial = asyncio.Event()
        at_once = Line.open

        async def slow_the_first_time(line):
            monkeypatch.setattr(Line, "open", at_once)
            await may_dial.wait()
            await at_once(line)

        monkeypatch.setattr(Line, "open", slow_the_first_time)
        async with asyncio.TaskGroup() as group:
            dialling = group.create_task(_outcome(made.reconnect()))
            await asyncio.sleep(0.01)
            await ports["axis"].make_safe()
            may_dial.set()
        assert isinstance(await dialling, LinkLost)
        await ports["axis"].read()
    assert device.state == "disabled"


async def test_leaving_makes_safe_even_with_a_stuck_call_before(device, drive_settings):
    async with drive(drive_settings(device, reply_time_s=0.05)) as ports:
        await ports["axis"].enable()
        device.always("hang")
        with pytest.raises(LinkLost):
            await ports["axis"].read()
        device.behave = None
    assert device.state == "disabled"
    await asyncio.sleep(0.02)
    assert not device.open


async def test_leaving_is_idempotent_bounded_and_tells_when_it_could_not(device, drive_settings):
    made = drive(drive_settings(device))
    await made.__aenter__()
    device.always("hang")
    started = asyncio.get_running_loop().time()
    with pytest.raises(LinkLost):
        await made.__aexit__(None, None, None)
    assert asyncio.get_running_loop().time() - started < SAFE_TIME_S + 0.3
    await made.__aexit__(None, None, None)
    with contextlib.suppress(ConnectionError):
        await asyncio.sleep(0.02)
    assert not device.open


async def test_leaving_with_an_error_on_its_way_keeps_that_error(device, drive_settings):
    async def work():
        async with drive(drive_settings(device)):
            device.always("hang")
            raise KeyError("first")

    with pytest.raises(KeyError) as caught:
        await work()
    assert any("While leaving" in note for note in caught.value.__notes__)


async def test_after_leaving_no_call_opens_the_connection_again(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        axis = ports["axis"]
    started = asyncio.get_running_loop().time()
    for call in (axis.read, axis.make_safe, axis.enable):
        with pytest.raises(LinkLost):
            await call()
    assert asyncio.get_running_loop().time() - started < 0.5 * SAFE_TIME_S  # told at once, not tried again
    assert device.connections == 1


async def _outcome(call):
    try:
        return await call
    except DriverError as error:
        return error
