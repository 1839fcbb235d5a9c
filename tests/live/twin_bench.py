"""A live bench on the in-process twin in virtual time: everything above the ports is what runs in the daemon."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchd.app.discovery import find_drivers
from benchd.app.recorder import open_recorder
from benchd.app.wiring import Job, PlannedRun, bench_plan, plan_run
from benchd.live.bench import Bench
from benchd.live.link import Link
from benchd.live.player import PlayedTest
from benchd.live.run import Recorder, Run
from benchd.live.ticker import VirtualTicker
from benchd.procedures import PROCEDURES
from benchd.records import ClockAnchor
from benchd.rules.states import Command, State
from benchd.settings.load import Registry, load_bench, load_motor, load_programme, load_setup
from benchd.settings.places import configs_directory
from benchd_rig.twin import TwinDrivers, twin_drivers

REPLY_TIME_S = 0.2
SAFE_TIME_S = 0.5
NEW_YEAR_NS = 1_893_456_000_000_000_000  # 2030-01-01, UTC
SHORT = """
schema = 1
name = "short"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 12.0]
settle_time_s = 0.3
average_time_s = 0.4

[[test]]
kind = "load"
supply_voltage_v = 12.0
torques_nm = [0.05, 0.10]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.3
average_time_s = 0.4
speed_band_rpm = 20.0
"""


@dataclass(frozen=True, slots=True)
class Kind:
    """Which files and which simulated specimen a bench is made of."""

    bench: str
    motor: str
    setup: str


BRUSHED = Kind("greenhouse", "vent_flap_24v", "vent_flap")
BRUSHLESS = Kind("vineyard", "pump_48v", "pump")


@dataclass(slots=True)
class Recorded:
    """A recorder that keeps everything in memory."""

    windows: list = field(default_factory=list)
    rows: list[dict] = field(default_factory=list)
    events: list[dict] = field(default_factory=list)
    endings: list[tuple[str, str]] = field(default_factory=list)
    flushes: int = 0
    on_flush: Callable[[], None] = lambda: None

    def append(self, **row) -> None:
        self.rows.append(row)

    def event(self, name: str, *, time_mono_s: float, **fields) -> None:
        self.events.append({"event": name, "time_mono_s": time_mono_s, **fields})

    def keep_window(self, window) -> None:
        self.windows.append(window)

    def flush(self) -> None:
        self.flushes += 1
        self.on_flush()

    def close(self, ending: str, why: str) -> None:
        self.endings.append((ending, why))


@dataclass(slots=True)
class OnTwin:
    """The bench under test, the plant it runs on, and what was told."""

    live: Bench
    drivers: TwinDrivers
    links: dict[str, Link]
    run: PlannedRun
    recorded: Recorded
    log: list[tuple[str, dict]]

    @property
    def rig(self):
        return self.drivers.bench

    @property
    def truth(self):
        self.rig.advance()
        return self.rig.plant.truth()

    @property
    def state(self) -> State:
        return self.live.engine.state

    def told(self, event: str) -> list[dict]:
        return [fields for name, fields in self.log if name == event]

    @property
    def states(self) -> list[str]:
        return [fields["after"] for fields in self.told("state")]

    async def settle(self, within_s: float = 120.0) -> State:
        async with asyncio.timeout(within_s):
            await self.live.settled.wait()
        return self.state

    async def command(self, command: Command, *, wait: bool = True) -> State:
        self.live.command(command, because="the test")
        return await self.settle() if wait else self.state

    async def start(self) -> None:
        """Reset and Start; returns in Execute."""
        assert await self.command(Command.RESET) is State.IDLE
        self.live.command(Command.START, because="the test")
        await self.until(lambda: self.state is State.EXECUTE, "Execute")

    async def until(self, condition: Callable[[], bool], what: str, within_s: float = 60.0) -> None:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        while not condition():
            assert loop.time() - began_s < within_s, f"waited in vain for {what}; states {self.states}"
            await asyncio.sleep(0.001)

    async def turning(self, speed_rpm: float = 500.0) -> None:
        await self.until(lambda: abs(self.truth.motor_speed_rpm) > speed_rpm, f"{speed_rpm} r/min")


def planned(
    programme: str = SHORT, *, folder: Path, changes: Sequence[tuple[str, str]] = (), kind: Kind = BRUSHED
) -> tuple:
    """A bench that comes along and a programme for its specimen, planned by the code that the daemon uses."""
    configs = configs_directory()
    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    text = programme
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    file = folder / "programme.toml"
    file.write_text(text)
    bench = load_bench(configs / "benches" / f"{kind.bench}.toml", registry)
    job = Job(
        programme=load_programme(file, registry),
        motor=load_motor(configs / "motors" / f"{kind.motor}.toml"),
        setup=load_setup(configs / "setups" / f"{kind.setup}.toml"),
        order="1",
        serial="1",
        operator="Somebody",
    )
    return bench, plan_run(bench, job)


@contextlib.asynccontextmanager
async def running(
    folder: Path,
    *,
    programme: str = SHORT,
    seed: int = 1,
    warning_s: float = 0.1,
    zero_time_s: float = 0.3,
    tests: Sequence[PlayedTest] | None = None,
    drivers: TwinDrivers | None = None,
    kind: Kind = BRUSHED,
    record_in: Path | None = None,
    alter: Callable[[PlannedRun], PlannedRun] = lambda run: run,
) -> AsyncIterator[OnTwin]:
    """A bench that has come up and waits in Stopped with its run loaded; `tests` replace those of the programme.

    `alter` changes the planned run before it is loaded.

    With `record_in` the run is recorded into a folder below it, as the daemon does, instead of in memory.
    """
    bench, run = planned(programme, folder=folder, kind=kind)
    run = alter(run)
    plan = bench_plan(bench)
    starting = replace(plan.starting, pre_start_warning_s=warning_s, zero_time_s=zero_time_s)
    plan = replace(plan, starting=starting)
    drivers = drivers or twin_drivers(kind.motor, seed=seed)
    log: list[tuple[str, dict]] = []
    links = {
        name: Link(
            name,
            drivers[name],
            reply_time_s=REPLY_TIME_S,
            safe_time_s=SAFE_TIME_S,
            on_change=lambda change: log.append(
                ("link", {"link": change.link, "state": change.state.value, "sentence": change.sentence})
            ),
        )
        for name in plan.devices
    }

    async def at_once(slow: Callable[[], object]) -> object:
        return slow()

    recorded = Recorded()

    def opened() -> Recorder:
        if record_in is None:
            return recorded
        now_s = asyncio.get_running_loop().time()
        return open_recorder(
            bench, run, clock=ClockAnchor(mono_s=0.0, utc_ns=NEW_YEAR_NS), mono_s=now_s, data_directory=record_in
        )

    ticker = VirtualTicker(plan.tick_hz)
    live = Bench(plan, links, ticker, on_event=lambda name, **fields: log.append((name, fields)), offload=at_once)
    asks = {} if tests else {"attended": run.job.programme.attended, "confirmations": run.confirmations}
    live.load(Run(title="short", plan=run.plan, tests=tests or run.tests, open_recorder=opened, **asks))
    on_twin = OnTwin(live, drivers, links, run, recorded, log)
    async with asyncio.TaskGroup() as group:
        task = group.create_task(live.run(), name="bench")
        await live.settled.wait()
        try:
            yield on_twin
        finally:
            task.cancel()
