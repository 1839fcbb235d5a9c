"""Late, wrong, broken and missing replies: no number of an earlier question is ever taken for an answer."""

import asyncio
import logging

import pytest

from benchd.contract import DriveState, LinkLost, Refused, ReplyWrong
from benchd_modbus.drive import drive

pytestmark = pytest.mark.wires


async def test_a_reply_of_single_bytes_is_read_whole(device, drive_settings):
    device.always("bytes")
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(1500.0)


async def test_a_serial_reply_of_single_bytes_is_read_whole(serial_device, drive_settings):
    serial_device.always("bytes")
    async with drive(drive_settings(serial_device, reply_time_s=0.05)) as ports:
        await ports["axis"].enable()
        await ports["axis"].follow_torque(0.5, speed_limit_rpm=1000.0)
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(1500.0)


async def test_a_silent_device_is_lost_in_the_reply_time_and_the_next_call_touches_no_wire(device, drive_settings):
    loop = asyncio.get_running_loop()
    made = drive(drive_settings(device))
    async with made as ports:
        device.always("hang")
        started = loop.time()
        with pytest.raises(LinkLost, match=r"no complete reply within 0\.1 s"):
            await ports["axis"].read()
        assert 0.08 < loop.time() - started < 0.5
        device.behave = None
        before = len(device.requests)
        for call in (
            ports["axis"].read,
            ports["axis"].enable,
            ports["axis"].disable,
            ports["axis"].clear_fault,
            ports["axis"].read_limits,
            lambda: ports["axis"].follow_torque(0.1, speed_limit_rpm=1.0),
            lambda: ports["axis"].follow_speed(0.1, torque_limit_nm=1.0),
        ):
            started = loop.time()
            with pytest.raises(LinkLost, match="reconnect"):
                await call()
            assert loop.time() - started < 0.05
        await asyncio.sleep(0.02)
        assert len(device.requests) == before
        await made.reconnect()
        assert (await ports["axis"].read()).state is DriveState.SWITCH_ON_DISABLED


async def test_a_late_reply_is_never_the_next_answer(either_device, drive_settings):
    device = either_device
    made = drive(drive_settings(device, reply_time_s=0.05))
    async with made as ports:
        device.double(104, 11110)
        device.always(("after", 0.07))
        with pytest.raises(LinkLost):
            await ports["axis"].read()
        device.behave = None
        device.double(104, 22220)
        await asyncio.sleep(0.03)
        with pytest.raises(LinkLost):
            await ports["axis"].read()
        await made.reconnect()
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(2222.0)


