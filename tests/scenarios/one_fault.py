"""One thing breaks at one moment of a run on the twin, and the plant's truth says what came of it. Not a test.

The run is recorded into a real folder; a minute after the bench has come to rest everything must still be off.
"""

import asyncio
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchd.live.player import PlayedTest
from benchd.live.virtual_time import run_virtual
from benchd.records import read_ending, read_events, read_samples, verify
from benchd.rules.channels import Quality
from benchd.rules.states import Command, State
from benchd_rig.in_process import TwinDrivers
from benchd_rig.plant import Plant
from tests.live.twin_bench import BRUSHED, SHORT, Kind, OnTwin, running

from .striking import Strike, energised

LONG = SHORT.replace("torques_nm = [0.05, 0.10]", "torques_nm = [0.10, 0.12]").replace(
    "average_time_s = 0.4\nspeed_band", "average_time_s = 20.0\nspeed_band"
)
RESTING = frozenset({State.ABORTED, State.STOPPED, State.COMPLETE})
WATCHED_FOR_S = 60.0  # after it has come to rest: nothing may come on again by itself
AT_REST_WITHIN_S = 40.0
STILL_RPM = 20.0
TOUCH_V = 60.0  # IEC 60204-1: below that a direct voltage is called discharged
LINES = 40  # of the log, from the fault to the end of the minute; one a second that tells progress does not count
GATHERED_RPM = 60.0  # by a shaft that gathers speed, in the time that a reading is old
GAP_S = 0.05  # between two rows of the folder; a tick is 10 ms
RAD_S = math.pi / 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """What the fault strikes: a bench, a programme, and how its loaded point is known."""

    kind: Kind
    programme: str
    short: str  # for what strikes at its end
    loaded_nm: float
    tests: Callable[[], Sequence[PlayedTest] | None] = lambda: None
    drivers: Callable[[], TwinDrivers | None] = lambda: None


