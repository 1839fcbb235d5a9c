"""Under settled load the powers along the bench are compared: what goes wrong there is told within seconds."""

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.live.balance import EVERY_S, Balancing
from benchd.live.causes import Cause
from benchd.live.virtual_time import run_virtual
from benchd.rules.balance import BalancePlan
from benchd.rules.balance_checks import Facts
from benchd.rules.channels import Quality
from benchd.rules.frames import Frame, Sample
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Voltage
from benchd.rules.states import Command, State
from benchd.settings.places import configs_directory
from tests.scenarios.brushless import Loaded, loaded

from .twin_bench import BRUSHED, BRUSHLESS, Kind, OnTwin, running

BRUSHLESS_LOAD = """
schema = 1
name = "loaded"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 2000.0
torques_nm = [1.0, 2.0]
torque_slope_nm_per_s = 4.0
settle_time_s = 0.3
average_time_s = 0.5
speed_band_rpm = 20.0
"""
BRUSHED_LOAD = """
schema = 1
name = "loaded"

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.15, 0.2]
torque_slope_nm_per_s = 0.5
settle_time_s = 1.0
average_time_s = 6.0
speed_band_rpm = 20.0
"""
# what a bench may lose while it runs, and what the warning must name
SPOILT = {
    "current sensor 2 to 1": ("current_ratio_error", 0.6, "likely suspect is dc_current"),
    "current sensor reversed": ("current_sensor_reversed", True, "dc_current, which is reversed"),
    "sense lead reversed": ("sense_lead_reversed", True, "dc_voltage, which is reversed"),
    "transducer reversed": ("transducer_sign_flipped", True, "shaft_torque, which is reversed"),
    "transducer's scale": ("transducer_gain_error", 0.25, "likely suspect is shaft_torque"),
    "encoder's lines": ("encoder_ratio_error", 0.2, "likely suspect is shaft_speed"),
}
WITHIN_S = 3.0


def balance_alone(bench: OnTwin, reaction: Reaction = Reaction.WARN) -> None:
    """Nothing else of the run compares channels: limits on derived ones see some of the same faults."""
    run = bench.live._playing.run
    limits = tuple(limit for limit in run.plan.limits if limit.channel not in run.plan.derivations)
    balance = replace(run.plan.balance, reaction=reaction)
    bench.live.load(replace(run, plan=replace(run.plan, limits=limits, balance=balance)))


async def spoilt_under_load(bench: OnTwin, fault: str, value: float | bool) -> float:
    """Load it, spoil it, wait for the warning; how long that took, s."""
    balance_alone(bench)
    await loaded(bench, 2.0)
    loop = asyncio.get_running_loop()
    await asyncio.sleep(2.0)
    assert bench.told("warning") == []
    bench.rig.set_plant_fault(fault, value)
    struck_s = loop.time()
    await bench.until(lambda: bool(bench.told("warning")), "the warning", within_s=10.0)
    return loop.time() - struck_s


@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_goes_wrong_under_load_is_warned_of_once_with_its_suspect(tmp_path: Path, spoilt: str) -> None:
    fault, value, words = SPOILT[spoilt]

    async def story() -> None:
        tests = [Loaded(2.0)]
        async with running(tmp_path, programme=BRUSHLESS_LOAD, kind=BRUSHLESS, tests=tests) as bench:
            took_s = await spoilt_under_load(bench, fault, value)
            await asyncio.sleep(4.0)
            told = [one for one in bench.told("warning") if "power balance" in one["cause"]]
            print(spoilt, took_s, told)
            assert len(told) == 1
            assert words in told[0]["cause"]
            assert took_s < WITHIN_S
            assert bench.state is State.EXECUTE
            await bench.command(Command.STOP)

    run_virtual(story())


def test_a_brushed_bench_has_the_shorter_chain(tmp_path: Path) -> None:
    async def story() -> None:
        async with running(tmp_path, programme=BRUSHED_LOAD, kind=BRUSHED) as bench:
            balance_alone(bench)
            await bench.start()
            await bench.until(lambda: bool(bench.told("power_balance")), "the load", within_s=30.0)
            (told,) = bench.told("power_balance")
            assert told["holds"]
            assert told["dc_w"] > told["shaft_w"] > told["load_drive_w"] * 0.9
            assert "motor_w" not in told
            bench.rig.set_plant_fault("transducer_gain_error", 0.4)
            await bench.until(lambda: bool(bench.told("warning")), "the warning", within_s=10.0)
            assert "likely suspect is shaft_torque" in bench.told("warning")[0]["cause"]
            await bench.command(Command.STOP)

    run_virtual(story())


