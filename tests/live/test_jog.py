"""Before the first test the shaft is turned slowly and pushed lightly: what is wrong at a lead refuses the start."""

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest

from benchd.live.targets import RESTING
from benchd.live.virtual_time import run_virtual
from benchd.rules.moves import Role, Target
from benchd.rules.states import Command, State
from tests.scenarios.brushless import Loaded

from .twin_bench import BRUSHED, BRUSHLESS, Kind, OnTwin, running

TURNS = """
schema = 1
name = "turns"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 1000.0
torques_nm = [0.4, 0.8]
torque_slope_nm_per_s = 4.0
settle_time_s = 0.2
average_time_s = 0.2
speed_band_rpm = 50.0
"""
STATIC = """
schema = 1
name = "static"

[[test]]
kind = "winding_resistance"
current_a = 1.5
settle_time_s = 0.2
average_time_s = 0.3
"""
BRUSHED_TURNS = """
schema = 1
name = "turns"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 9.0]
settle_time_s = 0.2
average_time_s = 0.2
"""
WRONG: dict[str, tuple[Kind, str, float | bool, str]] = {
    "two phases exchanged": (BRUSHLESS, "phases_swapped", True, "look for two exchanged phase leads"),
    "commutation off by 180": (BRUSHLESS, "commutation_offset_deg", 180.0, "off by about 180 electrical degrees"),
    "commutation off by 90": (BRUSHLESS, "commutation_offset_deg", 90.0, "then at the commutation offset"),
    "commutation off by -60": (BRUSHLESS, "commutation_offset_deg", -60.0, "then at the commutation offset"),
    "encoder's tracks": (BRUSHLESS, "encoder_sign_flipped", True, "swap the encoder's A and B"),
    "encoder's lines": (BRUSHLESS, "encoder_ratio_error", 1.0, "look at the number of lines"),
    "pole pairs": (BRUSHLESS, "believed_pole_pairs", 5.0, "look at the pole pairs"),
    "transducer's polarity": (BRUSHLESS, "transducer_sign_flipped", True, "swap the transducer's signal leads"),
    "transducer's ratio": (BRUSHLESS, "transducer_gain_error", 1.0, "look at the transducer's sensitivity"),
    "load drive's direction": (BRUSHLESS, "load_drive_backwards", True, "load_drive turns the shaft the other way"),
    "coupling": (BRUSHLESS, "coupling_broken", True, "look at the coupling"),
    "jammed rotor": (BRUSHLESS, "rotor_jammed", True, "whether the shaft is free"),
    "current sensor's direction": (BRUSHLESS, "current_sensor_reversed", True, "the current sensor is reversed"),
    "current sensor's ratio": (BRUSHLESS, "current_ratio_error", 1.0, "look at the current sensor's ratio"),
    "sense lead": (BRUSHLESS, "sense_lead_reversed", True, "the sense lead of dc_voltage is reversed"),
    "brushed: power leads": (BRUSHED, "motor_leads_swapped", True, "its two power leads are exchanged"),
    "brushed: encoder's tracks": (BRUSHED, "encoder_sign_flipped", True, "swap the encoder's A and B"),
    "brushed: transducer": (BRUSHED, "transducer_sign_flipped", True, "swap the transducer's signal leads"),
    "brushed: coupling": (BRUSHED, "coupling_broken", True, "look at the coupling"),
    "brushed: current sensor": (BRUSHED, "current_sensor_reversed", True, "the current sensor is reversed"),
    "brushed: current ratio": (BRUSHED, "current_ratio_error", -0.5, "look at the current sensor's"),
    "brushed: sense lead": (BRUSHED, "sense_lead_reversed", True, "the sense lead of dc_voltage is reversed"),
}
MOST_RPM = 250.0  # the jog asks for 120


def fastest(bench: OnTwin) -> list[float]:
    """The greatest speed of either rotor from now on, by the plant's own word."""
    seen = [0.0]

    def look(plant) -> None:
        truth = plant.truth()
        seen[0] = max(seen[0], abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm))

    bench.rig.plant.on_step.append(look)
    return seen


@pytest.mark.parametrize("lead", WRONG)
def test_a_wrong_lead_refuses_the_start_in_one_sentence_at_jogging_speed(tmp_path: Path, lead: str) -> None:
    kind, fault, value, words = WRONG[lead]

    async def story() -> None:
        async with running(tmp_path, programme=TURNS if kind is BRUSHLESS else BRUSHED_TURNS, kind=kind) as bench:
            bench.rig.set_plant_fault(fault, value)
            seen = fastest(bench)
            assert await bench.command(Command.RESET) is State.IDLE
            state = await bench.command(Command.START)
            sentences = [one["sentence"] for one in bench.told("implausible")]
            print(f"{lead}: {seen[0]:.0f} r/min: {sentences}")
            assert state is State.STOPPED, bench.states
            (sentence,) = sentences
            assert words in sentence
            assert bench.told("failed")[0]["sentence"] == sentence
            assert bench.told("test_started") == []
            assert seen[0] < MOST_RPM
            plant = bench.rig.plant
            assert not any((plant.supply.output_on, plant.load.power_stage_on, plant.motor_drive.power_stage_on))
            assert bench.rig.safety_chain.permit

    run_virtual(story())


