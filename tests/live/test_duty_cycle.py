"""A duty cycle on the in-process twin: the shaft follows, time stands where it must, and there is a way down."""

import asyncio
import itertools
import json
import math
from pathlib import Path

import pytest

from benchd.app.evaluation import evaluate_folder
from benchd.rules.moves import Role, Speed, Torque
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory

from .twin_bench import BRUSHED, BRUSHLESS, Kind, running

pytestmark = pytest.mark.virtual_time

SHORT = """
schema = 1
name = "short duty"
attended = true

[[test]]
kind = "duty_cycle"
speed_by = "motor"
supply_voltage_v = 48.0
repeated = 2

[[test.part]]
speed_rpm = { shape = "linear", end = 900.0, time_s = 1.5 }
torque_nm = { shape = "hold" }

[[test.part]]
speed_rpm = { shape = "hold", time_s = 1.5 }
torque_nm = { shape = "linear", end = 0.6 }

[[test.part]]
speed_rpm = { shape = "linear", end = 0.0, time_s = 1.5 }
torque_nm = { shape = "linear", end = 0.0 }

[[limits]]
channel = "winding_temperature"
high = 120.0
reaction = "ramp_down"
"""


async def course_of(bench, *, every_s: float = 0.01) -> list[tuple[float, float, float, float]]:
    """Seconds, true speed, set-points of speed and torque, until the run has ended."""
    loop = asyncio.get_running_loop()
    seen = []
    while bench.state is not State.COMPLETE:
        speed = bench.live.setpoints.now(Role.MOTOR_DRIVE)
        torque = bench.live.setpoints.now(Role.LOAD_DRIVE)
        seen.append(
            (
                loop.time(),
                bench.truth.motor_speed_rpm,
                speed.speed_rpm if isinstance(speed, Speed) else 0.0,
                torque.torque_nm if isinstance(torque, Torque) else 0.0,
            )
        )
        assert bench.state not in {State.ABORTED, State.STOPPED}, bench.told("tripped")
        await asyncio.sleep(every_s)
    return seen


async def test_the_shaft_follows_the_course_and_everything_is_at_rest_after_it(tmp_path: Path) -> None:
    async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
        await bench.start()
        seen = await course_of(bench)
        assert max(speed for _, _, speed, _ in seen) == pytest.approx(900.0)
        assert max(torque for _, _, _, torque in seen) == pytest.approx(0.6)
        steepest = max(abs(after[2] - before[2]) / 0.01 for before, after in itertools.pairwise(seen))
        assert steepest < 2.1 * 600.0  # the bench's own slope is 2000 r/min per second: the course makes the slope
        assert max(abs(true - speed) for _, true, speed, _ in seen) < 60.0
        assert abs(bench.truth.motor_speed_rpm) < 5.0
        assert [one["number"] for one in bench.told("point_started")] == [0, 1]


async def test_the_example_of_the_vineyard_is_played_to_its_end(tmp_path: Path) -> None:
    programmes = configs_directory() / "programmes"
    (tmp_path / "pump_duty_cycle.csv").write_bytes((programmes / "pump_duty_cycle.csv").read_bytes())
    text = (programmes / "pump_duty_cycle.toml").read_text().replace("repeated = 3", "repeated = 1")
    async with running(tmp_path, programme=text, kind=BRUSHLESS) as bench:
        await bench.start()
        seen = await course_of(bench, every_s=0.05)
        assert max(speed for _, _, speed, _ in seen) == pytest.approx(2400.0)
        assert max(torque for _, _, _, torque in seen) == pytest.approx(1.6, abs=0.02)
        assert not bench.told("deviation")
        stretches = bench.told("point_started")
        assert [one["asked"]["repetition"] for one in stretches] == [1, 1]