@pytest.mark.parametrize("reaction", [Reaction.HOLD, Reaction.RAMP_DOWN])
def test_the_reaction_is_the_bench_file_s(tmp_path: Path, reaction: Reaction) -> None:
    async def story() -> None:
        tests = [Loaded(2.0)]
        async with running(tmp_path, programme=BRUSHLESS_LOAD, kind=BRUSHLESS, tests=tests) as bench:
            balance_alone(bench, reaction)
            await loaded(bench, 2.0)
            bench.rig.set_plant_fault("current_ratio_error", 0.6)
            after = State.HELD if reaction is Reaction.HOLD else State.ABORTED
            await bench.until(lambda: bench.state is after, after.title, within_s=30.0)
            (told,) = bench.told("crossed")
            assert "likely suspect is dc_current" in told["cause"]
            assert told["reaction"] == reaction.name.lower()
            if after is State.HELD:
                await bench.command(Command.STOP)
            assert bench.rig.safety_chain.permit

    run_virtual(story())


SHIPPED = {
    "vent_flap_acceptance": BRUSHED,
    "reference_dc": Kind("greenhouse", "reference_dc_24v", "reference_dc"),
    "pump_acceptance": BRUSHLESS,
    "reference_pmsm": Kind("reference_300v", "reference_pmsm", "reference_pmsm"),
}


@pytest.mark.parametrize("programme", SHIPPED)
def test_no_ordinary_run_of_a_shipped_programme_is_warned_of(tmp_path: Path, programme: str) -> None:
    text = (configs_directory() / f"programmes/{programme}.toml").read_text(encoding="utf-8")

    async def story() -> None:
        async with running(tmp_path, programme=text, kind=SHIPPED[programme], seed=11) as bench:
            await bench.start()
            assert await bench.settle(within_s=600.0) is State.COMPLETE
            assert bench.told("warning") == bench.told("crossed") == bench.told("implausible") == []
            assert len(bench.told("plausible")) == 1
            (told,) = bench.told("power_balance")
            assert told["holds"]

    run_virtual(story())


FACTS = Facts(
    pole_pairs=0,
    resistance_ohm=0.1,
    torque_per_a=0.1,
    rated_torque_nm=1.0,
    rated_power_w=100.0,
    cable_ohm=0.0,
    diode_v=0.0,
    converter_loss_ratio=0.1,
    converter_idle_w=0.0,
    motor_loss_ratio=0.1,
    load_loss_nm=0.1,
    doubts={},
)
GAINS = {"dc_voltage": 10.0, "dc_current": 10.0, "shaft_torque": 2.0, "shaft_speed": 1000.0, "supply_voltage": 10.0}


def looked_at(
    facts: Facts, values: Mapping[str, float], *, reaction: Reaction = Reaction.WARN
) -> tuple[list[str], list[Cause]]:
    """Events and causes of 40 looks at these values."""
    told: list[str] = []
    trips: list[Cause] = []
    plan = BalancePlan(facts=facts, load_share=0.1, settle_s=0.2, reaction=reaction)
    balancing = Balancing(plan, trip=trips.append, on_event=lambda name, **_fields: told.append(name))
    for number in range(40):
        now_s = number * EVERY_S
        samples = {name: Sample(value, Quality.GOOD, now_s) for name, value in values.items()}
        balancing.look(Frame(now_s, samples), {Role.SUPPLY: Voltage(10.0, 1.0)}, playing=True)
    return told, trips


def test_a_warning_is_told_once_and_a_harder_reaction_again_and_again() -> None:
    """100 W in and 209 W out: whoever is held and goes on unmended is held again."""
    assert len(looked_at(FACTS, GAINS)[1]) == 1
    assert len(looked_at(FACTS, GAINS, reaction=Reaction.HOLD)[1]) > 3


def test_a_bench_without_load_is_not_looked_at() -> None:
    assert looked_at(FACTS, {**GAINS, "dc_current": 0.5, "shaft_torque": 0.05}) == ([], [])


def test_a_defect_of_its_own_ends_it_and_not_the_tick() -> None:
    broken = replace(FACTS, doubts=None)  # type: ignore[arg-type]
    assert looked_at(broken, GAINS) == (["power_balance_ended"], [])
