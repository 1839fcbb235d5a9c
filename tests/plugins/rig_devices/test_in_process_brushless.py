"""The in-process ports that a brushless bench has more than a brushed one's, in virtual time."""

import asyncio
import math
from itertools import pairwise

import numpy as np
import pytest

from benchd.contract import (
    DeviceFault,
    DriveState,
    LinkLost,
    OutOfRange,
    Refused,
    ReplyWrong,
)
from benchd.live.virtual_time import run_virtual
from benchd_rig.in_process import TwinDrivers, twin_drivers
from benchd_rig.safety_chain import Button

RESULTS = {
    *("u1_v", "u2_v", "u3_v", "i1_a", "i2_a", "i3_a", "p1_w", "p2_w", "p3_w"),
    *("u_v", "u_fundamental_v", "i_a", "p_w", "s_va", "power_factor", "frequency_hz"),
}


async def opened(twin: TwinDrivers, *places: str):
    """Ports by "device.port", each device entered once."""
    found = {}
    for device in dict.fromkeys(place.split(".")[0] for place in places):
        found |= {f"{device}.{name}": port for name, port in (await twin[device].__aenter__()).items()}
    return [found[place] for place in places]


async def turning(twin: TwinDrivers, axis, speed_rpm: float):
    """The link at 48 V and the motor drive at a speed."""
    [output] = await opened(twin, "supply.output")
    await output.set_voltage(48.0, current_limit_a=30.0)
    await output.switch_output(on=True)
    await asyncio.sleep(0.3)
    await axis.enable()
    await axis.follow_speed(speed_rpm, torque_limit_nm=3.0)
    for _ in range(60):
        await asyncio.sleep(0.02)
        await axis.read()


@pytest.mark.parametrize("direction", [1, -1])
def test_the_motor_drive_has_house_signs_in_both_directions(direction):
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        axis, load = await opened(twin, "motor_drive.axis", "load_drive.axis")
        await turning(twin, axis, direction * 1200.0)
        await load.enable()
        await load.follow_torque(direction * 1.0, speed_limit_rpm=3000.0)
        torques = []
        for _ in range(100):
            await asyncio.sleep(0.0213)
            reading, braking = await axis.read(), await load.read()
            torques.append(twin.bench.plant.truth().shaft_torque_nm)
        shaft_nm = sum(torques[40:]) / 60  # the motor cogs
        assert reading.state is DriveState.OPERATION_ENABLED
        assert reading.speed_rpm == pytest.approx(direction * 1200.0, abs=5.0)
        assert shaft_nm == pytest.approx(direction * 1.0, abs=0.04)
        assert reading.torque_nm == pytest.approx(direction * 1.05, abs=0.12)
        assert braking.torque_nm == pytest.approx(direction * 1.0, abs=0.02)
        assert reading.dc_link_v == pytest.approx(48.0, abs=0.5)
        assert reading.winding_degc is None
        await axis.disable()
        assert (await axis.read()).state is DriveState.READY_TO_SWITCH_ON

    run_virtual(story())


def test_a_torque_is_followed_in_house_sign_and_bounded_by_the_drive_itself():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        [axis] = await opened(twin, "motor_drive.axis")
        limits = await axis.read_limits()
        assert (limits.overspeed_rpm, limits.rated_torque_nm) == (5500.0, 2.39)
        assert limits.torque_limit_nm == pytest.approx(1.5 * 2.39)
        with pytest.raises(OutOfRange, match="motor_drive was to be given a torque of 4"):
            await axis.follow_torque(4.0, speed_limit_rpm=1000.0)
        await axis.enable()
        await axis.follow_torque(-0.5, speed_limit_rpm=1000.0)
        await asyncio.sleep(0.2)
        await axis.read()
        assert twin.bench.plant.motor_drive.torque_nm == pytest.approx(-0.5, abs=0.002)

    run_virtual(story())


def test_leaving_takes_the_converters_torque_and_the_meters_current_away():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        async with twin["motor_drive"] as drive:
            await drive["axis"].enable()
            assert twin.bench.plant.motor_drive.power_stage_on
        assert not twin.bench.plant.motor_drive.power_stage_on
        async with twin["resistance_meter"] as meter:
            await meter["winding"].connect(12)
            await meter["winding"].set_current(1.0)
        assert (twin.bench.plant.meter.pair, twin.bench.plant.meter.current_a) == (0, 0.0)
        assert not twin.bench.resistance_meter.power_leads_closed

    run_virtual(story())


def test_a_lost_permit_and_a_trip_name_the_motor_drive():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        [axis] = await opened(twin, "motor_drive.axis")
        twin.bench.safety_chain.press(Button.STO)
        await asyncio.sleep(0.05)
        with pytest.raises(Refused, match=r"motor_drive stays in .* while its STO input is active"):
            await axis.enable()
        twin.bench.trip("motor_drive")
        with pytest.raises(DeviceFault, match="motor_drive is in"):
            await axis.enable()

    run_virtual(story())


def test_the_analyser_tells_every_result_by_its_name():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        axis, result = await opened(twin, "motor_drive.axis", "power_analyser.result")
        still = await result.read()
        assert set(still.values) == RESULTS
        assert math.isnan(still.values["frequency_hz"])
        await turning(twin, axis, 1500.0)
        reading = await result.read()
        assert reading.window_s == 0.1
        assert reading.values["frequency_hz"] == pytest.approx(100.0, rel=1e-3)  # 4 pole pairs at 1500 r/min
        phases = sum(reading.values[f"p{phase}_w"] for phase in (1, 2, 3))
        assert reading.values["p_w"] == pytest.approx(phases, rel=2e-3, abs=0.1)
        assert reading.overloaded == frozenset()
        twin.bench.faults["power_analyser"].switch("nan", on=True)
        assert all(math.isnan(value) for value in (await result.read()).values.values())

    run_virtual(story())


