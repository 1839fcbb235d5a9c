"""A bench of its own for a campaign: locked, watched by its sentry, its drivers traced. Nobody else commands it."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from benchd.app.commissioning.campaign import Campaign, CommissioningFailed, Heard, Told
from benchd.app.commissioning.provoked import Answer, NotProvoked, provocations
from benchd.app.commissioning.traced import Trace, TracedDriver
from benchd.app.discovery import make_drivers
from benchd.app.own_bench import beside_own_bench
from benchd.app.serve import chain_within_s
from benchd.app.watched import Watched, plan_through, watched
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.contract import Driver
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.plan import BenchPlan
from benchd.live.run import Recorder, Run
from benchd.procedures.gentle_turn import GentleTurn
from benchd.records import BenchLock
from benchd.settings.bench import Bench


class NotRecorded(Recorder):
    """A run whose frames nobody keeps: the campaign's own record holds what counts. Every method does nothing."""


def commission(
    bench: Bench,
    run: PlannedRun,
    *,
    runtime_directory: Path,
    times: int,
    say: Callable[[str], object],
    answers: list[Answer],
    left_out: list[NotProvoked],
    only: Sequence[str] = (),
) -> None:
    """Provoke everything on this bench with the limits of this run, so many times each; both lists are filled.

    With `only`, what has one of these texts in its title.

    Raises `RecordsError` when a daemon holds the bench, `DriverBroken`, and `CommissioningFailed`.
    """
    drivers = make_drivers(bench)
    with BenchLock(runtime_directory / f"benchd-{bench.name}.lock"), watched(bench, runtime_directory) as shown:
        if shown is not None:
            drivers = shown.drivers(drivers)
        asyncio.run(
            _session(
                bench, run, drivers, shown, Told(say=say, answers=answers, left_out=left_out), times=times, only=only
            )
        )


async def _session(
    bench: Bench,
    run: PlannedRun,
    drivers: Mapping[str, Driver],
    shown: Watched | None,
    to: Told,
    *,
    times: int,
    only: Sequence[str],
) -> None:
    plan, trace, heard = plan_through(shown, bench_plan(bench)), Trace(), Heard()
    traced = {name: TracedDriver(name, drivers[name], trace) for name in bench.devices}

    async def campaign(live: LiveBench, links: dict[str, Link]) -> None:
        work = Campaign(live, links, trace, heard, to=to, chain_within_s=chain_within_s())
        await _campaign(live, plan, run, work, times=times, only=only)

    await beside_own_bench(plan, traced, shown, campaign, on_event=heard.hear)


async def _campaign(
    live: LiveBench, plan: BenchPlan, run: PlannedRun, work: Campaign, *, times: int, only: Sequence[str]
) -> None:
    await live.settled.wait()
    turn = GentleTurn(run.tests[0].around)
    live.load(Run(title="commissioning", plan=run.plan, tests=(turn,), open_recorder=NotRecorded))
    units = {channel.name: channel.unit for channel in plan.channels}
    asked = provocations(plan, run.plan.limits, units=units)
    wanted = [one for one in asked if not only or any(text in one.title for text in only)]
    if not wanted:
        raise CommissioningFailed(f"Nothing on this bench is called so: {', '.join(only)}.")
    await work.carry_out(wanted, times=times)
