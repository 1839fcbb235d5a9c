import asyncio
from collections.abc import Mapping

import pytest

from benchd.contract import (
    DeviceFault,
    DriveState,
    LinkLost,
    OutOfRange,
    Port,
    Refused,
    ReplyWrong,
)
from benchd.live.virtual_time import run_virtual
from benchd_rig.in_process import TwinDrivers, twin_drivers
from benchd_rig.safety_chain import Button


async def entered(twin: TwinDrivers, device: str) -> Port:
    """The first port of a device."""
    ports: Mapping[str, Port] = await twin[device].__aenter__()
    return next(iter(ports.values()))


def test_a_motor_runs_against_the_load_drive_in_virtual_time():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output, axis = await entered(twin, "supply"), await entered(twin, "load_drive")
        inputs = await entered(twin, "measuring_unit")
        await output.set_over_voltage_protection(30.0)
        await output.set_voltage(24.0, current_limit_a=10.0)
        await output.switch_output(on=True)
        await axis.enable()
        await axis.follow_torque(0.2, speed_limit_rpm=5000.0)
        for _ in range(100):  # a drive's watchdog wants to be asked
            await asyncio.sleep(0.02)
            drive = await axis.read()
        measured = await inputs.read()
        truth = twin.bench.plant.truth()
        assert drive.state is DriveState.OPERATION_ENABLED
        assert drive.torque_nm == pytest.approx(0.2, abs=0.002)
        assert drive.speed_rpm == pytest.approx(truth.load_speed_rpm, abs=1.0)
        assert set(measured.values) == {"ai1_v", "ai2_v", "ai3_v", "ai4_v", "encoder_rpm", "ai6_v"}
        assert measured.values["encoder_rpm"] == pytest.approx(truth.motor_speed_rpm, rel=1e-3)
        assert measured.values["ai3_v"] * 0.2 == pytest.approx(truth.shaft_torque_nm, abs=0.002)
        supply = await output.read()
        assert supply.output_on
        assert supply.current_a == pytest.approx(truth.supply_current_a, abs=0.05)
        await axis.disable()
        assert (await axis.read()).state is DriveState.READY_TO_SWITCH_ON
        await output.make_safe()
        assert not (await output.read()).output_on

    run_virtual(story())


def test_a_call_takes_the_reply_time_and_shows_the_plant_at_its_own_instant():
    async def story():
        loop = asyncio.get_running_loop()
        twin = twin_drivers("vent_flap_24v", seed=1)
        group = await entered(twin, "thermometers")
        await asyncio.sleep(0.5)
        before = loop.time()
        reading = await group.read()
        assert loop.time() - before == pytest.approx(0.002)
        assert before <= reading.taken_mono_s <= loop.time()
        assert twin.bench.plant.time_s == pytest.approx(0.5, abs=0.003)
        assert set(reading.signals()) == {"winding_degc", "housing_degc", "ambient_degc", "magnet_degc"}
        cabinet = await (await entered(twin, "cabinet_thermometers")).read()
        assert set(cabinet.signals()) == {"supply_air_degc", "rack_degc"}

    run_virtual(story())


def test_leaving_removes_energy_and_leaves_the_sink_absorbing():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        async with twin["sink"] as sink, twin["supply"] as supply, twin["load_drive"] as drive:
            await sink["input"].arm(threshold_v=28.0, current_limit_a=20.0)
            await supply["output"].set_voltage(12.0, current_limit_a=5.0)
            await supply["output"].switch_output(on=True)
            await drive["axis"].enable()
            assert twin.bench.plant.load.power_stage_on
        assert not twin.bench.plant.load.power_stage_on
        assert not twin.bench.plant.supply.output_on
        assert twin.bench.plant.sink.input_on
        await twin["supply"].__aexit__(None, None, None)

    run_virtual(story())


def test_a_sink_is_armed_and_disarmed():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        port = await entered(twin, "sink")
        assert not (await port.read_settings()).armed
        await port.arm(threshold_v=28.0, current_limit_a=20.0)
        settings = await port.read_settings()
        assert (settings.armed, settings.threshold_v, settings.current_limit_a) == (True, 28.0, 20.0)
        await port.disarm()
        assert not (await port.read()).input_on
        twin.bench.trip("sink")
        with pytest.raises(DeviceFault):
            await port.arm(threshold_v=28.0, current_limit_a=20.0)

    run_virtual(story())


def test_the_chain_is_read_beaten_and_opened():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        chain, output = await entered(twin, "safety_chain"), await entered(twin, "supply")
        assert (await chain.read()).permit
        high = True
        for _ in range(20):
            await chain.beat(high=high)
            high = not high
            await asyncio.sleep(0.1)
        assert (await chain.read()).permit
        await asyncio.sleep(0.6)
        assert not (await chain.read()).permit
        with pytest.raises(Refused, match="interlock"):
            await output.switch_output(on=True)
        await chain.beat(high=high)
        twin.bench.safety_chain.press(Button.RESET)
        assert (await chain.read()).permit
        await chain.withdraw_permit()
        reading = await chain.read()
        assert (reading.permit, reading.torque_enabled) == (False, False)

    run_virtual(story())


def test_a_fault_of_the_drive_is_a_device_fault_until_it_is_cleared():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        axis = await entered(twin, "load_drive")
        twin.bench.trip("load_drive")
        assert (await axis.read()).fault_code == 0xFF01
        with pytest.raises(DeviceFault, match="0xFF01"):
            await axis.enable()
        await axis.clear_fault()
        assert (await axis.read()).state is DriveState.SWITCH_ON_DISABLED
        await axis.clear_fault()
        await axis.enable()

    run_virtual(story())


