"""One run of every kind of test on the simulated pump, struck by faults and commands at given moments. Not a test.

What is judged is the plant's truth alone: energy away in the bench's times, no overspeed, standstill when it is said.
"""

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from benchd.rules.states import Command, NotAllowed, State
from benchd_rig.plant import Plant
from benchd_rig.safety_chain import Button
from tests.live.twin_bench import BRUSHLESS, OnTwin, running

HEAD = """
schema = 1
name = "struck"

[[limits]]
channel = "shaft_speed"
high = 1500.0
low = -300.0
delay_s = 0.02
reaction = "cut"
"""
TIMES = "settle_time_s = 0.2\naverage_time_s = 0.2\n"
KINDS = {
    "winding_resistance": "current_a = 1.5\n",
    "torque_zero": "speed_rpm = 60.0\n",
    "back_emf": "supply_voltage_v = 20.0\nspeeds_rpm = [400.0, 700.0]\n",
    "no_load": "supply_voltage_v = 20.0\nspeeds_rpm = [400.0, 700.0]\n",
    "load": "supply_voltage_v = 20.0\nspeed_rpm = 700.0\ntorques_nm = [0.5, 2.0]\n"
    "torque_slope_nm_per_s = 4.0\nspeed_band_rpm = 20.0\n",
    "rated_point": "supply_voltage_v = 20.0\nspeed_rpm = 700.0\ntorque_nm = 2.39\ntorque_slope_nm_per_s = 4.0\n"
    "dwell_s = 1.0\nspeed_band_rpm = 20.0\ncapture_s = 0.2\n",
}


def programme(kinds: tuple[str, ...]) -> str:
    """A programme that plays these kinds of test."""
    tests = (f'[[test]]\nkind = "{kind}"\n{KINDS[kind]}{TIMES}' for kind in kinds)
    return HEAD + "\n" + "\n".join(tests)


SPEED_LIMIT_RPM = 1500.0
# Beyond the limit a machine at its peak torque goes on for the limit's delay, a reading, a tick and the stop's orders.
FASTEST_RPM = 1.1 * SPEED_LIMIT_RPM + 27_000.0 * 0.06
BACKWARDS_RPM = 300.0  # the programme's own bound
STILL_RPM = 20.0
LOOK_S = 0.005
SETTLED_S = 0.6  # that nothing comes on again is watched for so long
Strike = Callable[[OnTwin], None]


def wire(device: str, kind: str, **parameters: float) -> Strike:
    """A device's wire is struck."""
    return lambda bench: bench.rig.faults[device].switch(kind, on=True, parameters=parameters)


def broken(name: str, value: float | bool = True) -> Strike:
    """Something of the plant breaks."""
    return lambda bench: bench.rig.set_plant_fault(name, value)


def trips(device: str) -> Strike:
    """A device's own protection acts."""
    return lambda bench: bench.rig.trip(device)


def pressed(button: str) -> Strike:
    """A person at the bench does something."""
    return lambda bench: bench.rig.safety_chain.press(Button(button))


def asked(command: Command) -> Strike:
    """Somebody gives a command; what means nothing in the present state changes nothing."""

    def give(bench: OnTwin) -> None:
        try:
            bench.live.command(command, because="the story")
        except NotAllowed:
            return

    return give


def motor_drive_runs_away(bench: OnTwin) -> None:
    """The converter drives with its peak torque, whatever it is told, until its stage goes off."""

    def each(plant: Plant) -> None:
        stage = plant.motor_drive
        if stage.power_stage_on:
            stage.mode, stage.torque_nm, stage.speed_bound_rpm = "torque", 3.5, math.inf

    bench.rig.plant.on_step.append(each)


def supply_limits_its_current(bench: OnTwin) -> None:
    """The supply gives no more than half an ampere."""

    def each(plant: Plant) -> None:
        plant.supply.current_limit_a = 0.5

    bench.rig.plant.on_step.append(each)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What strikes and when: so long after the last test (or Start) began, or after the bench began to stop."""

    first: str
    kinds: tuple[str, ...]
    after_s: float
    from_start: bool = False  # after_s counts from Start
    second: str = ""
    between_s: float = 0.0
    from_stop: bool = False  # the second one counts from the moment at which the bench began to stop


@dataclass(slots=True, kw_only=True)
class Seen:
    """What one case showed, by the plant's truth."""

    wrong: list[str] = field(default_factory=list)
    fastest_rpm: float = 0.0
    rise_rpm: float = 0.0  # beyond the speed at which the bench began to stop
    backwards_rpm: float = 0.0
    off_s: float = math.nan  # from the first cause until nothing was on
    still_s: float = math.nan
    state: str = ""
    cause: str = ""
    struck_in: str = ""
    permit: bool = True
    states: list[str] = field(default_factory=list)
    highest_v: float = 0.0


def energised(bench: OnTwin) -> list[str]:
    """What is on, by the plant."""
    plant = bench.rig.plant
    on = {
        "supply": plant.supply.output_on,
        "load drive": plant.load.power_stage_on,
        "motor drive": plant.motor_drive.power_stage_on,
        "meter": plant.meter.current_a != 0.0,
    }
    return [name for name, is_on in on.items() if is_on]


