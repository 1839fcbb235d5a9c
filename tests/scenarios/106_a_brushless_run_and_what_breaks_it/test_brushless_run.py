"""A short brushless run from the winding to a captured point, and what breaks it on the way: all on the twin."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.live.virtual_time import run_virtual
from benchd.rules.states import Command, State
from benchd_rig.safety_chain import Button
from tests.live.twin_bench import BRUSHLESS, OnTwin, running
from tests.scenarios.brushless import SHORT, TORQUE_NM, Loaded, loaded


def quiet(bench: OnTwin) -> bool:
    plant = bench.rig.plant
    on = (plant.supply.output_on, plant.load.power_stage_on, plant.motor_drive.power_stage_on)
    return not any(on) and plant.meter.pair == 0 and plant.meter.current_a == 0.0


def test_it_measures_the_winding_first_then_enables_and_captures_a_window_at_each_point(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
            await bench.start()
            plant = bench.rig.plant
            currents: set[tuple[int, float]] = set()
            while not [one for one in bench.told("test_started") if one["title"] == "Load test"]:
                bench.rig.advance()
                currents.add((plant.meter.pair, plant.meter.current_a))
                if plant.meter.pair:
                    assert not plant.meter.contactor_closed
                    assert not plant.supply.output_on
                await asyncio.sleep(0.001)
            assert {(pair, sign * 1.5) for pair in (12, 23, 13) for sign in (1.0, -1.0)} <= currents
            assert plant.meter.contactor_closed
            assert await bench.settle() is State.COMPLETE
            assert quiet(bench)
            assert bench.told("crossed") == []
            assert [window.test for window in bench.recorded.windows] == [1, 1, 1, 1]  # up and down again
            assert all(window.samples == 4000 and not window.lossy for window in bench.recorded.windows)
            assert len(bench.log) <= 120

    run_virtual(story())


def test_power_leads_that_do_not_open_end_the_run_before_anything_is_on(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
            bench.rig.set_plant_fault("contactor_welded", value=True)
            await bench.start()
            assert await bench.settle() is State.ABORTED
            assert "resistance_meter" in bench.live.cause.sentence
            assert quiet(bench)
            assert len(bench.told("tripped")) == 1

    run_virtual(story())


def wire(device: str, kind: str) -> Callable[[OnTwin], None]:
    return lambda bench: bench.rig.faults[device].switch(kind, on=True)


STORIES: dict[str, tuple[Callable[[OnTwin], None], str, bool]] = {
    "the converter hangs": (wire("motor_drive", "hang"), "motor_drive", False),
    "the converter is unplugged": (wire("motor_drive", "refuse"), "motor_drive", False),
    "the load drive hangs": (wire("load_drive", "hang"), "load_drive", False),
    "the meter hangs": (wire("resistance_meter", "hang"), "resistance_meter", False),
    "the converter faults by itself": (lambda bench: bench.rig.trip("motor_drive"), "motor_drive", True),
    "the supply trips by itself": (lambda bench: bench.rig.trip("supply"), "supply", True),
    "emergency stop": (lambda bench: bench.rig.safety_chain.press(Button("estop")), "emergency stop", False),
    # it is told to make no torque and the shaft gains speed: the permit answers, beside the drive's own overspeed trip
    "the load drive runs away": (lambda bench: bench.rig.set_plant_fault("load_runs_away", value=True), "", False),
}


@pytest.mark.parametrize("story", STORIES)
def test_whatever_breaks_the_energy_goes_away_and_the_first_cause_is_latched(tmp_path: Path, story: str) -> None:
    strike, words, permit = STORIES[story]

    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=[Loaded(TORQUE_NM)]) as bench:
            await loaded(bench, TORQUE_NM)
            loop = asyncio.get_running_loop()
            strike(bench)
            struck_s = loop.time()
            fastest = 0.0
            while not quiet(bench):
                truth = bench.truth
                fastest = max(fastest, abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm))
                assert loop.time() - struck_s < 8.0, bench.states
                await asyncio.sleep(0.002)
            assert await bench.settle() is State.ABORTED
            assert fastest < bench.run.plan.train_speed_rpm
            assert words in bench.live.cause.sentence
            assert bench.rig.safety_chain.permit is permit
            assert len(bench.told("tripped")) == 1
            assert len(bench.told("crossed")) <= 8
            truth = bench.truth
            assert max(abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm)) < 20.0

    run_virtual(played())


def test_with_a_broken_coupling_no_end_of_the_shaft_is_called_standing_while_the_other_turns(tmp_path: Path) -> None:
    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=[Loaded(0.3)]) as bench:
            await loaded(bench, 0.3)
            bench.rig.set_plant_fault("coupling_broken", value=True)
            await asyncio.sleep(0.1)
            bench.live.command(Command.ABORT, because="the story")
            while not bench.told("standstill") and bench.state is State.ABORTING:
                await asyncio.sleep(0.002)
            truth = bench.truth
            stands = max(abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm)) < 20.0
            assert await bench.settle() is State.ABORTED
            assert stands or not bench.told("standstill")  # coasting apart, an end may turn beyond the coasting time
            assert bench.told("standstill") or "did not come to rest" in bench.told("failed")[0]["sentence"]
            assert quiet(bench)

    run_virtual(played())


def test_with_a_broken_coupling_the_end_of_a_silent_load_drive_is_never_called_standing(tmp_path: Path) -> None:
    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=[Loaded(0.3)]) as bench:
            await loaded(bench, 0.3)
            bench.rig.set_plant_fault("coupling_broken", value=True)
            wire("load_drive", "hang")(bench)
            assert await bench.settle() is State.ABORTED
            (told,) = bench.told("standstill")
            assert told["measured"] is False
            assert told["untold"] == ["load_drive"]
            assert (
                "No speed is read from load_drive: that end of the shaft may turn"
                in bench.told("failed")[0]["sentence"]
            )

    run_virtual(played())


def test_with_two_phases_exchanged_no_point_is_played_and_the_cause_says_what_to_look_at(tmp_path: Path) -> None:
    """The load drive turns the shaft slowly, the winding takes a small current and makes no torque: nothing more."""

    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
            bench.rig.set_plant_fault("phases_swapped", value=True)
            await bench.start()
            assert await bench.settle() is State.ABORTED
            assert "flow in each phase: look for two exchanged phase leads" in bench.live.cause.sentence
            assert {fields["test"] for fields in bench.told("point_started")} == {0}  # of the winding's resistance
            assert bench.rig.safety_chain.permit
            assert quiet(bench)

    run_virtual(played())


@pytest.mark.parametrize("device", ["resistance_meter", "supply"])
def test_a_device_whose_wire_was_lost_in_use_is_told_again_when_it_answers(tmp_path: Path, device: str) -> None:
    """Nobody reaches it in the stop: its current stays until it hears again, and not until somebody gives Clear."""

    async def played() -> None:
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
            await bench.start()
            plant, loop = bench.rig.plant, asyncio.get_running_loop()

            def in_use() -> bool:
                bench.rig.advance()
                return plant.meter.current_a != 0.0 if device == "resistance_meter" else plant.supply.output_on

            await bench.until(in_use, f"{device} in use")
            if device == "supply":
                bench.rig.faults["safety_chain"].switch("ignore_writes", on=True)  # nor does the permit take it away
            wire(device, "hang")(bench)
            assert await bench.settle() is State.ABORTED
            assert in_use() or device == "supply"
            await asyncio.sleep(5.0)
            bench.rig.faults[device].switch("hang", on=False)
            began_s = loop.time()
            await bench.until(lambda: not in_use(), "it is off", within_s=8.0)
            assert loop.time() - began_s < 4.0
            assert bench.state is State.ABORTED

    run_virtual(played())
