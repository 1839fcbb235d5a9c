"""One rehearsal: the live room on a twin in virtual time, from Stopped to its end. It opens no socket and no lock."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.app.recorder import RunRecorder, open_recorder
from benchd.app.rehearsing.leaping import leap_where_possible
from benchd.app.rehearsing.people import stand_in
from benchd.app.rehearsing.twins import TwinBench
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.run import Recorder, Run
from benchd.live.ticker import VirtualTicker
from benchd.live.virtual_time import run_virtual
from benchd.records import ClockAnchor
from benchd.rules.states import Command, State
from benchd.settings.bench import Bench

BEGINS_UTC_NS = 946_684_800_000_000_000  # 2000-01-01: a day of no real run
FLUSH_EVERY = 40  # of the live room's flushes: nobody can pull this plug


@dataclass(slots=True)
class Played:
    """How a rehearsal ended: its folder if one was opened, the last state, and sentences that say why."""

    folder: Path | None = None
    state: State = State.STOPPED
    sentences: list[str] = field(default_factory=list)
    lasted_s: float = 0.0  # of virtual time


class _Unhurried:
    """A recorder that waits for the disk seldom; all else is the recorder's own."""

    def __init__(self, recorder: RunRecorder) -> None:
        self.append = recorder.append
        self.event = recorder.event
        self.keep_window = recorder.keep_window
        self.keep_fault = recorder.keep_fault
        self.end = recorder.end
        self.close = recorder.close
        self._recorder = recorder
        self._asked = 0

    def flush(self) -> None:
        """Every so many calls."""
        self._asked += 1
        if self._asked % FLUSH_EVERY == 0:
            self._recorder.flush()


def play(bench: Bench, run: PlannedRun, twin: TwinBench, *, into: Path, marks: Mapping[str, Any]) -> Played:
    """Play the run on the twin and record it below `into`; `marks` go into its description beside the usual.

    The same bench, run, twin and marks give the same folder byte for byte. Raises what the live room raises by a
    defect of its own.
    """
    return run_virtual(_play(bench, run, twin, into=into, marks=marks))


async def _play(bench: Bench, run: PlannedRun, twin: TwinBench, *, into: Path, marks: Mapping[str, Any]) -> Played:
    loop = asyncio.get_running_loop()
    played = Played()
    plan = bench_plan(bench)
    drivers = twin.make()
    links = {
        name: Link(
            name,
            drivers[name],
            reply_time_s=device.reply_time_s,
            safe_time_s=device.safe_time_s,
            on_change=lambda _change: None,
        )
        for name, device in plan.devices.items()
    }

    def opened() -> Recorder:
        anchor = ClockAnchor(mono_s=0.0, utc_ns=BEGINS_UTC_NS)
        recorder = open_recorder(bench, run, clock=anchor, mono_s=loop.time(), data_directory=into, more=marks)
        played.folder = recorder.path
        return _Unhurried(recorder)

    def heard(name: str, **fields: object) -> None:
        if name in {"failed", "not_safe"}:
            played.sentences.append(str(fields["sentence"]))

    live = LiveBench(plan, links, VirtualTicker(plan.tick_hz), on_event=heard, offload=_at_once)
    live.asking.prefix = "rehearsal"  # else a number that no two processes share
    async with asyncio.TaskGroup() as group:
        running = group.create_task(live.run(), name="bench")
        people = group.create_task(stand_in(live, drivers.press), name="people")
        leaping = group.create_task(leap_where_possible(live, drivers), name="leaping")
        await _job(live, run, opened, played)
        played.lasted_s = loop.time()
        people.cancel()
        leaping.cancel()
        running.cancel()
    return played


async def _job(live: LiveBench, run: PlannedRun, opened: Callable[[], Recorder], played: Played) -> None:
    await live.settled.wait()
    live.load(
        Run(
            title=run.job.programme.name,
            plan=run.plan,
            tests=run.tests,
            open_recorder=opened,
            attended=run.job.programme.attended,
            confirmations=run.confirmations,
        )
    )
    for command, wanted in ((Command.RESET, State.IDLE), (Command.START, State.COMPLETE)):
        live.command(command, because="the rehearsal")
        await live.settled.wait()
        if live.engine.state is not wanted:
            break
    if live.engine.state is State.HELD:
        played.sentences.append(f"The run was held ({live.because}); nobody goes on with it in a rehearsal.")
        live.command(Command.STOP, because="the rehearsal ends where the run is held")
        await live.settled.wait()
    played.state = live.engine.state
    if live.cause is not None:
        played.sentences.append(live.cause.sentence)
    await live.recording.quiet()


async def _at_once(slow: Callable[[], object]) -> object:
    return slow()