async def test_a_write_is_sent_once_even_when_no_reply_comes(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        device.behave = lambda _number, pdu: "hang" if pdu[0] == 16 else None
        with pytest.raises(LinkLost):
            await ports["axis"].follow_torque(0.5, speed_limit_rpm=100.0)
        await asyncio.sleep(0.15)
        assert sum(pdu[0] == 16 for pdu in device.requests) == 1


def _with(at, value):
    return lambda frame: frame[:at] + bytes((value,)) + frame[at + 1 :]


WRONG = {
    "transaction": (_with(1, 99), "transaction 99 was answered where"),
    "protocol": (_with(3, 1), "header is not one of Modbus TCP"),
    "length too short": (lambda f: f[:5] + bytes((f[5] - 2,)) + f[6:8] + bytes((f[8] - 2,)) + f[9:-2], "length"),
    "length too long": (lambda f: f[:5] + bytes((f[5] + 2,)) + f[6:8] + bytes((f[8] + 2,)) + f[9:] + b"ab", "length"),
    "byte count": (_with(8, 18), "length"),
    "unit": (_with(6, 7), "device 7 answered where 1 was asked"),
    "function": (_with(7, 4), "function 4 was answered where 3 was asked"),
    "twice": (lambda f: f + f, "length"),
    "garbage": (lambda _f: b"HTTP/1.1 400 Bad Request\r\n\r\n", "transaction"),
}


@pytest.mark.parametrize("what", WRONG)
async def test_a_wrong_reply_is_told_and_the_connection_not_used_again(device, drive_settings, what):
    way, words = WRONG[what]
    made = drive(drive_settings(device))
    async with made as ports:
        device.always(way)
        with pytest.raises(ReplyWrong, match=words):
            await ports["axis"].read()
        device.behave = None
        with pytest.raises(LinkLost, match="reconnect"):
            await ports["axis"].read()
        await made.reconnect()
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(1500.0)


async def test_a_serial_reply_with_a_wrong_check_sum_is_a_wrong_reply(serial_device, drive_settings):
    async with drive(drive_settings(serial_device, reply_time_s=0.05)) as ports:
        serial_device.always(lambda f: f[:-1] + bytes((f[-1] ^ 1,)))
        with pytest.raises(ReplyWrong, match="check sum"):
            await ports["axis"].read()
        serial_device.behave = None


async def test_a_write_that_is_echoed_wrongly_is_a_wrong_reply(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        device.behave = lambda _number, pdu: _with(9, 3) if pdu[0] == 16 else None
        with pytest.raises(ReplyWrong, match="echo"):
            await ports["axis"].follow_torque(0.5, speed_limit_rpm=100.0)
        device.behave = None


async def test_bytes_that_nobody_asked_for_spoil_the_connection(device, drive_settings):
    made = drive(drive_settings(device))
    async with made as ports:
        device.open[0].write(b"\x00\x07\x00\x00\x00\x05\x01\x03\x02\x00\x01")
        await asyncio.sleep(0.02)
        with pytest.raises(LinkLost, match="nobody asked for"):
            await ports["axis"].read()
        await made.reconnect()
        await ports["axis"].read()


async def test_a_reply_that_comes_again_before_the_call_went_on_spoils_the_connection(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        line = ports["axis"]._connection._line
        taken_in = line._on_packet

        def again(sending, data):
            if not sending:
                asyncio.get_running_loop().call_soon(taken_in, False, data)
            return taken_in(sending, data)

        line._client.ctx.trace_packet = again
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(1500.0)
        with pytest.raises(LinkLost, match="nobody asked for"):
            await ports["axis"].read()


async def test_a_device_that_closes_is_lost_at_once_and_not_after_the_reply_time(device, drive_settings):
    loop = asyncio.get_running_loop()
    made = drive(drive_settings(device, reply_time_s=0.4))
    async with made as ports:
        device.always("close")
        started = loop.time()
        with pytest.raises(LinkLost, match="closed the connection"):
            await ports["axis"].read()
        assert loop.time() - started < 0.3
        device.behave = None
        await asyncio.sleep(0.02)
        assert device.connections == 1  # nothing reconnects behind the driver's back
        await made.reconnect()
        device.open[0].close()
        await asyncio.sleep(0.02)
        with pytest.raises(LinkLost, match="closed by the device"):
            await ports["axis"].read()


async def test_an_absent_device_is_lost_on_entering(device, drive_settings):
    settings = drive_settings(device, port=1)
    with pytest.raises(LinkLost, match="cannot be reached"):
        await drive(settings).__aenter__()


async def test_a_device_whose_only_connection_is_taken_is_lost_and_nothing_stays_open(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        with pytest.raises(LinkLost, match=r"nobody else holds"):
            await drive(drive_settings(device)).__aenter__()
        await ports["axis"].read()
    assert device.refused == 1


async def test_a_device_that_is_silent_on_entering_leaves_nothing_open(device, drive_settings):
    device.always("hang")
    made = drive(drive_settings(device))
    with pytest.raises(LinkLost):
        await made.__aenter__()
    await asyncio.sleep(0.02)
    assert not device.open
    device.behave = None
    async with made as ports:
        await ports["axis"].read()


async def test_reconnecting_removes_no_torque(device, drive_settings):
    made = drive(drive_settings(device))
    async with made as ports:
        await ports["axis"].enable()
        before = [pdu for pdu in device.requests if pdu[0] != 3]
        await made.reconnect()
        assert [pdu for pdu in device.requests if pdu[0] != 3] == before
        assert device.state == "enabled"
        await ports["axis"].follow_torque(0.2, speed_limit_rpm=100.0)


async def test_a_serial_line_is_not_used_again_before_late_bytes_have_run_out(serial_device, drive_settings):
    made = drive(drive_settings(serial_device, reply_time_s=0.05))
    async with made as ports:
        late = asyncio.get_running_loop().create_future()

        async def a_gateway_passes_the_late_reply_to_the_new_connection():
            while serial_device.connections < 2:
                await asyncio.sleep(0.001)
            serial_device.open[0].write(bytes.fromhex("01 03 02 00 01 79 84"))
            late.set_result(None)

        async with asyncio.TaskGroup() as group:
            group.create_task(a_gateway_passes_the_late_reply_to_the_new_connection())
            with pytest.raises(LinkLost, match="nobody asked for"):
                await made.reconnect()
        await late
        await asyncio.sleep(0.01)
        await made.reconnect()
        await ports["axis"].read()


async def test_nothing_is_logged_by_the_protocol_library(device, drive_settings, caplog):
    made = drive(drive_settings(device))
    with caplog.at_level(logging.DEBUG):
        async with made as ports:
            device.always("hang")
            with pytest.raises(LinkLost):
                await ports["axis"].read()
            device.always(_with(1, 99))
            with pytest.raises(ReplyWrong):
                await made.reconnect()
            device.behave = None
    assert [one for one in caplog.records if one.levelno >= logging.INFO] == []


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11, 99])
async def test_each_exception_is_refused_in_words(serial_device, drive_settings, code):
    async with drive(drive_settings(serial_device, reply_time_s=0.05)) as ports:
        serial_device.always(("exception", code))
        with pytest.raises(Refused, match=rf"exception {code}: the "):
            await ports["axis"].read()
        serial_device.behave = None
