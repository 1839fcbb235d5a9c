"""Why two machines are never zeroed in a race: the one whose torque lags throws the shaft up before it lets go.

A machine that drives with T and loses its torque with the time constant τ leaves the shaft, once the other machine
holds nothing any more, with an overspeed of T·τ/J (the integral of T·exp(-t/τ) over the inertia).
"""

import asyncio
import math
from pathlib import Path

import pytest

from benchd.live.causes import Cause
from benchd.live.virtual_time import run_virtual
from benchd.rules.limits import Reaction
from benchd.rules.states import State
from benchd_rig.plant import Plant
from tests.live.twin_bench import running
from tests.scenarios.driven import Driven, drivers, fastest_rpm, lagging, regenerating

LAG_S = 0.025
DRIVING_NM = 0.3
RPM = 30.0 / math.pi


def overspeed_rpm(*, torque_nm: float, lag_s: float, inertia_kgm2: float) -> float:
    return torque_nm * lag_s / inertia_kgm2 * RPM


def test_eight_newton_metres_and_a_lag_of_25_ms_on_a_small_rotor_are_3800_rpm() -> None:
    assert overspeed_rpm(torque_nm=8.0, lag_s=LAG_S, inertia_kgm2=5e-4) == pytest.approx(3820.0, rel=1e-3)
    # the same by adding up small steps of the decaying torque
    step_s, speed_rad_s, torque_nm = 1e-5, 0.0, 8.0
    for _ in range(100_000):
        speed_rad_s += torque_nm / 5e-4 * step_s
        torque_nm -= torque_nm / LAG_S * step_s
    assert speed_rad_s * RPM == pytest.approx(3820.0, rel=1e-2)


def _zeroed(plant: Plant, *, in_a_race: bool) -> tuple[float, float]:
    """Greatest rise of speed, r/min, from a driven steady state, and the drag there, N·m.

    In a race the specimen holds nothing any more when the drive is switched off.
    """
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 30.0, 20.0
    plant.load.power_stage_on, plant.load.torque_nm = True, -DRIVING_NM
    plant.advance_to(3.0)
    start = plant.truth()
    assert start.sink_current_a > 3.0
    plant.load.power_stage_on = False
    plant.faults.sink_dead = in_a_race
    fastest = start.motor_speed_rpm
    for number in range(300):
        plant.advance_to(3.0 + 0.001 * number)
        fastest = max(fastest, plant.motor_speed_rpm)
    return fastest - start.motor_speed_rpm, start.airgap_torque_nm - start.load_torque_nm


def test_in_a_race_the_rig_throws_its_shaft_up_as_the_closed_form_says_and_in_order_it_does_not() -> None:
    specimen = lagging(torque_lag_s=LAG_S)
    inertia = specimen.motor.inertia_kgm2 + specimen.bench.load_machine.inertia_kgm2
    race, drag_nm = _zeroed(Plant(specimen), in_a_race=True)
    frictionless = overspeed_rpm(torque_nm=DRIVING_NM, lag_s=LAG_S, inertia_kgm2=inertia)
    # with a drag D the shaft rises until T·exp(-t/τ) = D: by τ/J·(T - D - D·ln(T/D))
    share = drag_nm / DRIVING_NM
    closed = frictionless * (1.0 - share + share * math.log(share))
    assert 0.75 * closed <= race <= closed  # the rest is the charge that the link's capacitor still takes
    in_order, _ = _zeroed(Plant(specimen), in_a_race=False)
    assert in_order <= 0.05 * race


@pytest.mark.parametrize("doubted", ["load_drive", "measuring_unit", ""])
def test_the_bench_lets_a_lagging_driving_machine_go_without_throwing_the_shaft_up(
    tmp_path: Path, doubted: str
) -> None:
    async def story() -> None:
        async with running(tmp_path, tests=[Driven()], drivers=drivers(lagging(torque_lag_s=LAG_S))) as bench:
            speed_rpm = await regenerating(bench)
            loop = asyncio.get_running_loop()
            struck_s = loop.time()
            cause = Cause(sentence="the story", reaction=Reaction.CUT, doubted=frozenset({doubted} if doubted else ()))
            bench.live.trip(cause)
            fastest = await fastest_rpm(bench, for_s=0.5)
            assert fastest - speed_rpm <= 20.0  # a race throws it up by five times that
            assert await bench.settle() is State.ABORTED
            assert loop.time() - struck_s <= 15.0
            made_safe = [fields["port"] for fields in bench.told("made_safe")[-2:]]
            braked = doubted == ""
            assert made_safe == (
                ["supply.output", "load_drive.axis"] if braked else ["load_drive.axis", "supply.output"]
            )
            assert len(bench.told("tripped")) == 1
            assert len(bench.log) <= 60

    run_virtual(story())