@pytest.mark.parametrize("kind", [BRUSHED, BRUSHLESS])
def test_a_sound_bench_is_plausible_within_seconds_and_its_numbers_are_told(tmp_path: Path, kind: Kind) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=TURNS if kind is BRUSHLESS else BRUSHED_TURNS, kind=kind) as bench:
            loop = asyncio.get_running_loop()
            seen = fastest(bench)
            await bench.until(lambda: bench.state is State.STOPPED, "Stopped")
            assert await bench.command(Command.RESET) is State.IDLE
            bench.live.command(Command.START, because="the test")
            await bench.until(lambda: bool(bench.told("limits_in_force")), "the proof")
            began_s = loop.time()
            await bench.until(lambda: bench.state is State.EXECUTE, "Execute")
            took_s = loop.time() - began_s
            (told,) = bench.told("plausible")
            print(kind, took_s, told, seen)
            assert took_s < 6.0
            assert seen[0] < MOST_RPM
            assert told["turned"]["shaft_speed"] == pytest.approx(120.0, rel=0.05)
            pushed_nm = told["pushed"]["shaft_torque"] - told["turned"]["shaft_torque"]
            assert pushed_nm == pytest.approx(bench.run.plan.jog.torque_nm, rel=0.25)
            assert await bench.settle() is State.COMPLETE

    run_virtual(story())


class Begun(Loaded):
    """Keeps the targets from which it begins."""

    def moves(self, at: Mapping[Role, Target]):
        self.at = at
        yield from super().moves(at)


def test_the_first_test_begins_from_rest_and_not_from_what_the_jog_asked_for(tmp_path: Path) -> None:
    async def story() -> None:
        begun = Begun(0.3)
        async with running(tmp_path, programme=TURNS, kind=BRUSHLESS, tests=[begun]) as bench:
            await bench.start()
            await bench.until(lambda: hasattr(begun, "at"), "the test")
            assert begun.at == {role: target for role, target in RESTING.items() if role is not Role.RESISTANCE_METER}
            await bench.command(Command.STOP)

    run_virtual(story())


def test_static_tests_alone_turn_nothing(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=STATIC, kind=BRUSHLESS) as bench:
            seen = fastest(bench)
            await bench.start()
            assert await bench.settle() is State.COMPLETE
            assert bench.told("plausible") == bench.told("jog_skipped") == []
            assert seen[0] == 0.0

    run_virtual(story())


def test_after_static_tests_a_wrong_lead_ends_the_run_before_the_first_test_that_turns(tmp_path: Path) -> None:
    programme = STATIC + TURNS.split("\n\n", 1)[1]

    async def story() -> None:
        async with running(tmp_path, programme=programme, kind=BRUSHLESS) as bench:
            bench.rig.set_plant_fault("phases_swapped", value=True)
            seen = fastest(bench)
            await bench.start()
            assert await bench.settle() is State.ABORTED
            assert "two exchanged phase leads" in bench.live.cause.sentence
            assert [one["title"] for one in bench.told("test_started")] == ["Winding resistance"]
            assert seen[0] < MOST_RPM
            assert bench.rig.safety_chain.permit

    run_virtual(story())


def test_a_hold_in_the_jog_takes_its_set_points_back_and_unhold_begins_it_anew(tmp_path: Path) -> None:
    programme = STATIC + TURNS.split("\n\n", 1)[1]

    async def story() -> None:
        async with running(tmp_path, programme=programme, kind=BRUSHLESS) as bench:
            await bench.start()
            await bench.until(lambda: abs(bench.truth.motor_speed_rpm) > 100.0, "the jog")
            assert await bench.command(Command.HOLD) is State.HELD
            await bench.until(lambda: abs(bench.truth.motor_speed_rpm) < 5.0, "standstill", within_s=3.0)
            assert bench.told("plausible") == []
            bench.live.command(Command.UNHOLD, because="the test")
            await bench.until(lambda: bool(bench.told("plausible")), "the jog anew")
            await bench.until(lambda: bench.state in {State.COMPLETE, State.ABORTED}, "the end")
            assert bench.state is State.COMPLETE

    run_virtual(story())
