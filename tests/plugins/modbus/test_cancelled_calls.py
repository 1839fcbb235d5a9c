"""Calls cancelled at every await point: no reply to them is taken for a later answer, no cancellation is lost."""

import asyncio
import itertools

import pytest

from benchd.contract import LinkLost
from benchd_modbus.drive import drive

pytestmark = pytest.mark.wires

CALLS = {
    "read": lambda axis: axis.read(),
    "read_limits": lambda axis: axis.read_limits(),
    "follow_torque": lambda axis: axis.follow_torque(0.5, speed_limit_rpm=1000.0),
    "follow_speed": lambda axis: axis.follow_speed(0.5, torque_limit_nm=1.0),
    "enable": lambda axis: axis.enable(),
    "disable": lambda axis: axis.disable(),
    "clear_fault": lambda axis: axis.clear_fault(),
    "make_safe": lambda axis: axis.make_safe(),
}


@pytest.mark.parametrize("name", CALLS)
async def test_cancelled_after_any_number_of_turns_of_the_loop(name, device, drive_settings):
    await _cancel_at_every_turn(name, device, drive(drive_settings(device)))


@pytest.mark.parametrize("name", ["read", "follow_torque"])
async def test_cancelled_on_a_serial_line_where_no_number_tells_replies_apart(name, serial_device, drive_settings):
    await _cancel_at_every_turn(name, serial_device, drive(drive_settings(serial_device, reply_time_s=0.05)))


async def _cancel_at_every_turn(name, device, made):
    truth = itertools.count(1)
    async with made as ports:
        axis = ports["axis"]
        for turns in range(500):
            device.double(104, 10 * next(truth))
            device.state = "fault" if name == "clear_fault" else "disabled"
            task = asyncio.ensure_future(CALLS[name](axis))
            for _ in range(turns):
                await asyncio.sleep(0)
            ended = task.done()
            task.cancel()
            cancelled = (await asyncio.gather(task, return_exceptions=True))[0]
            assert ended or isinstance(cancelled, asyncio.CancelledError), (turns, cancelled)
            now = 10 * next(truth)
            device.double(104, now)
            try:
                reading = await axis.read()
            except LinkLost:
                await _reconnect(made)
                reading = await axis.read()
            assert reading.speed_rpm == pytest.approx(now / 10), turns
            if ended:
                break
        assert 3 < turns < 499


async def test_a_cancelled_reconnect_leaves_nothing_open(device, drive_settings):
    made = drive(drive_settings(device))
    async with made as ports:
        for turns in itertools.count(1):
            task = asyncio.ensure_future(made.reconnect())
            for _ in range(turns):
                await asyncio.sleep(0)
            ended = task.done()
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            if ended:
                break
            await asyncio.sleep(0.002)
            assert len(device.open) <= 1
            with pytest.raises(LinkLost):
                await ports["axis"].read()
        assert turns > 3
        await ports["axis"].read()


@pytest.mark.parametrize("request_to_stop_at", [1, 2, 3, 4, 5, 6])
async def test_a_call_cancelled_while_a_reply_is_held_back_spoils_the_connection(
    device, drive_settings, request_to_stop_at
):
    made = drive(drive_settings(device))
    async with made as ports:
        first = len(device.requests)
        device.behave = lambda number, _pdu: ("after", 0.03) if number == first + request_to_stop_at else None
        task = asyncio.ensure_future(ports["axis"].enable())
        while len(device.requests) < first + request_to_stop_at:
            await asyncio.sleep(0.001)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        device.behave = None
        sent = len(device.requests)
        await asyncio.sleep(0.04)
        with pytest.raises(LinkLost, match="reconnect"):
            await ports["axis"].read()
        assert len(device.requests) == sent
        device.double(104, 4321)
        await made.reconnect()
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(432.1)


async def test_a_cancellation_that_meets_the_reply_is_not_lost(device, drive_settings):
    """On Python 3.11 `asyncio.wait_for` swallows it; a task group would then wait for ever."""
    async with drive(drive_settings(device)) as ports:
        axis = ports["axis"]
        line = axis._connection._line
        task = asyncio.ensure_future(axis.read())
        taken_in = line._on_packet

        def cancel_beside_the_reply(sending, data):
            if not sending:
                task.cancel()
            return taken_in(sending, data)

        line._client.ctx.trace_packet = cancel_beside_the_reply
        with pytest.raises(asyncio.CancelledError):
            await task
        with pytest.raises(LinkLost):
            await axis.read()


async def test_a_call_beside_another_one_is_lost_at_once_and_does_not_disturb_it(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        device.always(("after", 0.03))
        async with asyncio.TaskGroup() as group:
            first = group.create_task(ports["axis"].read())
            await asyncio.sleep(0.01)
            with pytest.raises(LinkLost, match="under way"):
                await ports["axis"].read()
        assert (await first).speed_rpm == pytest.approx(1500.0)


async def _reconnect(made):
    for _ in range(50):
        try:
            return await made.reconnect()
        except LinkLost:  # room for one connection, and the device has not seen the end of the old one
            await asyncio.sleep(0.005)
    return await made.reconnect()
