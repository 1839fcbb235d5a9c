"""The three drivers against the simulated bench as another process: bytes that neither side's author agreed on."""

import asyncio
import json
import subprocess
import sys

import pytest

from benchd.contract import DriverError, DriveState, LinkLost, Refused, ReplyWrong
from benchd_modbus.drive import drive
from benchd_modbus.safety_chain import safety_chain
from benchd_modbus.settings import (
    ModbusDriveSettings,
    ModbusSafetyChainSettings,
    ModbusThermometersSettings,
)
from benchd_modbus.thermometers import thermometers
from benchd_rig.twin import twin_drivers

pytestmark = pytest.mark.wires

DRIVE = {"torque_sign": -1, "max_torque_nm": 0.2, "max_speed_rpm": 3000.0, "vendor_code": 0x51, "product_code": 0x402}


class Rig:
    def __init__(self, places, control):
        self.places = places
        self._reader, self._writer = control

    def at(self, device):
        return self.places["devices"][device]

    async def ask(self, **request):
        self._writer.write(json.dumps(request).encode() + b"\n")
        reply = json.loads(await self._reader.readline())
        assert reply["ok"], reply
        return reply

    async def truth(self):
        return (await self.ask(do="truth"))["truth"]

    def close(self):
        self._writer.close()


@pytest.fixture(scope="module")
def process():
    with subprocess.Popen(
        [sys.executable, "-m", "benchd_rig", "--specimen", "vent_flap_24v", "--until-stdin-closes"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as one:
        yield json.loads(one.stdout.readline())
        one.stdin.close()
        one.wait(20.0)


@pytest.fixture
async def rig(process):
    control = process["control"]
    one = Rig(process, await asyncio.open_connection(control["host"], control["port"]))
    yield one
    await one.ask(do="clear_faults")
    await one.ask(do="press", button="release_sto")
    one.close()


async def test_the_drive_turns_the_shaft_in_house_signs_and_lets_go(rig):
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE)) as ports:
        axis = ports["axis"]
        limits = await axis.read_limits()
        assert limits.overspeed_rpm > 0
        assert 0 < limits.torque_limit_nm < limits.rated_torque_nm
        await axis.enable()
        await axis.follow_speed(600.0, torque_limit_nm=0.2)
        reading = await _until(axis, lambda one: one.speed_rpm > 550.0)
        assert reading.state is DriveState.OPERATION_ENABLED
        turning = await rig.truth()
        assert turning["load_drive_power_stage_on"]
        # a negative house torque drives the shaft further in the positive direction, a positive one brakes it
        await axis.follow_torque(-0.1, speed_limit_rpm=1500.0)
        await _until(axis, lambda one: one.speed_rpm > 800.0)
        await axis.follow_torque(0.1, speed_limit_rpm=1500.0)
        await _until(axis, lambda one: one.speed_rpm < 400.0)
        await axis.follow_torque(0.0, speed_limit_rpm=1500.0)
        await axis.make_safe()
        assert not (await rig.truth())["load_drive_power_stage_on"]


async def test_a_trip_is_a_fault_until_it_is_cleared(rig):
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE)) as ports:
        axis = ports["axis"]
        await axis.enable()
        await rig.ask(do="trip", device="load_drive")
        reading = await _until(axis, lambda one: one.state is DriveState.FAULT)
        assert reading.fault_code != 0
        await axis.clear_fault()
        reading = await axis.read()
        assert (reading.state, reading.fault_code) == (DriveState.SWITCH_ON_DISABLED, 0)


async def test_safe_torque_off_keeps_the_drive_from_being_enabled(rig):
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE, state_time_s=0.2)) as ports:
        axis = ports["axis"]
        await axis.enable()
        await rig.ask(do="press", button="sto")  # acts after the chain's own release time
        await _until(axis, lambda one: one.state is DriveState.SWITCH_ON_DISABLED)
        with pytest.raises(Refused, match='"switch-on disabled"'):
            await axis.enable()
        await rig.ask(do="press", button="release_sto")
        async with asyncio.timeout(10.0):
            while not await _enabled(axis):
                await asyncio.sleep(0.02)


async def _enabled(axis):
    try:
        await axis.enable()
    except Refused:
        return False
    return True


async def test_silence_trips_the_drives_own_watchdog(rig):
    settings = ModbusDriveSettings(**rig.at("load_drive"), **DRIVE, communication_watchdog_ms=50)
    async with drive(settings) as ports:
        await ports["axis"].enable()
        await asyncio.sleep(0.3)
        assert (await ports["axis"].read()).fault_code != 0
        await ports["axis"].clear_fault()


async def _read(axis):
    return await axis.read()


async def _follow(axis):
    await axis.follow_torque(0.1, speed_limit_rpm=1000.0)