async def test_a_recorded_cycle_has_the_energies_that_the_shaft_and_the_terminals_truly_had(tmp_path: Path) -> None:
    async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, record_in=tmp_path / "runs") as bench:
        await bench.start()
        loop = asyncio.get_running_loop()
        in_j = out_j = 0.0
        before_s = loop.time()
        while bench.state is not State.COMPLETE:
            await asyncio.sleep(0.002)
            now_s, truth = loop.time(), bench.truth
            if len(bench.told("point_started")) > len(bench.told("point_ended")):
                in_j += max(0.0, truth.terminal_voltage_v * truth.motor_current_a) * (now_s - before_s)
                out_w = truth.shaft_torque_nm * truth.motor_speed_rpm * math.pi / 30.0
                out_j += max(0.0, out_w) * (now_s - before_s)
            before_s = now_s
    folder = next(one.parent for one in (tmp_path / "runs").rglob("run.json"))
    evaluate_folder(folder)
    test = json.loads((folder / "results.json").read_text())["tests"]["duty_cycle"]
    found = {one["name"]: one for one in test["quantities"]}
    for name, true_j in (("electrical_energy_in", in_j), ("mechanical_energy_out", out_j)):
        assert found[name]["value"] == pytest.approx(
            true_j, abs=2.0 * found[name]["expanded_uncertainty"] + 0.002 * true_j
        )
        assert 0.0 < found[name]["expanded_uncertainty"] < 0.02 * true_j
    assert found["peak_torque"]["value"] == pytest.approx(0.6, abs=0.06)
    assert found["greatest_speed_error"]["value"] < 60.0
    assert len(test["points"]) == 24
    assert set(test["points"][0]["asked"]) == {"time_s"}


async def test_a_repetition_that_was_held_is_named_and_does_not_count(tmp_path: Path) -> None:
    async with running(tmp_path, programme=SHORT, kind=BRUSHLESS, record_in=tmp_path / "runs") as bench:
        await bench.start()
        await bench.turning(600.0)
        assert await bench.command(Command.HOLD) is State.HELD
        held = bench.live.setpoints.targets
        assert isinstance(held[Role.LOAD_DRIVE], Torque)
        assert held[Role.LOAD_DRIVE].torque_nm == 0.0
        await asyncio.sleep(3.0)
        bench.live.command(Command.UNHOLD, because="the test")
        await bench.until(lambda: bench.state is State.EXECUTE, "Execute")
        assert await bench.settle() is State.COMPLETE
    folder = next(one.parent for one in (tmp_path / "runs").rglob("run.json"))
    evaluate_folder(folder)
    test = json.loads((folder / "results.json").read_text())["tests"]["duty_cycle"]
    assert "Held or cut off in between, and left out: repetition 1." in test["notes"]
    assert any("1 of 2 repetitions were played through" in note for note in test["notes"])
    assert next(one for one in test["quantities"] if one["name"] == "electrical_energy_in")["value"] > 0.0


async def test_stop_in_the_middle_of_a_course_brings_everything_to_rest(tmp_path: Path) -> None:
    async with running(tmp_path, programme=SHORT, kind=BRUSHLESS) as bench:
        await bench.start()
        await bench.turning(600.0)
        assert await bench.command(Command.STOP) is State.STOPPED
        assert abs(bench.truth.motor_speed_rpm) < 10.0


async def test_a_brushed_motor_follows_a_course_of_speed_by_its_voltage_alone(tmp_path: Path) -> None:
    slow = (
        SHORT.replace('"short duty"', '"flap"')
        .replace("48.0", "24.0")
        .replace("900.0, time_s = 1.5", "900.0, time_s = 3.0")
    )
    slow = slow.replace("end = 0.6", "end = 0.08").replace("end = 0.0, time_s = 1.5", "end = 0.0, time_s = 4.0")
    async with running(tmp_path, programme=slow, kind=BRUSHED) as bench:
        await bench.start()
        top_rpm = 0.0
        while bench.state is not State.COMPLETE:
            assert bench.state not in {State.ABORTED, State.STOPPED}, bench.told("tripped")
            top_rpm = max(top_rpm, bench.truth.motor_speed_rpm)
            await asyncio.sleep(0.01)
        assert top_rpm == pytest.approx(900.0, rel=0.15)  # no loop: as well as the rating plate predicts it