def test_with_sto_active_enabling_is_refused():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        axis = await entered(twin, "load_drive")
        twin.bench.safety_chain.press(Button.STO)
        await asyncio.sleep(0.05)
        with pytest.raises(Refused, match="STO"):
            await axis.enable()

    run_virtual(story())


def test_disabling_at_speed_waits_for_the_ramp():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        axis = await entered(twin, "load_drive")
        await axis.enable()
        await axis.follow_speed(2000.0, torque_limit_nm=1.0)
        for _ in range(50):
            await asyncio.sleep(0.02)
            reading = await axis.read()
        assert reading.speed_rpm == pytest.approx(2000.0, abs=20.0)
        await axis.disable()
        reading = await axis.read()
        assert reading.state is DriveState.READY_TO_SWITCH_ON
        assert not twin.bench.plant.load.power_stage_on
        assert abs(reading.speed_rpm) < 50.0

    run_virtual(story())


def test_limits_are_told_and_what_is_beyond_them_is_not_sent():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        axis, output = await entered(twin, "load_drive"), await entered(twin, "supply")
        limits = await axis.read_limits()
        assert (limits.overspeed_rpm, limits.torque_limit_nm, limits.rated_torque_nm) == (6000.0, 1.8, 2.0)
        with pytest.raises(OutOfRange):
            await axis.follow_torque(1.9, speed_limit_rpm=1000.0)
        with pytest.raises(OutOfRange):
            await axis.follow_speed(6001.0, torque_limit_nm=1.0)
        with pytest.raises(OutOfRange):
            await output.set_voltage(81.0, current_limit_a=1.0)
        with pytest.raises(OutOfRange):
            await output.set_voltage(float("nan"), current_limit_a=1.0)
        assert (await output.read_settings()).voltage_v == 0.0

    run_virtual(story())


@pytest.mark.parametrize(
    ("kind", "parameters", "error"),
    [
        ("hang", {}, LinkLost),
        ("late_reply", {"delay_s": 1.0}, LinkLost),
        ("drop", {}, LinkLost),
        ("refuse", {}, LinkLost),
        ("garbage", {}, ReplyWrong),
        ("truncated_reply", {}, ReplyWrong),
        ("nan", {}, ReplyWrong),
    ],
)
def test_a_faulty_wire_raises_the_contracts_error_and_a_new_connection_mends_it(kind, parameters, error):
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output = await entered(twin, "supply")
        faults = twin.bench.faults["supply"]
        faults.switch(kind, on=True, parameters=parameters)
        async with asyncio.timeout(5):
            with pytest.raises(error):
                await output.read()
        faults.clear()
        await twin["supply"].reconnect()
        assert not (await output.read()).output_on

    run_virtual(story())


def test_a_spoiled_connection_says_so_until_it_is_replaced():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output = await entered(twin, "supply")
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.001):
                await output.read()
        with pytest.raises(LinkLost):
            await output.read()
        await output.make_safe()  # legal while spoiled
        assert not (await output.read()).output_on

    run_virtual(story())


def test_writes_that_are_ignored_or_refused_are_noticed():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output, chain = await entered(twin, "supply"), await entered(twin, "safety_chain")
        faults = twin.bench.faults["supply"]
        faults.switch("ignore_writes", on=True)
        with pytest.raises(ReplyWrong):
            await output.set_voltage(5.0, current_limit_a=1.0)
        faults.clear()
        faults.switch("says_no", on=True)
        with pytest.raises(Refused):
            await output.set_voltage(5.0, current_limit_a=1.0)
        twin.bench.faults["safety_chain"].switch("ignore_writes", on=True)
        with pytest.raises(Refused):
            await chain.withdraw_permit()

    run_virtual(story())


def test_a_stuck_reading_is_old_in_its_value_and_new_in_its_time():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output = await entered(twin, "supply")
        twin.bench.faults["supply"].switch("stuck_value", on=True)
        before = await output.read()
        await output.set_voltage(24.0, current_limit_a=5.0)
        twin.bench.supply.switch_output(on=True)
        await asyncio.sleep(0.5)
        after = await output.read()
        assert after.voltage_v == before.voltage_v == 0.0
        assert after.taken_mono_s > before.taken_mono_s + 0.4

    run_virtual(story())


def test_another_device_is_refused_on_entering_and_reconnecting():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        await entered(twin, "sink")
        for device in ("sink", "load_drive"):
            twin.bench.faults[device].switch("wrong_identity", on=True)
        with pytest.raises(Refused):
            await twin["load_drive"].__aenter__()
        with pytest.raises(Refused):
            await twin["sink"].reconnect()

    run_virtual(story())


def test_reconnecting_changes_nothing_on_the_device():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=1)
        output = await entered(twin, "supply")
        await output.set_voltage(12.0, current_limit_a=5.0)
        await output.switch_output(on=True)
        await twin["supply"].reconnect()
        assert (await output.read_settings()).output_on

    run_virtual(story())


def test_the_same_story_gives_the_same_numbers():
    async def story():
        twin = twin_drivers("vent_flap_24v", seed=9)
        output, inputs = await entered(twin, "supply"), await entered(twin, "measuring_unit")
        await output.set_voltage(24.0, current_limit_a=10.0)
        await output.switch_output(on=True)
        await asyncio.sleep(0.3)
        return (await inputs.read()).values

    assert run_virtual(story()) == run_virtual(story())
