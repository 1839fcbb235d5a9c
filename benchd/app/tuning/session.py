"""A bench of its own for a tuning: steps played, set-points in force and readings kept. It judges nothing."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchd.app.discovery import make_drivers
from benchd.app.own_bench import beside_own_bench
from benchd.app.serve import chain_within_s
from benchd.app.tuning.job import Wanted
from benchd.app.watched import plan_through, watched
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.live.bench import Bench as LiveBench
from benchd.live.capture import CapturedWindow
from benchd.live.fault import FaultWindow
from benchd.live.link import Link
from benchd.live.run import Recorder, Run
from benchd.live.supervision import chain_objection
from benchd.live.targets import numbers
from benchd.records import BenchLock
from benchd.rules.channels import Quality
from benchd.rules.moves import Role, Target
from benchd.rules.states import Command, NotAllowed, State
from benchd.settings.bench import Bench

LOOK_EVERY_S = 0.05


class TuningFailed(Exception):
    """The steps could not be played to their end; one sentence says why."""


@dataclass(slots=True)
class Seen:
    """One loop's set-point and channel while it was stepped, on the event loop's clock in s.

    `set_s` are the ticks at which a set-point came into force, `read_s` the times at which the channel's readings were
    taken; `late_s` is how old the latest reading was at each tick.
    """

    set_s: list[float] = field(default_factory=list)
    set_point: list[float] = field(default_factory=list)
    read_s: list[float] = field(default_factory=list)
    reading: list[float] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)


class SeenRecorder:
    """A recorder that keeps in memory what the loops need of each frame, and nothing on disk."""

    def __init__(self, wanted: Sequence[Wanted], channels: Sequence[str], now: Callable[[Role], Target]) -> None:
        self.seen: Mapping[Wanted, Seen] = {one: Seen() for one in wanted}
        self._place = {one: channels.index(one.channel) for one in wanted}
        self._now = now

    def append(
        self,
        *,
        time_mono_s: float,
        state: int,
        test: int,
        point: int,
        values: Sequence[float],
        ages_s: Sequence[float],
        quality: Sequence[int],
    ) -> None:
        """One frame, kept while its test steps."""
        del state
        if point < 0:
            return
        for wanted, seen in self.seen.items():
            target = self._now(wanted.role)
            if wanted.test != test or not wanted.driven.is_of(target):
                continue
            seen.set_s.append(time_mono_s)
            seen.set_point.append(numbers(target)[0])
            place = self._place[wanted]
            taken_s = time_mono_s - ages_s[place]
            if quality[place] != Quality.GOOD:
                continue
            seen.late_s.append(ages_s[place])
            if not seen.read_s or taken_s > seen.read_s[-1]:
                seen.read_s.append(taken_s)
                seen.reading.append(values[place])

    def event(self, name: str, *, time_mono_s: float, **fields: object) -> None:
        """Not kept."""

    def flush(self) -> None:
        """Nothing is pending."""

    def keep_window(self, window: CapturedWindow) -> None:
        """Not kept."""

    def keep_fault(self, window: FaultWindow) -> None:
        """Not kept: what the bench tells of a trip goes to whoever tunes."""

    def end(self, ending: str, why: str) -> None:
        """Nothing is open."""

    def close(self, ending: str, why: str) -> None:
        """Nothing is open."""


def stepped(
    bench: Bench, run: PlannedRun, wanted: Sequence[Wanted], *, runtime_directory: Path, say: Callable[[str], object]
) -> Mapping[Wanted, Seen]:
    """Play the steps on this bench; what was seen of each loop.

    Raises `RecordsError` when a daemon holds the bench, `DriverBroken` before anything is touched, and `TuningFailed`.
    """
    drivers = make_drivers(bench)
    with BenchLock(runtime_directory / f"benchd-{bench.name}.lock"), watched(bench, runtime_directory) as shown:
        if shown is not None:
            drivers = shown.drivers(drivers)
        plan = plan_through(shown, bench_plan(bench))
        told: list[str] = []
        found: list[SeenRecorder] = []

        def heard(name: str, **fields: object) -> None:
            if name in {"failed", "not_safe"}:
                told.append(str(fields["sentence"]))
            elif name == "test_started":
                say(f"{fields['title']} {int(str(fields['test'])) + 1} of {len(run.tests)}")

        async def work(live: LiveBench, links: dict[str, Link]) -> None:
            del links
            names = [channel.name for channel in plan.channels]
            found.append(SeenRecorder(wanted, names, live.setpoints.now))
            await played(live, run, found[0], say=say, told=told)

        asyncio.run(beside_own_bench(plan, drivers, shown, work, on_event=heard))
    return found[0].seen


async def played(
    live: LiveBench, run: PlannedRun, recorder: Recorder, *, say: Callable[[str], object], told: Sequence[str] = ()
) -> None:
    """The steps from Stopped to Complete on a live bench. Raises `TuningFailed`; the bench then rests or comes to."""
    await live.settled.wait()
    live.load(Run(title="tuning", plan=run.plan, tests=run.tests, open_recorder=lambda: recorder))
    await _chain_reset(live, say)
    for command, wanted in ((Command.RESET, State.IDLE), (Command.START, State.COMPLETE)):
        try:
            live.command(command, because="tuning")
        except (NotAllowed, ValueError) as error:
            raise TuningFailed(str(error)) from error
        await _settled(live, say)
        if live.engine.state is not wanted:
            why = live.cause.sentence if live.cause is not None else next(iter(told[-1:]), live.because)
            raise TuningFailed(f"The bench came to {live.engine.state.title} while it was tuned: {why}")


async def _settled(live: LiveBench, say: Callable[[str], object]) -> None:
    """Until the bench waits for a command; says once what a start waits for somebody to do."""
    said = ""
    while not live.settled.is_set():
        if live.waits_for and live.waits_for != said:
            said = live.waits_for
            say(said)
        await asyncio.sleep(LOOK_EVERY_S)


async def _chain_reset(live: LiveBench, say: Callable[[str], object]) -> None:
    """Give a person time to reset the safety chain while the heartbeat runs."""
    loop = asyncio.get_running_loop()
    until_s, said = loop.time() + chain_within_s(), False
    while loop.time() < until_s:
        reading = live.chain()
        objection = None if reading is None else chain_objection(reading)
        if objection is None:
            return
        if not said:
            said = True
            say(objection)
        await asyncio.sleep(LOOK_EVERY_S)
