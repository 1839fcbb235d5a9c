"""A tuning on the in-process twin in virtual time: the steps played live, the loops that follow. Not a test."""

import asyncio
import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from benchd.app.discovery import find_drivers
from benchd.app.loading import registry
from benchd.app.tuning.found import Found, loop_of
from benchd.app.tuning.job import Wanted, tuning_run
from benchd.app.tuning.session import Seen, SeenRecorder, played
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.ticker import VirtualTicker
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.load import load_bench, load_motor, load_setup
from benchd.settings.places import configs_directory
from benchd_rig.twin import TwinDrivers, twin_drivers

from .twin_bench import REPLY_TIME_S, SAFE_TIME_S, Kind


@dataclass(frozen=True, slots=True)
class Job:
    """The files of one job."""

    bench: Bench
    motor: Motor
    setup: Setup


def job(kind: Kind, data: Path) -> Job:
    """A bench that comes along with its specimen, its data below `data`."""
    configs, known = configs_directory(), registry(find_drivers())
    bench = load_bench(configs / f"benches/{kind.bench}.toml", known, today=dt.date(2026, 1, 1))
    return Job(
        bench=replace(bench, data_directory=data),
        motor=load_motor(configs / f"motors/{kind.motor}.toml"),
        setup=load_setup(configs / f"setups/{kind.setup}.toml"),
    )


async def seen_of(
    one: Job, kind: Kind, *, drivers: TwinDrivers | None = None
) -> tuple[PlannedRun, Mapping[Wanted, Seen]]:
    """Play the steps; raises `TuningFailed`."""
    run, wanted = tuning_run(one.bench, one.motor, one.setup, operator="Odile Brandvold")
    plan = bench_plan(one.bench)
    plan = replace(plan, starting=replace(plan.starting, pre_start_warning_s=0.1, zero_time_s=0.3))
    drivers = drivers or twin_drivers(kind.motor, seed=3)
    links = {
        name: Link(
            name, drivers[name], reply_time_s=REPLY_TIME_S, safe_time_s=SAFE_TIME_S, on_change=lambda _change: None
        )
        for name in plan.devices
    }

    async def at_once(slow):
        return slow()

    told: list[str] = []

    def heard(name: str, **fields: object) -> None:
        if name == "failed":
            told.append(str(fields["sentence"]))

    live = LiveBench(plan, links, VirtualTicker(plan.tick_hz), on_event=heard, offload=at_once)
    recorder = SeenRecorder(wanted, [channel.name for channel in plan.channels], live.setpoints.now)
    bench = asyncio.ensure_future(live.run())
    try:
        await played(live, run, recorder, say=lambda _line: None, told=told)
    finally:
        bench.cancel()
        await asyncio.wait({bench})
    return run, recorder.seen


def loops_of(one: Job, seen: Mapping[Wanted, Seen], *, rule: str | None = None) -> dict[tuple[str, str], Found]:
    """The loops by role and channel."""
    return {
        (wanted.role.value, wanted.channel): loop_of(wanted, what, one.bench, one.motor, rule=rule)
        for wanted, what in seen.items()
    }