def test_the_stream_gives_every_sample_once_and_shows_the_phase_currents():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        axis, stream, inputs = await opened(
            twin, "motor_drive.axis", "measuring_unit.waveforms", "measuring_unit.inputs"
        )
        await turning(twin, axis, 1500.0)
        with pytest.raises(Refused, match="does not run"):
            await stream.read_block()
        await stream.start()
        blocks = []
        for _ in range(10):
            await asyncio.sleep(0.05)
            await axis.read()
            await inputs.read()
            blocks.append(await stream.read_block())
        for before, after in pairwise(blocks):
            assert after.first_index == before.first_index + before.samples
        assert (blocks[0].first_index, blocks[-1].lost, blocks[0].rate_hz) == (0, 0, 20_000.0)
        assert blocks[0].signals == tuple(f"ai{number}_v" for number in range(11, 19))
        samples = np.concatenate([np.frombuffer(each.data, "<f4").reshape(-1, 8) for each in blocks])
        assert len(samples) == sum(each.samples for each in blocks) >= 10_000
        currents_a = 10.0 * samples[:, 3:6].astype(float)
        assert np.abs(currents_a.sum(axis=1)).max() < 0.1 * np.abs(currents_a).max() + 0.1  # no fourth wire
        whole_turns = currents_a[:10_000]  # 50 periods of 100 Hz
        spectrum = np.abs(np.fft.rfft(whole_turns[:, 0] - whole_turns[:, 0].mean()))
        assert spectrum.argmax() * 20_000 / 10_000 == pytest.approx(100.0, abs=2.0)
        await stream.stop()
        await stream.stop()
        with pytest.raises(Refused):
            await stream.read_block()

    run_virtual(story())


def test_a_truncated_block_spoils_the_connection_until_it_is_replaced():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        stream, inputs = await opened(twin, "measuring_unit.waveforms", "measuring_unit.inputs")
        await stream.start()
        await asyncio.sleep(0.05)
        twin.bench.faults["measuring_unit"].switch("truncated_block", on=True, times=1)
        await inputs.read()
        with pytest.raises(ReplyWrong, match="ends too early"):
            await stream.read_block()
        with pytest.raises(LinkLost):
            await inputs.read()
        await twin["measuring_unit"].reconnect()
        await inputs.read()
        assert (await stream.read_block()).first_index > 0  # what was in the spoilt block is gone

    run_virtual(story())


def test_an_ignored_start_and_a_stuck_block_are_seen():
    async def story():
        twin = twin_drivers("pump_48v", seed=1)
        [stream] = await opened(twin, "measuring_unit.waveforms")
        faults = twin.bench.faults["measuring_unit"]
        faults.switch("ignore_writes", on=True)
        with pytest.raises(ReplyWrong):
            await stream.start()
        faults.clear()
        await stream.start()
        faults.switch("stuck_value", on=True)
        await asyncio.sleep(0.05)
        first = await stream.read_block()
        await asyncio.sleep(0.05)
        assert (await stream.read_block()).first_index == first.first_index

    run_virtual(story())


def test_the_meter_measures_a_winding_with_both_signs_and_gives_it_back():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        [winding] = await opened(twin, "resistance_meter.winding")
        assert not (await winding.read()).power_leads_open
        await winding.connect(12)
        seen = []
        for current_a in (1.0, -1.0):
            await winding.set_current(current_a)
            await asyncio.sleep(0.5)
            seen.append(await winding.read())
        forward, back = seen
        assert (forward.pair, forward.power_leads_open) == (12, True)
        assert forward.current_a == pytest.approx(1.0, abs=2e-3)
        assert back.current_a == pytest.approx(-1.0, abs=2e-3)
        assert forward.voltage_v > 0.5 > -0.5 > back.voltage_v
        await winding.disconnect()
        after = await winding.read()
        assert (after.pair, after.power_leads_open) == (0, False)

    run_virtual(story())


def test_the_meter_refuses_what_it_must_with_nothing_connected():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        [winding] = await opened(twin, "resistance_meter.winding")
        with pytest.raises(Refused, match="nothing is connected"):
            await winding.set_current(1.0)
        with pytest.raises(OutOfRange):
            await winding.set_current(2.5)
        with pytest.raises(OutOfRange):
            await winding.connect(21)
        with pytest.raises(Refused, match="two terminals"):
            await winding.connect(23)
        await winding.disconnect()
        twin.bench.set_plant_fault("contactor_welded", True)
        with pytest.raises(Refused, match="power leads stay closed"):
            await winding.connect(12)
        assert (await winding.read()).pair == 0

    run_virtual(story())


def test_making_safe_takes_the_current_away_beside_a_hanging_call_and_leaves_the_leads():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        [winding] = await opened(twin, "resistance_meter.winding")
        await winding.connect(12)
        await winding.set_current(1.0)
        twin.bench.faults["resistance_meter"].switch("hang", on=True, times=1)
        async with asyncio.TaskGroup() as tasks:
            hanging = tasks.create_task(winding.read())
            await asyncio.sleep(0.01)
            hanging.cancel()
        await winding.make_safe()
        await winding.make_safe()
        reading = await winding.read()
        assert (reading.pair, reading.power_leads_open) == (0, True)
        assert twin.bench.plant.meter.current_a == 0.0

    run_virtual(story())
