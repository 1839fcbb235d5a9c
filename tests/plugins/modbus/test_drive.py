"""What a drive promises, against a device of raw bytes."""

import asyncio

import pytest

from benchd.contract import (
    DeviceFault,
    Drive,
    DriveLimits,
    DriveState,
    LinkLost,
    OutOfRange,
    Refused,
    ReplyWrong,
)
from benchd_modbus.drive import drive

pytestmark = pytest.mark.wires


async def test_reading_is_one_exchange_in_house_signs_and_units(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        axis = ports["axis"]
        assert isinstance(axis, Drive)
        before = len(device.requests)
        started = asyncio.get_running_loop().time()
        reading = await axis.read()
        ended = asyncio.get_running_loop().time()
    assert device.requests[before : before + 1] == [bytes.fromhex("03 0064 000a")]
    assert reading.state is DriveState.SWITCH_ON_DISABLED
    assert reading.speed_rpm == pytest.approx(1500.0)
    assert reading.torque_nm == pytest.approx(0.5)  # the drive says -25 % of 2 N·m, and its sign is the other one
    assert reading.dc_link_v == pytest.approx(320.5)
    assert reading.winding_degc == pytest.approx(45.6)
    assert reading.fault_code == 0
    assert started <= reading.taken_mono_s <= ended


async def test_an_open_motor_thermometer_is_no_number(device, drive_settings):
    device.words(109, -32768)
    async with drive(drive_settings(device)) as ports:
        assert (await ports["axis"].read()).winding_degc is None


async def test_entering_and_leaving_without_use_only_takes_torque_away(device, drive_settings):
    async with drive(drive_settings(device)):
        written = [pdu for pdu in device.requests if pdu[0] in {5, 6, 15, 16}]
        assert not written
    assert device.commands() == [0x00]
    await asyncio.sleep(0.02)
    assert not device.open


async def test_a_gear_and_signs_map_both_ways(device, drive_settings):
    async with drive(drive_settings(device, gear_ratio=2.0, speed_sign=-1, max_torque_nm=3.0)) as ports:
        axis = ports["axis"]
        reading = await axis.read()
        assert reading.speed_rpm == pytest.approx(-750.0)
        assert reading.torque_nm == pytest.approx(1.0)
        await axis.follow_speed(100.0, torque_limit_nm=1.0)
        assert device.holding[4] << 16 | device.holding[5] == 2**32 - 2000
        assert device.holding[6] == 250
        await axis.follow_torque(1.0, speed_limit_rpm=50.0)
        assert device.holding[2] == 2**16 - 250
        assert device.holding[8] << 16 | device.holding[9] == 1000


async def test_following_a_torque_is_one_write_and_one_read_back(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        axis = ports["axis"]
        await axis.follow_torque(0.5, speed_limit_rpm=3000.0)
        assert (device.holding[1], device.holding[2]) == (10, 2**16 - 250)
        before = len(device.requests)
        await axis.follow_torque(0.6, speed_limit_rpm=3000.0)
        write, read = device.requests[before:]
    # 2: -30.0 %, 4: 0, 6: 75.0 % of 2 N·m, 8: 3000.0 r/min
    assert write == bytes.fromhex("10 0002 0008 10 fed4 0000 0000 0000 02ee 0000 0000 7530")
    assert read == bytes.fromhex("03 0001 0009")


async def test_changing_from_torque_to_speed_writes_mode_and_target_together(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].follow_torque(0.5, speed_limit_rpm=3000.0)
        before = len(device.requests)
        await ports["axis"].follow_speed(-1200.0, torque_limit_nm=0.8)
        first = device.requests[before]
    assert first == bytes.fromhex("10 0001 0009 12 0009 0000 0000 ffff d120 0190 0000 0000 9c40")


async def test_a_bound_is_never_rounded_up(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].follow_speed(100.0, torque_limit_nm=0.8019)
        assert device.holding[6] == 400
        await ports["axis"].follow_torque(0.1, speed_limit_rpm=99.99)
        assert device.holding[9] == 999


@pytest.mark.parametrize(
    ("torque_nm", "speed_limit_rpm"),
    [(1.51, 100.0), (-1.51, 100.0), (float("nan"), 100.0), (0.1, 4001.0), (0.1, -1.0), (0.1, float("inf"))],
)
async def test_a_torque_out_of_range_sends_nothing(device, drive_settings, torque_nm, speed_limit_rpm):
    async with drive(drive_settings(device)) as ports:
        before = len(device.requests)
        with pytest.raises(OutOfRange, match="nothing was sent"):
            await ports["axis"].follow_torque(torque_nm, speed_limit_rpm=speed_limit_rpm)
        assert len(device.requests) == before
        await ports["axis"].read()  # and the connection is as good as before


@pytest.mark.parametrize(
    ("speed_rpm", "torque_limit_nm"), [(4001.0, 1.0), (float("inf"), 1.0), (1.0, 1.6), (1.0, -0.1)]
)
async def test_a_speed_out_of_range_sends_nothing(device, drive_settings, speed_rpm, torque_limit_nm):
    async with drive(drive_settings(device)) as ports:
        before = len(device.requests)
        with pytest.raises(OutOfRange, match="nothing was sent"):
            await ports["axis"].follow_speed(speed_rpm, torque_limit_nm=torque_limit_nm)
        assert len(device.requests) == before


async def test_a_torque_that_the_register_cannot_hold_sends_nothing(device, drive_settings):
    device.double(110, 20)  # rated torque 0.02 N·m: 1 N·m would be 50000 permille
    async with drive(drive_settings(device)) as ports:
        with pytest.raises(OutOfRange, match="target_torque"):
            await ports["axis"].follow_torque(1.0, speed_limit_rpm=100.0)


@pytest.mark.parametrize("register", [1, 2, 4, 5, 6, 8, 9])
async def test_a_read_back_that_differs_is_a_wrong_reply(device, drive_settings, register):
    async with drive(drive_settings(device)) as ports:
        axis = ports["axis"]
        await axis.follow_torque(0.5, speed_limit_rpm=3000.0)

        def spoil(number, pdu):
            if pdu[0] == 3:
                device.holding[register] ^= 1

        device.behave = spoil
        with pytest.raises(ReplyWrong, match=r"register \d+"):
            await axis.follow_torque(0.6, speed_limit_rpm=3000.0)
        device.behave = None


async def test_limits_are_read_from_the_drive(device, drive_settings):
    async with drive(drive_settings(device, gear_ratio=2.0)) as ports:
        limits = await ports["axis"].read_limits()
    assert limits == DriveLimits(
        overspeed_rpm=pytest.approx(3000.0),
        torque_limit_nm=pytest.approx(3.6),
        rated_torque_nm=pytest.approx(4.0),
        quick_stop_option=2,
        disable_option=1,
        fault_reaction_option=2,
    )


async def test_enabling_walks_the_states_with_zero_torque_and_an_armed_watchdog(device, drive_settings):
    device.words(2, -700)  # what somebody left behind
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        assert device.state == "enabled"
        assert device.commands() == [0x06, 0x07, 0x0F]
        zeroed = next(n for n, pdu in enumerate(device.requests) if pdu[:3] == b"\x10\x00\x01")
        shut_down = next(n for n, pdu in enumerate(device.requests) if pdu[:3] == b"\x06\x00\x00")
        assert zeroed < shut_down
        assert (device.holding[1], device.holding[2], device.holding[13]) == (10, 0, 500)
        assert (await ports["axis"].read()).signals()["enabled_on"] == 1.0
    assert device.state == "disabled"


async def test_a_drive_whose_watchdog_does_not_read_back_is_not_enabled(device, drive_settings):
    def forgets(_number, pdu):
        if pdu == bytes.fromhex("03 000d 0001"):
            device.holding[13] = 0

    device.behave = forgets
    async with drive(drive_settings(device, communication_watchdog_ms=300)) as ports:
        with pytest.raises(ReplyWrong, match=r"holds 0 in communication_watchdog \(register 13\) where 300"):
            await ports["axis"].enable()
        assert device.state == "disabled"
        assert not {0x06, 0x07, 0x0F} & set(device.commands())


async def test_enabling_leaves_a_quick_stop_through_switch_on_disabled(device, drive_settings):
    device.state = "quick stop"
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
    assert device.commands()[:4] == [0x00, 0x06, 0x07, 0x0F]


async def test_enabling_is_refused_with_the_state_in_which_the_drive_stays(device, drive_settings):
    device.obeys = False
    async with drive(drive_settings(device, state_time_s=0.03)) as ports:
        with pytest.raises(Refused, match=r'stays in "switch-on disabled" after shutdown: .*safe torque off'):
            await ports["axis"].enable()
        await ports["axis"].read()  # refused is an answer: the connection holds


async def test_a_drive_that_does_not_take_the_mode_is_not_called_enabled(device, drive_settings):
    act = device.act

    def sticky(pdu):
        if pdu[:3] == b"\x03\x00\x65":
            return b"\x03\x02\x00\x03"
        return act(pdu)

    device.act = sticky
    async with drive(drive_settings(device, state_time_s=0.05)) as ports:
        with pytest.raises(Refused, match="mode of operation 3 where 10 was asked"):
            await ports["axis"].enable()


@pytest.mark.parametrize("state", ["fault", "reaction"])
async def test_enabling_a_faulty_drive_tells_its_code_and_changes_nothing(device, drive_settings, state):
    device.state = state
    device.words(108, 0x8400)
    async with drive(drive_settings(device)) as ports:
        with pytest.raises(DeviceFault, match="0x8400"):
            await ports["axis"].enable()
        assert not [pdu for pdu in device.requests if pdu[0] != 3]
        device.state = "fault"


async def test_a_fault_on_the_way_ends_enabling(device, drive_settings):
    def fail(number, pdu):
        if pdu == bytes.fromhex("06 0000 0007"):
            device.state = "fault"

    device.behave = fail
    async with drive(drive_settings(device)) as ports:
        with pytest.raises(DeviceFault):
            await ports["axis"].enable()
        device.behave = None
        assert 0x0F not in device.commands()


async def test_disabling_goes_by_disable_operation_and_ends_with_the_power_stage_off(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        before = len(device.commands())
        await ports["axis"].disable()
        assert device.commands()[before:] == [0x07, 0x06]
        assert device.state == "ready"
        await ports["axis"].disable()
        assert len(device.commands()) == before + 2


async def test_a_fault_is_cleared_by_a_rising_edge_and_the_drive_stays_disabled(device, drive_settings):
    device.state = "fault"
    device.words(0, 0x80)  # the bit is high already: only an edge counts
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].clear_fault()
        assert device.commands() == [0x00, 0x80, 0x00]
        assert device.state == "disabled"
        await ports["axis"].clear_fault()
        assert len(device.commands()) == 3


async def test_clearing_never_lets_go_of_a_drive_without_a_fault(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        await ports["axis"].enable()
        await ports["axis"].clear_fault()
        assert device.state == "enabled"


async def test_a_fault_whose_cause_is_still_there_is_refused_with_its_code(device, drive_settings):
    device.state = "fault"
    device.obeys = False
    device.words(108, 0x4310)
    async with drive(drive_settings(device, state_time_s=0.03)) as ports:
        with pytest.raises(Refused, match=r'stays in "fault" with fault code 0x4310'):
            await ports["axis"].clear_fault()


@pytest.mark.parametrize(("key", "here"), [("vendor_code", "0x0051"), ("product_code", "0x0402")])
async def test_another_device_is_refused_with_both_numbers_and_nothing_stays_open(device, drive_settings, key, here):
    with pytest.raises(Refused, match=f"{here}.*0x0777"):
        await drive(drive_settings(device, **{key: 0x777})).__aenter__()
    await asyncio.sleep(0.02)
    assert not device.open


async def test_identity_is_checked_again_on_reconnecting(device, drive_settings):
    made = drive(drive_settings(device, vendor_code=0x51, product_code=0x402))
    async with made as ports:
        device.words(118, 0x999)
        with pytest.raises(Refused, match="0x0999"):
            await made.reconnect()
        with pytest.raises(LinkLost):
            await ports["axis"].read()
        device.words(118, 0x402)
        await made.reconnect()
        await ports["axis"].read()


async def test_a_statusword_without_a_state_is_a_wrong_reply(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        device.act = lambda _pdu: bytes((3, 20)) + b"\x00\x01" + bytes(18)
        with pytest.raises(ReplyWrong, match="0x0001"):
            await ports["axis"].read()
        del device.act


async def test_a_modbus_exception_is_said_in_words_and_keeps_the_connection(device, drive_settings):
    async with drive(drive_settings(device)) as ports:
        device.always(("exception", 2))
        with pytest.raises(Refused, match="exception 2: the device has no such register"):
            await ports["axis"].read()
        device.behave = None
        assert (await ports["axis"].read()).speed_rpm == pytest.approx(1500.0)
    assert device.connections == 1