async def struck(folder: Path, case: Case, strikes: dict[str, Strike], *, seed: int = 1) -> Seen:
    """Play the run, strike, and watch the plant until a while after the bench has settled."""
    seen = Seen()
    async with running(
        folder, programme=programme(case.kinds), seed=seed, kind=BRUSHLESS, warning_s=0.05, zero_time_s=0.15
    ) as bench:
        assert await bench.command(Command.RESET) is State.IDLE
        bench.live.command(Command.START, because="the test")
        async with asyncio.TaskGroup() as group:
            group.create_task(_strike(bench, case, strikes, seen))
            await _watched(bench, seen)
        seen.state, seen.states = bench.state.title, bench.states
        seen.cause = "" if bench.live.cause is None else bench.live.cause.sentence
        seen.permit = bench.rig.safety_chain.permit
        _judge(bench, case, seen)
    on = energised(bench)
    if on:
        seen.wrong.append(f"on after the daemon had gone: {on}")
    return seen


async def _strike(bench: OnTwin, case: Case, strikes: dict[str, Strike], seen: Seen) -> None:
    while not (case.from_start or len(bench.told("test_started")) == len(case.kinds) or bench.live.settled.is_set()):
        await asyncio.sleep(LOOK_S)
    await asyncio.sleep(case.after_s)
    seen.struck_in = bench.state.title
    strikes[case.first](bench)
    if not case.second:
        return
    if case.from_stop:
        stopping = {"Aborting", "Stopping", "Completing"}
        while not stopping & set(bench.states) and not bench.live.settled.is_set():
            await asyncio.sleep(LOOK_S)
    await asyncio.sleep(case.between_s)
    strikes[case.second](bench)


async def _watched(bench: OnTwin, seen: Seen) -> None:
    loop, stopping = asyncio.get_running_loop(), bench.live.plan.stopping
    allowed_s = stopping.controlled_stop_time_s + stopping.coasting_time_s
    began_s = told = None
    began_rpm = 0.0
    held_since_s = None
    settled_s = math.inf
    start_s = loop.time()
    while loop.time() < settled_s + SETTLED_S:
        bench.rig.advance()
        plant = bench.rig.plant
        ends = (plant.motor_speed_rpm, plant.load_speed_rpm)
        fast = max(map(abs, ends))
        seen.fastest_rpm = max(seen.fastest_rpm, fast)
        seen.highest_v = max(seen.highest_v, plant.link_v)
        if began_s is None and {"Aborting", "Stopping", "Completing"} & set(bench.states):
            began_s, began_rpm = loop.time(), fast
        if began_s is not None:
            seen.rise_rpm = max(seen.rise_rpm, fast - began_rpm)
            seen.backwards_rpm = max(seen.backwards_rpm, *(-speed for speed in ends))
            if not energised(bench):
                if math.isnan(seen.off_s):
                    seen.off_s = loop.time() - began_s
            else:
                seen.off_s = math.nan
            if fast < STILL_RPM:
                if math.isnan(seen.still_s):
                    seen.still_s = loop.time() - began_s
            else:
                seen.still_s = math.nan
        standstills = bench.told("standstill")
        if told is None and standstills:
            told = standstills[-1]
            if fast > STILL_RPM and told["measured"]:
                seen.wrong.append(f"said standstill at {fast:.0f} r/min: {told}")
        state = bench.state
        if state is State.HELD:
            held_since_s = loop.time() if held_since_s is None else held_since_s
            if loop.time() > held_since_s + 1.0:
                asked(Command.UNHOLD)(bench)
                held_since_s = None
        ended = state in {State.ABORTED, State.STOPPED, State.COMPLETE}
        if ended and math.isinf(settled_s):
            settled_s = loop.time()
            if fast > STILL_RPM and state is not State.ABORTED:
                seen.wrong.append(f"{state.title} at {fast:.0f} r/min")
        if math.isfinite(settled_s) and not ended:
            seen.wrong.append(f"restarted into {state.title}")
            return
        if math.isfinite(settled_s) and loop.time() > settled_s + 0.5 and (on := energised(bench)):
            seen.wrong.append(f"{on} on {loop.time() - settled_s:.2f} s after {state.title}")
            return
        if began_s is not None and loop.time() > began_s + allowed_s + 8.0:
            seen.wrong.append(f"still {state.title} after {loop.time() - began_s:.1f} s with {energised(bench)} on")
            return
        if loop.time() > start_s + 120.0:
            seen.wrong.append(f"hangs in {state.title}")
            return
        await asyncio.sleep(LOOK_S)


def _judge(bench: OnTwin, case: Case, seen: Seen) -> None:
    stopping = bench.live.plan.stopping
    if seen.fastest_rpm > FASTEST_RPM:
        seen.wrong.append(f"turned at {seen.fastest_rpm:.0f} r/min")
    if seen.backwards_rpm > BACKWARDS_RPM:
        seen.wrong.append(f"turned backwards at {seen.backwards_rpm:.0f} r/min")
    if not seen.off_s <= stopping.controlled_stop_time_s:
        seen.wrong.append(f"something was on for {seen.off_s:.2f} s")
    if not seen.still_s <= stopping.controlled_stop_time_s + stopping.coasting_time_s:
        seen.wrong.append(f"turned for {seen.still_s:.2f} s")
    if (seen.state == State.ABORTED.title) is not bool(seen.cause):
        seen.wrong.append(f"{seen.state} with the cause {seen.cause!r}")
    if len(bench.told("tripped")) != (seen.state == State.ABORTED.title):
        seen.wrong.append(f"tripped {len(bench.told('tripped'))} times")