GREENHOUSE = Stage(kind=BRUSHED, programme=LONG, short=SHORT, loaded_nm=0.08)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What breaks, in which state, and what must come of it."""

    breaks: str
    strike: Strike
    words: str  # that the one sentence of the cause holds
    within_s: float  # until no machine and no winding is given energy
    joule: float  # the most that supply, meter and driving load machine may have given since the fault
    at: State = State.EXECUTE
    gathering_speed: bool = False  # struck while the shaft gathers speed, not at the loaded point
    ends: frozenset[State] = frozenset({State.ABORTED})
    lines: int = LINES

    @property
    def name(self) -> str:
        """For the list of tests."""
        return f"{self.breaks}, {self.at.title}"


@dataclass(slots=True)
class Seen:
    """What the plant showed since the fault, a millisecond a look, and what the bench said of it."""

    struck_s: float = math.nan
    speed_rpm: float = math.nan  # when it was struck
    given_j: float = 0.0
    off_s: float = math.nan  # the last moment at which something was on, after the fault
    fastest_rpm: float = 0.0
    highest_v: float = 0.0
    rested: bool = False
    on_again: list[str] = field(default_factory=list)
    state: State = State.STOPPED
    sentence: str = ""
    lines: int = 0
    wrong: list[str] = field(default_factory=list)


class Watching:
    """Looks at the plant after each of its milliseconds."""

    def __init__(self, plant: Plant, seen: Seen) -> None:
        self._seen = seen
        self._last_s = plant.time_s
        self._sources_j = plant.energy.supply_j + plant.energy.meter_j
        plant.on_step.append(self._look)

    def _look(self, plant: Plant) -> None:
        seen, passed_s = self._seen, plant.time_s - self._last_s
        self._last_s = plant.time_s
        sources_j = plant.energy.supply_j + plant.energy.meter_j
        driving_w = -plant.load_torque_nm * plant.load_speed_rpm * RAD_S
        seen.given_j += max(0.0, sources_j - self._sources_j) + max(0.0, driving_w) * passed_s
        self._sources_j = sources_j
        seen.fastest_rpm = max(seen.fastest_rpm, abs(plant.motor_speed_rpm), abs(plant.load_speed_rpm))
        seen.highest_v = max(seen.highest_v, plant.link_v)
        stages_on = plant.load.power_stage_on or plant.motor_drive.power_stage_on
        if not (plant.supply.output_on or stages_on or plant.meter.current_a != 0.0):
            return
        seen.off_s = plant.time_s
        if seen.rested:
            seen.on_again.append(f"something on at {plant.time_s:.3f} s")


async def brought(bench: OnTwin, state: State, *, loaded_nm: float, gathering_speed: bool = False) -> None:
    """Into a state, by commands as they come in practice; in Execute and after it the shaft turns under load."""
    live = bench.live
    if state is State.RESETTING:
        live.command(Command.RESET, because="the story")
        return
    if state is State.STARTING:
        assert await bench.command(Command.RESET) is State.IDLE
        live.command(Command.START, because="the story")
        await asyncio.sleep(0.25)
    else:
        await bench.start()
        if gathering_speed:
            await bench.turning(300.0)
        elif state is not State.COMPLETING:
            await bench.until(lambda: bench.truth.shaft_torque_nm > loaded_nm, "the loaded point")
        if state in {State.HOLDING, State.HELD}:
            live.command(Command.HOLD, because="the story")
        if state is State.STOPPING:
            live.command(Command.STOP, because="the story")
        if state is not State.HOLDING and state is not State.STOPPING:
            await bench.until(lambda: bench.state is state, state.title)
    assert bench.state is state


async def _played(folder: Path, row: Row, stage: Stage) -> Seen:
    seen = Seen()
    loop = asyncio.get_running_loop()
    async with running(
        folder,
        programme=stage.short if row.at is State.COMPLETING else stage.programme,
        kind=stage.kind,
        tests=stage.tests(),
        drivers=stage.drivers(),
        record_in=folder,
    ) as bench:
        await brought(bench, row.at, loaded_nm=stage.loaded_nm, gathering_speed=row.gathering_speed)
        bench.rig.advance()
        plant, before = bench.rig.plant, len(bench.log)
        seen.struck_s, seen.speed_rpm = loop.time(), plant.motor_speed_rpm
        Watching(plant, seen)
        began_s = plant.time_s
        row.strike(bench)
        await bench.until(
            lambda: bench.state in RESTING or bench.state is State.IDLE, "rest", within_s=AT_REST_WITHIN_S
        )
        if bench.state is State.IDLE:  # what is not needed yet is missed at the start
            bench.live.command(Command.START, because="the story")
            await bench.until(lambda: bench.state in RESTING, "rest", within_s=AT_REST_WITHIN_S)
        bench.rig.advance()
        seen.off_s = max(0.0, (began_s if math.isnan(seen.off_s) else seen.off_s) - began_s)
        off_s = seen.off_s
        seen.rested, seen.state = True, bench.state
        cause = bench.live.cause
        failed = bench.told("failed")
        seen.sentence = cause.sentence if cause is not None else failed[-1]["sentence"] if failed else ""
        await asyncio.sleep(WATCHED_FOR_S)
        bench.rig.advance()
        seen.off_s = off_s
        seen.lines = len([name for name, _ in bench.log[before:] if name != "progress"])
        _judge(bench, row, seen)
    if on := energised(bench):
        seen.wrong.append(f"on after the daemon had gone: {on}")
    _judge_folder(folder, row, seen)
    return seen


def _judge(bench: OnTwin, row: Row, seen: Seen) -> None:
    truth, wrong = bench.truth, seen.wrong
    wrong += seen.on_again[:1]
    if bench.state is not seen.state:
        wrong.append(f"went on from {seen.state.title} to {bench.state.title}")
    if seen.state not in row.ends:
        wrong.append(f"ended in {seen.state.title}")
    if seen.off_s > row.within_s:
        wrong.append(f"on for {seen.off_s:.3f} s")
    if seen.given_j > row.joule:
        wrong.append(f"{seen.given_j:.1f} J were given")
    for what, value, most in (
        ("motor r/min", truth.motor_speed_rpm, STILL_RPM),
        ("load r/min", truth.load_speed_rpm, STILL_RPM),
        ("load machine N·m", truth.load_torque_nm, 0.001),
        ("air gap N·m", truth.airgap_torque_nm, 0.001),
        ("terminals V", truth.terminal_voltage_v, 1.0),
        ("link V", truth.link_v, TOUCH_V),
    ):
        if abs(value) > most:
            wrong.append(f"a minute later {what} {value:.4g}")
    if row.words not in seen.sentence:
        wrong.append("the sentence names something else")
    if seen.sentence and (not seen.sentence.endswith(".") or "\n" in seen.sentence):
        wrong.append("that is no sentence")
    if any(word in seen.sentence for word in ("Traceback", "error of")):
        wrong.append("a defect of the programme is the cause")
    if seen.lines > row.lines:
        wrong.append(f"{seen.lines} lines in the log")
    if len(bench.told("tripped")) > 1:
        wrong.append("tripped more than once")


def _judge_folder(folder: Path, row: Row, seen: Seen) -> None:
    """Everything until the fault is in the folder, to the row, and its ending says the same sentence."""
    found = list(folder.glob("order=*/serial=*/*"))
    if row.at is State.RESETTING:  # nothing was written before; a start that was refused may leave an empty one
        return
    (run,) = found
    seen.wrong += verify(run)
    ending = read_ending(run) or {}
    if ending.get("ending") != seen.state.title.lower():
        seen.wrong.append(f"the folder ended {ending.get('ending')}")
    if seen.state is State.ABORTED and ending.get("why") != seen.sentence:
        seen.wrong.append(f"the folder's reason is {ending.get('why')!r}")
    samples = read_samples(run)
    gap_s = float(np.max(np.diff(samples.time_mono_s)))
    if samples.time_mono_s[-1] < seen.struck_s or gap_s > GAP_S or samples.missing:
        seen.wrong.append(f"rows until {samples.time_mono_s[-1]:.3f} s with a gap of {gap_s:.3f} s: {samples.missing}")
    good = (samples.quality["shaft_speed"] == int(Quality.GOOD)) & (samples.time_mono_s <= seen.struck_s)
    recorded_rpm = float(samples.values["shaft_speed"][good][-1])
    near_rpm = GATHERED_RPM if row.gathering_speed else 10.0 + 0.02 * abs(seen.speed_rpm)
    if abs(recorded_rpm - seen.speed_rpm) > near_rpm:
        seen.wrong.append(f"recorded {recorded_rpm:.0f} r/min when it was {seen.speed_rpm:.0f} r/min")
    states = [event["after"] for event in read_events(run) if event["event"] == "state"]
    if row.at is not State.STARTING and row.at.title not in states:
        seen.wrong.append(f"the folder's events know {states}")


def played(folder: Path, row: Row, stage: Stage = GREENHOUSE) -> Seen:
    """Play a row in virtual time; `wrong` says what was not as it must be."""
    return run_virtual(_played(folder, row, stage))
