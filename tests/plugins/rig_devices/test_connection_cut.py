"""The daemon's wire is cut while a device is energised, and nothing else happens: the device lets go by itself."""

import asyncio
from collections.abc import Callable

import pytest

from benchd_modbus.drive import drive
from benchd_modbus.settings import ModbusDriveSettings
from benchd_rig.servers import DeviceServers
from benchd_scpi.settings import ScpiSupplySettings
from benchd_scpi.supply import supply

pytestmark = pytest.mark.wires

PERIOD_S = 0.4
STEP_S = 0.002


async def lets_go_after_s(served: DeviceServers, device: str, is_on: Callable[[], bool]) -> float:
    """Cut this device's wire and wait until it is off; the plant's time from the cut, s.

    The chain's contacts stay closed meanwhile: no heartbeat was ever given, so it waits for none.
    """
    bench = served.bench
    bench.advance()
    assert is_on()
    await served.by_device[device].close()
    began_s = bench.plant.time_s
    async with asyncio.timeout(20.0):
        while is_on():
            await asyncio.sleep(STEP_S)
            bench.advance()
    assert bench.safety_chain.permit
    return bench.plant.time_s - began_s


async def test_a_supply_takes_its_voltage_away_within_its_time(served):
    where = served.addresses()["supply"]
    settings = ScpiSupplySettings.model_validate(
        where
        | {"identity": "Quillmoor Instruments,QS80-60", "max_voltage_v": 80.0, "max_current_a": 60.0}
        | {"communication_watchdog_s": PERIOD_S, "headers": {"communication_watchdog": "SYST:COMM:TIM"}}
    )
    async with supply(settings) as ports:
        await ports["output"].set_voltage(12.0, current_limit_a=5.0)
        await ports["output"].switch_output(on=True)
        for _ in range(3 * round(PERIOD_S / 0.05)):  # polled, it stays on for as long as one likes
            await asyncio.sleep(0.05)
            assert (await ports["output"].read()).output_on
        passed_s = await lets_go_after_s(served, "supply", lambda: served.bench.plant.supply.output_on)
        assert 0.5 * PERIOD_S < passed_s < PERIOD_S + 0.15  # a bench catches up for 0.1 s at a time
        await served.by_device["supply"].start()


async def test_without_its_header_a_supply_holds_its_voltage_for_ever(served):
    settings = ScpiSupplySettings.model_validate(
        served.addresses()["supply"]
        | {"identity": "Quillmoor Instruments,QS80-60", "max_voltage_v": 80.0, "max_current_a": 60.0}
    )
    async with supply(settings) as ports:
        await ports["output"].set_voltage(12.0, current_limit_a=5.0)
        await ports["output"].switch_output(on=True)
        await served.by_device["supply"].close()
        began_s = served.bench.plant.time_s
        while served.bench.plant.time_s < began_s + 3.0 * PERIOD_S:
            await asyncio.sleep(0.02)
            served.bench.advance()
        assert served.bench.plant.supply.output_on
        await served.by_device["supply"].start()


async def test_a_drive_takes_its_torque_away_within_its_time(served):
    settings = ModbusDriveSettings.model_validate(
        served.addresses()["load_drive"]
        | {"torque_sign": -1, "max_torque_nm": 0.2, "max_speed_rpm": 3000.0}
        | {"communication_watchdog_ms": round(1000 * PERIOD_S)}
    )
    load_drive = served.bench.load_drive
    async with drive(settings) as ports:
        await ports["axis"].enable()
        for _ in range(3 * round(PERIOD_S / 0.05)):
            await asyncio.sleep(0.05)
            await ports["axis"].follow_torque(-0.05, speed_limit_rpm=600.0)
        assert load_drive.fault_code == 0
        assert abs(served.bench.plant.load_torque_nm) > 0.0
        passed_s = await lets_go_after_s(served, "load_drive", lambda: served.bench.plant.load.power_stage_on)
        # fault reaction 2: a quick stop ramp of 20 000 (r/min)/s from 600 r/min, then off
        assert 0.5 * PERIOD_S < passed_s < PERIOD_S + 0.03 + 0.15
        assert load_drive.fault_code == 0x8130
        await served.by_device["load_drive"].start()
