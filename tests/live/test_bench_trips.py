"""Whatever fails while the shaft turns: energy goes away in time, the first cause is latched, nothing restarts.

Bounds on time are in virtual time and count poll periods and promised safe times, not this machine's speed.
"""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.live.run import RecordingFailed
from benchd.rules.states import Command, NotAllowed, State
from benchd_rig.safety_chain import Button

from .twin_bench import OnTwin, running

pytestmark = pytest.mark.virtual_time


def quiet(bench: OnTwin) -> bool:
    """No machine can make torque any more, by the plant's own truth."""
    plant = bench.rig.plant
    return not plant.supply.output_on and not plant.load.power_stage_on


async def struck(bench: OnTwin, strike: Callable[[OnTwin], None], *, within_s: float) -> float:
    """Strike at a turning, loaded shaft; the time until the supply was off, in s."""
    await bench.start()
    await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
    loop = asyncio.get_running_loop()
    strike(bench)
    began_s = loop.time()
    await bench.until(lambda: not bench.rig.plant.supply.output_on, "the supply to be off", within_s=within_s)
    gone_s = loop.time() - began_s
    assert await bench.settle() is State.ABORTED
    return gone_s


def wire(device: str, kind: str) -> Callable[[OnTwin], None]:
    return lambda bench: bench.rig.faults[device].switch(kind, on=True)


def plant(fault: str, value: float | bool = True) -> Callable[[OnTwin], None]:
    return lambda bench: bench.rig.set_plant_fault(fault, value)


def press(button: str) -> Callable[[OnTwin], None]:
    return lambda bench: bench.rig.safety_chain.press(Button(button))


STORIES = {
    "overtorque on the transducer": (plant("transducer_offset_nm", 1.9), "shaft_torque above", 0.1),
    "encoder lead off": (plant("encoder_lost"), "shaft_speed without a good reading", 0.7),
    "measuring unit hangs": (wire("measuring_unit", "hang"), "measuring_unit", 0.6),
    "load drive hangs": (wire("load_drive", "hang"), "load_drive", 0.6),
    "load drive unplugged": (wire("load_drive", "refuse"), "load_drive", 0.6),
    "sink drops its wire": (wire("sink", "refuse"), "sink", 0.8),
    "load drive faults by itself": (lambda bench: bench.rig.trip("load_drive"), "load_drive reports fault", 0.2),
    "sink protection trips": (lambda bench: bench.rig.trip("sink"), "sink", 0.2),
    "emergency stop": (press("estop"), "emergency stop is pressed", 0.1),
    "guard opened": (press("open_guard"), "guard is open", 0.1),
    "selector turned to local": (press("local"), "selector", 0.2),
    "winding thermometer open": (plant("winding_thermometer_open"), "winding_temperature", 8.0),
}


@pytest.mark.parametrize("story", sorted(STORIES))
async def test_energy_goes_away_in_time_and_the_first_cause_is_latched(tmp_path: Path, story: str) -> None:
    strike, words, within_s = STORIES[story]
    async with running(tmp_path) as bench:
        await struck(bench, strike, within_s=within_s)
        assert quiet(bench)
        assert abs(bench.truth.motor_speed_rpm) < 20.0
        assert len(bench.told("tripped")) == 1
        assert words in bench.live.cause.sentence
        assert bench.recorded.endings[0][0] == "aborted"
        assert words in bench.recorded.endings[0][1]
        assert len(bench.told("crossed")) <= 6  # no flood of lines for one cause
        for command in (Command.RESET, Command.START):
            with pytest.raises(NotAllowed):
                bench.live.command(command, because="the test")
        await asyncio.sleep(5.0)
        assert bench.state is State.ABORTED
        assert quiet(bench)


@pytest.mark.parametrize(
    ("strike", "braked"),
    [(plant("transducer_offset_nm", 1.9), True), (plant("encoder_lost"), False), (wire("load_drive", "hang"), False)],
    ids=["overtorque", "encoder lost", "drive hangs"],
)
async def test_the_shaft_is_braked_only_where_drive_and_encoder_are_believed(
    tmp_path: Path, strike: Callable[[OnTwin], None], braked: bool
) -> None:
    async with running(tmp_path) as bench:
        await struck(bench, strike, within_s=1.0)
        assert bool(bench.told("coasting")) is not braked


async def test_a_supply_that_ignores_off_withdraws_the_permit_and_the_hardware_takes_the_energy(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        bench.rig.faults["supply"].switch("ignore_writes", on=True)
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        bench.live.command(Command.ABORT, because="the test")
        await bench.until(lambda: bool(bench.told("permit_withdrawn")), "the permit to be withdrawn", within_s=2.0)
        assert loop.time() - began_s <= bench.live.plan.devices["supply"].safe_time_s + 0.1
        assert await bench.settle() is State.ABORTED
        assert not bench.rig.safety_chain.permit
        assert abs(bench.truth.motor_speed_rpm) < 20.0


async def test_clear_then_reset_then_start_runs_again_and_nothing_less_does(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await struck(bench, press("estop"), within_s=0.2)
        assert await bench.command(Command.CLEAR) is State.STOPPED
        assert await bench.command(Command.RESET) is State.STOPPED  # the chain still objects
        assert "emergency stop" in bench.told("failed")[-1]["sentence"]
        bench.rig.safety_chain.press(Button("release_estop"))
        bench.rig.safety_chain.press(Button("reset"))
        await asyncio.sleep(1.0)
        assert bench.state is State.STOPPED  # the chain's reset alone starts nothing (ISO 13850)
        assert await bench.command(Command.RESET) is State.IDLE
        assert await bench.command(Command.START) is State.COMPLETE


async def test_a_full_disk_ramps_down_and_ends_the_run(tmp_path: Path) -> None:
    def full() -> None:
        raise RecordingFailed("The journal cannot be written: no space left on the disk.")

    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        bench.recorded.on_flush = full
        assert await bench.settle() is State.ABORTED
        assert quiet(bench)
        assert "no space left" in bench.told("tripped")[0]["cause"]


@pytest.mark.parametrize("seed", range(3))
async def test_a_healthy_run_trips_nothing(tmp_path: Path, seed: int) -> None:
    async with running(tmp_path, seed=seed) as bench:
        await bench.command(Command.RESET)
        assert await bench.command(Command.START) is State.COMPLETE
        assert bench.told("crossed") == []
        assert bench.told("warning") == []


async def test_refused_starts_enable_nothing_and_say_why(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.command(Command.RESET)
        bench.rig.safety_chain.press(Button("local"))
        assert await bench.command(Command.START) is State.STOPPED
        assert "local" in bench.told("failed")[-1]["sentence"]
        assert quiet(bench)


async def test_an_absent_device_refuses_reset_by_name(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        bench.rig.faults["sink"].switch("refuse", on=True)
        await asyncio.sleep(1.0)
        assert await bench.command(Command.RESET) is State.STOPPED
        assert "sink" in bench.told("failed")[-1]["sentence"]


async def test_a_loaded_transducer_at_standstill_refuses_the_start(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        bench.rig.set_plant_fault("transducer_offset_nm", 0.5)
        await bench.command(Command.RESET)
        assert await bench.command(Command.START) is State.STOPPED
        assert "standstill" in bench.told("failed")[-1]["sentence"]


async def test_leaving_while_the_shaft_turns_removes_energy(tmp_path: Path) -> None:
    async with running(tmp_path) as bench:
        await bench.start()
        await bench.turning()
        rig = bench.rig
    assert not rig.plant.supply.output_on
    assert not rig.plant.load.power_stage_on
