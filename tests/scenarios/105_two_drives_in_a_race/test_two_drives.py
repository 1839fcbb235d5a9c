"""A motor drive and a load drive with a lag: the one that drives is without torque before the other lets go.

Zeroed in a race a machine with the torque T and the lag τ leaves the shaft with an overspeed of T·τ/J; a stop in the
order of the cause must not show it, in either direction of power.
"""

import asyncio
import math
from pathlib import Path

import pytest

from benchd.live.causes import Cause
from benchd.live.virtual_time import run_virtual
from benchd.rules.limits import Reaction
from benchd.rules.states import Command, State
from benchd_rig.plant import Plant
from tests.live.twin_bench import BRUSHLESS, running
from tests.scenarios.brushless import SHORT, TORQUE_NM, Loaded, drivers, inertia_kgm2, lagging, loaded
from tests.scenarios.driven import fastest_rpm

LAG_S = 0.025
RPM = 30.0 / math.pi
SLOW_LOAD = lagging(load_s=LAG_S)
RACE_RPM = TORQUE_NM * LAG_S / inertia_kgm2(SLOW_LOAD) * RPM


def test_in_a_race_this_rig_throws_its_shaft_up() -> None:
    plant = Plant(SLOW_LOAD)
    plant.supply.output_on, plant.supply.voltage_v, plant.supply.current_limit_a = True, 48.0, 18.0
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 54.0, 20.0
    plant.advance_to(0.5)
    plant.motor_drive.power_stage_on, plant.motor_drive.mode = True, "speed"
    plant.motor_drive.speed_rpm, plant.motor_drive.torque_bound_nm = 2000.0, 3.0
    plant.advance_to(2.0)
    plant.load.power_stage_on, plant.load.torque_nm = True, -TORQUE_NM
    plant.advance_to(3.0)
    began_rpm = fastest = plant.truth().motor_speed_rpm
    plant.load.power_stage_on = plant.motor_drive.power_stage_on = False
    for number in range(200):
        plant.advance_to(3.0 + 0.001 * number)
        fastest = max(fastest, plant.motor_speed_rpm)
    assert 0.6 * RACE_RPM <= fastest - began_rpm <= RACE_RPM  # friction and iron loss take the rest


@pytest.mark.parametrize("doubted", ["", "motor_drive", "load_drive", "measuring_unit"])
@pytest.mark.parametrize("torque_nm", [TORQUE_NM, -TORQUE_NM], ids=["the converter drives", "the load machine drives"])
def test_the_bench_lets_two_machines_go_in_order(tmp_path: Path, torque_nm: float, doubted: str) -> None:
    async def story() -> None:
        twin = drivers(SLOW_LOAD)
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=[Loaded(torque_nm)], drivers=twin) as bench:
            speed_rpm = await loaded(bench, torque_nm)
            cause = Cause(sentence="the story", reaction=Reaction.CUT, doubted=frozenset({doubted} if doubted else ()))
            bench.live.trip(cause)
            assert await fastest_rpm(bench, for_s=0.6) - speed_rpm <= 0.1 * RACE_RPM
            assert await bench.settle() is State.ABORTED
            plant = bench.rig.plant
            assert not any((plant.supply.output_on, plant.load.power_stage_on, plant.motor_drive.power_stage_on))
            assert plant.meter.pair == 0
            assert bench.rig.safety_chain.permit
            assert len(bench.told("tripped")) == 1
            assert bool(bench.told("coasting")) is bool(doubted)
            assert len(bench.log) <= 90

    run_virtual(story())


@pytest.mark.parametrize("torque_nm", [TORQUE_NM, -TORQUE_NM], ids=["the converter drives", "the load machine drives"])
@pytest.mark.parametrize("holds", ["motor drive", "load drive"])
def test_a_stop_brings_both_to_rest_with_the_link_below_its_sink(tmp_path: Path, holds: str, torque_nm: float) -> None:
    async def story() -> None:
        tests = [Loaded(torque_nm, holds=holds)]
        async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, tests=tests) as bench:
            await loaded(bench, torque_nm)
            bench.live.command(Command.STOP, because="the story")
            highest_v = slowest_rpm = 0.0
            while bench.state is not State.STOPPED:
                truth = bench.truth
                highest_v, slowest_rpm = max(highest_v, truth.link_v), min(slowest_rpm, truth.motor_speed_rpm)
                assert bench.state in {State.STOPPING, State.STOPPED}
                await asyncio.sleep(0.002)
            assert highest_v < 58.0  # the supply's own protection
            assert slowest_rpm > -100.0
            assert bench.live.cause is None
            assert bench.told("standstill")[-1]["told_by"] == ["load_drive", "measuring_unit", "motor_drive"]

    run_virtual(story())
