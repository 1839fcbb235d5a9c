"""The energy of published load cycles, worked out by hand, against the course, and against a cycle that was played.

The cycle goes through the points (speed %; torque %) at which Regulation (EU) 2019/1781 wants a motor's losses told:
(25;25) (25;100) (50;25) (50;50) (50;100) (90;50) (90;100). Each is held for 4 s, with 2 s of straight lines between
them, from rest and to rest again; these times are ours. The motor is the pump's: 3000 r/min and 2.39 N·m, which is
2.39 · 314.159265 = 750.840643 W.

S3, intermittent periodic duty, is that of IEC 60034-1 (from memory): equal cycles of constant load and rest, in which
the cyclic duration factor is the loaded part of the cycle; the torque that heats alike is √(Σ T²·t / Σ t).
"""

import itertools
import json
import math
from pathlib import Path

import pytest

from benchd.app.evaluation import evaluate_folder
from benchd.live.virtual_time import run_virtual
from benchd.rules.course_plain import in_step_of
from benchd.rules.states import State
from tests.live.twin_bench import BRUSHLESS, running

POINTS = ((25, 25), (25, 100), (50, 25), (50, 50), (50, 100), (90, 50), (90, 100))
HOLD_S, WAY_S = 4.0, 2.0
RATED_RPM, RATED_NM, RATED_W = 3000.0, 2.39, 750.840643
# by hand, in parts of rated power:
HELD = 0.0625 + 0.25 + 0.125 + 0.25 + 0.5 + 0.45 + 0.9  # speed · torque of the points: 2.5375
# ∫(a + (b - a)s)(c + (d - c)s) ds from 0 to 1 = ac + (a(d - c) + c(b - a))/2 + (b - a)(d - c)/3, for each way
WAYS = (
    0.25 * 0.25 / 3.0,  # rest to (25;25)
    0.25 * 0.625,  # (25;25) to (25;100)
    0.25 + (-0.1875 + 0.25) / 2.0 - 0.1875 / 3.0,  # (25;100) to (50;25): 0.21875
    0.5 * 0.375,
    0.5 * 0.75,
    0.5 + (-0.25 + 0.4) / 2.0 - 0.2 / 3.0,  # (50;100) to (90;50): 0.508333
    0.9 * 0.75,
    0.9 / 3.0,  # (90;100) to rest
)
BY_HAND_J = RATED_W * (HOLD_S * HELD + WAY_S * sum(WAYS))


def lines() -> list[tuple[float, float, float]]:
    """Speed, torque and time of each straight line of the cycle, its end's."""
    made = []
    for speed, torque in POINTS:
        at = (RATED_RPM * speed / 100.0, RATED_NM * torque / 100.0)
        made += [(*at, WAY_S), (*at, HOLD_S)]
    return [*made, (0.0, 0.0, WAY_S)]


def test_the_hand_has_its_numbers() -> None:
    assert sum(WAYS) == pytest.approx(2.4416667, abs=1e-7)
    assert pytest.approx(11287.64, abs=0.01) == BY_HAND_J


def test_the_course_has_the_energy_that_was_worked_out_by_hand() -> None:
    parts = [
        {
            "speed_rpm": {"shape": "linear", "end": speed, "time_s": time_s},
            "torque_nm": {"shape": "linear", "end": torque},
        }
        for speed, torque, time_s in lines()
    ]
    course = in_step_of(parts, repeated=3)
    assert course.energy_j == pytest.approx(3.0 * BY_HAND_J, rel=1e-8)
    assert course.mean_power_w == pytest.approx(BY_HAND_J / (7.0 * HOLD_S + 8.0 * WAY_S), rel=1e-8)


async def _play(folder: Path) -> State:
    text = [
        'schema = 1\nname = "part load"\n\n[[test]]\nkind = "duty_cycle"\nspeed_by = "motor"\nsupply_voltage_v = 48.0\n'
    ]
    for speed, torque, time_s in lines():
        shape = f'speed_rpm = {{ shape = "linear", end = {speed}, time_s = {time_s} }}'
        text.append(f'[[test.part]]\n{shape}\ntorque_nm = {{ shape = "linear", end = {torque} }}\n')
    async with running(folder, programme="\n".join(text), kind=BRUSHLESS, record_in=folder / "data") as bench:
        await bench.start()
        return await bench.settle(within_s=200.0)


def test_a_cycle_that_was_played_gives_what_was_worked_out_by_hand(tmp_path: Path) -> None:
    assert run_virtual(_play(tmp_path)) is State.COMPLETE
    folder = next(one.parent for one in tmp_path.rglob("run.json"))
    evaluate_folder(folder)
    test = json.loads((folder / "results.json").read_text())["tests"]["duty_cycle"]
    found = {one["name"]: one for one in test["quantities"]}
    net_j = found["mechanical_energy_out"]["value"] - found["mechanical_energy_in"]["value"]
    # without outer loops: the load drive's torque is as good as its own estimate, 1 %, and its friction is in it
    assert net_j == pytest.approx(BY_HAND_J, rel=0.02)
    assert 0.6 < found["cycle_efficiency"]["value"] < 0.95
    weights = [(torque / 100.0) ** 2 * HOLD_S for _, torque in POINTS]
    ends = [0.0, *(torque / 100.0 for _, torque in POINTS), 0.0]
    weights += [WAY_S * (a * a + a * b + b * b) / 3.0 for a, b in itertools.pairwise(ends)]
    rms_nm = RATED_NM * math.sqrt(sum(weights) / (7.0 * HOLD_S + 8.0 * WAY_S))
    assert found["rms_torque"]["value"] == pytest.approx(rms_nm, rel=0.02)


@pytest.mark.parametrize(("factor", "alike"), [(0.15, 0.3872983), (0.25, 0.5), (0.40, 0.6324555), (0.60, 0.7745967)])
def test_intermittent_duty_heats_like_the_root_of_its_cyclic_duration_factor(factor: float, alike: float) -> None:
    """The four usual factors of S3 (IEC 60034-1, from memory): 15, 25, 40 and 60 %; the roots by hand."""
    cycle_s = 600.0
    parts = [
        {"speed_rpm": {"shape": "hold", "at": 3000.0, "time_s": time_s}, "torque_nm": {"shape": "hold", "at": torque}}
        for time_s, torque in ((factor * cycle_s, 1.0), ((1.0 - factor) * cycle_s, 0.0))
    ]
    course = in_step_of(parts, repeated=1)
    every = [course.torque.at((at + 0.5) * 0.1).value for at in range(6000)]
    assert math.sqrt(sum(value**2 for value in every) / len(every)) == pytest.approx(alike, abs=1e-3)
    assert course.energy_j == pytest.approx(factor * cycle_s * 314.159265, rel=1e-6)