@pytest.mark.parametrize(
    ("kind", "call", "error"),
    [
        ("hang", _read, LinkLost),
        ("late_reply", _read, LinkLost),
        ("drop", _read, LinkLost),
        ("garbage", _read, ReplyWrong),
        ("wrong_transaction", _read, ReplyWrong),
        ("truncated_reply", _read, DriverError),
        ("ignore_writes", _follow, ReplyWrong),
        ("says_no", _follow, Refused),
    ],
)
async def test_a_fault_of_the_wire_is_told_for_what_it_is(rig, kind, call, error):
    made = drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE))
    async with made as ports:
        await rig.ask(do="fault", device="load_drive", kind=kind, on=True)
        with pytest.raises(error):
            await call(ports["axis"])
        await rig.ask(do="clear_faults")
        await _reconnect(made)
        await ports["axis"].read()


async def test_a_reply_in_single_bytes_is_read_and_an_open_sensor_is_missing(rig):
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE)) as ports:
        await rig.ask(do="fault", device="load_drive", kind="one_byte_at_a_time", on=True)
        assert (await ports["axis"].read()).winding_degc is not None
        await rig.ask(do="fault", device="load_drive", kind="nan", on=True)
        assert (await ports["axis"].read()).winding_degc is None
        await rig.ask(do="clear_faults")


async def test_another_device_at_the_address_is_refused_on_reconnecting(rig):
    made = drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE))
    async with made:
        await rig.ask(do="fault", device="load_drive", kind="wrong_identity", on=True)
        async with asyncio.timeout(5.0):
            with pytest.raises(Refused, match="0x0402"):
                await _reconnect(made)
        await rig.ask(do="clear_faults")


async def test_making_safe_gets_through_while_a_call_hangs(rig):
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE, reply_time_s=0.4)) as ports:
        axis = ports["axis"]
        await axis.enable()
        await rig.ask(do="fault", device="load_drive", kind="hang", on=True, times=1)
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_outcome(axis.read()))
            await asyncio.sleep(0.05)
            await axis.make_safe()
            assert not (await rig.truth())["load_drive_power_stage_on"]
        assert isinstance(await stuck, LinkLost)


async def test_thermometers_read_what_is_held_and_open_ones_are_missing(rig):
    settings = ModbusThermometersSettings(
        **rig.at("thermometers"), registers={"winding": 0, "housing": 1, "ambient": 2}
    )
    async with thermometers(settings) as ports:
        await rig.ask(do="temperature", device="thermometers", name="winding", degc=61.5)
        await rig.ask(do="temperature", device="thermometers", name="housing", degc="open")
        reading = await ports["group"].read()
        assert reading.temperatures_degc["winding"] == pytest.approx(61.5)
        assert reading.temperatures_degc["housing"] is None
        assert -40.0 < reading.temperatures_degc["ambient"] < 60.0


async def test_the_chain_opens_on_request_and_only_a_person_closes_it(rig):
    async with safety_chain(ModbusSafetyChainSettings(**rig.at("safety_chain"))) as ports:
        chain = ports["chain"]
        await chain.beat(high=True)
        assert (await chain.read()).permit
        await chain.withdraw_permit()
        reading = await chain.read()
        assert (reading.permit, reading.torque_enabled, reading.guard_closed) == (False, False, True)
        await chain.beat(high=False)
        await rig.ask(do="press", button="reset")
        assert (await chain.read()).permit


async def _until(axis, wanted):
    async with asyncio.timeout(10.0):
        while not wanted(reading := await axis.read()):
            await asyncio.sleep(0.02)
    return reading


async def _reconnect(made):
    async with asyncio.timeout(5.0):
        while True:
            try:
                return await made.reconnect()
            except LinkLost:
                await asyncio.sleep(0.01)


async def _outcome(call):
    try:
        return await call
    except DriverError as error:
        return error


async def test_the_parameter_set_over_the_wire_is_that_of_the_drive_in_process(rig):
    twin = twin_drivers("vent_flap_24v", seed=1)
    async with drive(ModbusDriveSettings(**rig.at("load_drive"), **DRIVE)) as ports, twin["load_drive"] as inside:
        over_the_wire = (await ports["axis"].read_parameters()).values
        assert {name: round(value, 9) for name, value in over_the_wire.items()} == {
            name: round(value, 9) for name, value in (await inside["axis"].read_parameters()).values.items()
        }
        await rig.ask(do="commission", device="load_drive", pole_pairs=7)
        try:
            assert (await ports["axis"].read_parameters()).values["pole_pairs"] == 7
        finally:
            await rig.ask(do="commission", device="load_drive", pole_pairs=int(over_the_wire["pole_pairs"]))