async def test_a_question_in_the_middle_rests_the_machines_and_the_answer_leads_them_back(tmp_path: Path) -> None:
    head, mark, last = SHORT.rpartition("[[test.part]]\n")
    ask = '[[test.part]]\nwait = { until = "answer", text = "Is the filter rinsed?" }\n\n'
    single = f"{head}{ask}{mark}{last}".replace("repeated = 2", "repeated = 1")
    async with running(tmp_path, programme=single, kind=BRUSHLESS) as bench:
        await bench.start()
        await bench.until(lambda: bench.live.asking.question is not None, "the question")
        await bench.until(lambda: abs(bench.truth.motor_speed_rpm) < 5.0, "rest")
        question = bench.live.asking.question
        assert question is not None
        bench.live.asking.answer(question.id, "go on", by="the test")
        seen = await course_of(bench)
        assert max(speed for _, _, speed, _ in seen) == pytest.approx(900.0)
        assert max(torque for _, _, _, torque in seen) == pytest.approx(0.6, abs=0.01)
        assert [one["asked"]["course_s"] for one in bench.told("point_started")] == [0.0, pytest.approx(3.0)]


async def test_the_load_machine_may_hold_the_speed_and_the_specimen_make_the_torque(tmp_path: Path) -> None:
    text = SHORT.replace('speed_by = "motor"', 'speed_by = "load"')
    async with running(tmp_path, programme=text, kind=BRUSHLESS) as bench:
        await bench.start()
        top_rpm = top_nm = 0.0
        while bench.state is not State.COMPLETE:
            assert bench.state not in {State.ABORTED, State.STOPPED}, bench.told("tripped")
            top_rpm = max(top_rpm, bench.truth.motor_speed_rpm)
            top_nm = max(top_nm, bench.truth.shaft_torque_nm)
            await asyncio.sleep(0.01)
        assert top_rpm == pytest.approx(900.0, rel=0.05)
        assert top_nm == pytest.approx(0.6, rel=0.25)  # the converter's own estimate, iron and friction taken off


@pytest.mark.parametrize("kind", [BRUSHLESS, BRUSHED])
async def test_a_rotor_that_is_blocked_within_a_course_ends_the_run(tmp_path: Path, kind: Kind) -> None:
    text = SHORT.replace('hold", time_s = 1.5', 'hold", time_s = 30.0').replace("end = 0.6", "end = 0.1")
    if kind is BRUSHED:
        text = text.replace("48.0", "24.0").replace("900.0, time_s = 1.5", "900.0, time_s = 9.0")
    async with running(tmp_path, programme=text, kind=kind) as bench:
        await bench.start()
        await bench.turning(600.0)
        bench.rig.set_plant_fault("rotor_jammed", True)
        await bench.until(lambda: bench.state is State.ABORTING, "Aborting", within_s=4.0)
        cause = bench.live.cause
        assert cause is not None
        assert "The shaft" in cause.sentence


async def test_a_speed_that_a_test_before_leaves_held_is_handed_over_while_the_shaft_turns(tmp_path: Path) -> None:
    before = """[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 900.0
torques_nm = [0.2, 0.4]
torque_slope_nm_per_s = 1.5
settle_time_s = 0.3
average_time_s = 0.3

[[test]]
kind = "duty_cycle\""""
    text = SHORT.replace('[[test]]\nkind = "duty_cycle"', before).replace('speed_by = "motor"', 'speed_by = "load"')
    text = text.replace(
        'speed_rpm = { shape = "linear", end = 900.0, time_s = 1.5 }',
        'speed_rpm = { shape = "hold", at = 900.0, time_s = 1.5 }',
    )
    text = text.replace("repeated = 2\n", "").replace(
        'shape = "linear", end = 0.0, time_s = 1.5', 'shape = "hold", time_s = 1.5'
    )
    async with running(tmp_path, programme=text, kind=BRUSHLESS) as bench:
        await bench.start()
        await bench.until(
            lambda: bench.live.player is not None and "synchronising" in bench.live.player.doing, "it", 60.0
        )
        assert isinstance(bench.live.setpoints.now(Role.MOTOR_DRIVE), Speed)
        slowest_rpm = fastest_rpm = 900.0
        while "second" not in bench.live.player.doing:
            await asyncio.sleep(0.005)
            slowest_rpm = min(slowest_rpm, bench.truth.motor_speed_rpm)
            fastest_rpm = max(fastest_rpm, bench.truth.motor_speed_rpm)
        assert isinstance(bench.live.setpoints.now(Role.LOAD_DRIVE), Speed)
        assert isinstance(bench.live.setpoints.now(Role.MOTOR_DRIVE), Torque)
        assert await bench.settle() is State.COMPLETE
    assert slowest_rpm > 0.95 * 900.0
    assert fastest_rpm < 1.05 * 900.0
