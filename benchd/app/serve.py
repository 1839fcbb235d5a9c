"""The daemon: loads, locks, builds the bench and runs it, once for a job or until it is told to end."""

import asyncio
import datetime as dt
import os
import signal
import sys
import time
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from benchd.app.aftermath import Ending, RunNews, evaluated
from benchd.app.discovery import make_drivers
from benchd.app.figures import Counted, figures_of, tell_prometheus
from benchd.app.interrupted import give_endings, left_behind
from benchd.app.recorder import RunRecorder, open_recorder
from benchd.app.remote import Access, Remote
from benchd.app.streams import place_of
from benchd.app.timekeeping import Timekeeper
from benchd.app.watched import ShownTicker, Watched, plan_through, tell_missing, watched
from benchd.app.wiring import PlannedRun, bench_plan
from benchd.contract import Driver
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.link_state import LinkChange
from benchd.live.plan import BenchPlan
from benchd.live.quiet import quiet_process
from benchd.live.run import Recorder, Run
from benchd.live.supervision import chain_objection
from benchd.live.ticker import Ticker, TimerfdTicker
from benchd.live.watch import WATCHED
from benchd.outside import log as outside_log
from benchd.outside.foreign import foreign_voices
from benchd.records import BenchLock
from benchd.rules.states import Command, NotAllowed, State
from benchd.settings.bench import Bench

COMPLETE, FAILED, TRIPPED = 0, 1, 3
PAPERWORK_WITHIN_S = 45.0  # after the end of a run; `benchd report` makes what could not be made until then
RESTING = frozenset({"Complete", "Stopped", "Aborted"})
ENDINGS: Mapping[str, Ending] = {"complete": "complete", "stopped": "stopped", "aborted": "aborted"}
CHAIN_WITHIN_S = 60.0  # for a person to walk to the reset button; BENCHD_CHAIN_WITHIN_S says another time


@dataclass(slots=True)
class Outcome:
    """How a job ended: exit status, the folder if there is one, and the sentences that say why it did not complete."""

    status: int = FAILED
    folder: Path | None = None
    report: Path | None = None
    trouble: list[str] = field(default_factory=list)  # why there is no report; it changes nothing about the run
    sentences: list[str] = field(default_factory=list)


def serve(
    bench: Bench,
    run: PlannedRun | None,
    *,
    runtime_directory: Path,
    outside: Access | None = None,
    report: bool = True,
) -> Outcome:
    """Run the daemon; with a run, play it and end, without one, wait for commands until SIGTERM or SIGINT.

    `outside` None: nobody is told and nobody else commands. `report` False leaves results and report of its runs out.

    Raises `RecordsError` when another daemon holds this bench and `DriverBroken` before anything is touched.
    """
    drivers = make_drivers(bench)
    with BenchLock(runtime_directory / f"benchd-{bench.name}.lock"), watched(bench, runtime_directory) as shown:
        if shown is not None:
            drivers = shown.drivers(drivers)
        return asyncio.run(_Daemon(bench, run, drivers, outside, shown, report=report).main())


def chain_within_s() -> float:
    """How long a start waits for the safety chain to be reset; what is no number in the environment says nothing."""
    try:
        return float(os.environ["BENCHD_CHAIN_WITHIN_S"])
    except (KeyError, ValueError):
        return CHAIN_WITHIN_S


class _Daemon:
    """One process' bench, log and outcome."""

    def __init__(
        self,
        bench: Bench,
        run: PlannedRun | None,
        drivers: Mapping[str, Driver],
        outside: Access | None,
        shown: Watched | None,
        *,
        report: bool,
    ) -> None:
        self._bench = bench
        self._drivers = drivers
        self._run = run
        self._outside = outside
        self._shown = shown
        self._left_behind = left_behind(bench.data_directory)  # before a run of this process is among them
        self._report = report
        self._outcome = Outcome()
        self._remote: Remote | None = None
        self._news = RunNews(None, None, utc=self._utc_now)
        self._stopped_because = ""
        self._open_folder: Path | None = None  # of the run that is being recorded
        self._evaluating: set[asyncio.Task[None]] = set()
        self._counted = Counted(channel.name for channel in bench.channels())
        self._failed_outside: set[str] = set()  # places in the code, each told once
        self._clock = Timekeeper()
        self._log = outside_log.configure(sys.stderr, utc_now=lambda: self._clock.utc(time.monotonic()))
        self._live: LiveBench | None = None
        self._asked_to_end = asyncio.Event()
        self._group: asyncio.TaskGroup

    async def main(self) -> Outcome:
        """Everything, until the job has ended or a signal came."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, self._signalled)
        try:
            with foreign_voices(self._log):
                await self._run_bench()
        except* Exception as group:  # noqa: BLE001 - whatever it is, the links are left and a person is told
            self._broke_down(group)
        self._event("ended", status=self._outcome.status)
        self._log.close()
        return self._outcome

    async def _run_bench(self) -> None:
        plan = plan_through(self._shown, bench_plan(self._bench))
        links = {
            name: Link(
                name,
                self._drivers[name],
                reply_time_s=device.manifest.reply_time_s,
                safe_time_s=device.manifest.safe_time_s,
                on_change=self._link_changed,
            )
            for name, device in self._bench.devices.items()
        }
        loop = asyncio.get_running_loop()
        with (
            ThreadPoolExecutor(max_workers=1, thread_name_prefix="records") as records,
            ThreadPoolExecutor(max_workers=1, thread_name_prefix="spool") as spool,  # never before the journal
            quiet_process(),
        ):

            async def offload(slow: Callable[[], object]) -> object:
                return await loop.run_in_executor(records, slow)

            async def spooled(slow: Callable[[], object]) -> object:
                return await loop.run_in_executor(spool, slow)

            self._live = live = LiveBench(plan, links, self._ticker(plan), on_event=self._event, offload=offload)
            if self._outside is not None:
                self._remote = Remote(
                    live,
                    self._bench,
                    self._outside,
                    utc=self._clock.utc,
                    offload=spooled,
                    choose=lambda chosen: live.load(self._live_run(chosen)),
                    on_event=self._event,
                    on_failure=self._outside_failed,
                )
                self._news = RunNews(self._remote.announcer, self._remote.outbox, utc=self._utc_now)
            figures = figures_of(live, links, self._counted, self._log, lambda: self._remote)
            async with asyncio.TaskGroup() as group:
                self._group = group
                pump = group.create_task(self._spared(self._log.pump()), name="log")
                bench = group.create_task(live.run(), name="bench")
                remote = None
                if self._remote is not None:
                    remote = group.create_task(self._spared(self._remote.run()), name="remote")
                metrics = group.create_task(
                    self._spared(tell_prometheus(self._bench.metrics, figures, on_event=self._event)), name="metrics"
                )
                giving = give_endings(self._bench.name, self._left_behind, on_event=self._event)
                endings = group.create_task(self._spared(giving), name="interrupted runs")
                following = self._clock.run(at_rest=lambda: live.engine.state not in WATCHED, on_event=self._event)
                clock = group.create_task(self._spared(following), name="clock")
                missing = group.create_task(self._spared(tell_missing(self._shown, self._event)), name="no sentry")
                await group.create_task(self._job(live), name="job")
                for beside in (endings, metrics, clock, missing):
                    beside.cancel()
                if self._remote is not None:
                    self._remote.commander.ending()
                bench.cancel()
                await asyncio.wait({bench})
                if self._evaluating:
                    await asyncio.wait(self._evaluating, timeout=PAPERWORK_WITHIN_S)
                for late in self._evaluating:
                    late.cancel()
                if remote is not None:
                    remote.cancel()
                    await asyncio.wait({remote})
                pump.cancel()

    def _ticker(self, plan: BenchPlan) -> Ticker:
        ticker = TimerfdTicker(plan.tick_hz)
        if self._shown is None:
            return ticker
        return ShownTicker(ticker, self._shown, energised=lambda: self._live is not None and self._live.energised)

    def _broke_down(self, group: BaseExceptionGroup[Exception]) -> None:
        """The bench's own code failed; the links have been left by now, each of them removing energy."""
        error: BaseException = group
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        where = place_of(error)
        self._outcome.status = FAILED
        self._outcome.sentences.append(
            f"benchd ended in an error of its own ({type(error).__name__} in {where}: {error}): see at the bench that "
            "it is at rest, and report this with the log."
        )
        self._log.logger.error("broke_down", exc_info=(type(error), error, error.__traceback__))

    async def _job(self, live: LiveBench) -> None:
        await live.settled.wait()
        if self._run is None:
            await self._asked_to_end.wait()
            await live.settled.wait()
            self._outcome.status = COMPLETE
            return
        live.load(self._live_run(self._run))
        if self._remote is not None:
            self._remote.plays(self._run)
        await self._chain_reset(live)
        for command in (Command.RESET, Command.START):
            if self._asked_to_end.is_set() or not self._command(live, command):
                break
            await live.settled.wait()
            if command is Command.RESET and live.engine.state is not State.IDLE:
                break
        if live.engine.state is State.HELD:
            self._outcome.sentences.append("The run was held and nobody is there to go on with it; it was stopped.")
            self._command(live, Command.STOP)
            await live.settled.wait()
        self._outcome.status = {State.COMPLETE: COMPLETE, State.ABORTED: TRIPPED}.get(live.engine.state, FAILED)
        await live.recording.quiet(unless=self._asked_to_end)
        if self._outcome.status == FAILED and self._asked_to_end.is_set():
            self._outcome.sentences.append("The run was stopped because the process was told to end.")

    async def _chain_reset(self, live: LiveBench) -> None:
        """Give a person time to reset the safety chain while the heartbeat runs: many take no reset without one."""
        within_s = chain_within_s()
        until_s = time.monotonic() + within_s
        told = False
        while (sentence := _chain_says(live)) and time.monotonic() < until_s and not self._asked_to_end.is_set():
            if not told:
                told = True
                self._event("waiting_for_chain", sentence=sentence, seconds=within_s)
            await asyncio.sleep(0.1)

    def _command(self, live: LiveBench, command: Command) -> bool:
        try:
            live.command(command, because="the command line")
        except (NotAllowed, ValueError) as error:
            self._outcome.sentences.append(str(error))
            return False
        return True

    def _live_run(self, run: PlannedRun) -> Run:
        loop = asyncio.get_running_loop()

        def opened() -> Recorder:
            recorder: RunRecorder = open_recorder(self._bench, run, clock=self._clock.anchor, mono_s=time.monotonic())
            self._outcome.folder = recorder.path
            loop.call_soon_threadsafe(self._begun, recorder.path)
            return recorder

        return Run(
            title=run.job.programme.name,
            plan=run.plan,
            tests=run.tests,
            open_recorder=opened,
            attended=run.job.programme.attended,
            confirmations=run.confirmations,
            desk=run.desk,
        )

    def _begun(self, folder: Path) -> None:
        self._open_folder = folder
        self._news.started(folder)  # what it raises is the event loop's to log

    def _rested(self, state: str) -> None:
        """A run has ended; its folder is finished, or stays open until its fault record is whole."""
        folder, self._open_folder = self._open_folder, None
        if folder is None or self._live is None:
            return
        cause = self._live.cause
        why = "" if state == "complete" else self._stopped_because if cause is None else cause.sentence
        self._news.ended(folder, ending=ENDINGS[state], why=why, last=not self._report)
        if self._report:
            task = self._group.create_task(self._spared(self._evaluate(folder, self._live)), name="paperwork")
            self._evaluating.add(task)
            task.add_done_callback(self._evaluating.discard)

    async def _evaluate(self, folder: Path, live: LiveBench) -> None:
        await live.recording.quiet()
        found = await evaluated(folder)
        self._outcome.report = found.report
        if found.sentence:
            self._outcome.trouble.append(found.sentence)
        self._event("evaluated", folder=str(folder), report=str(found.report or ""), sentence=found.sentence)
        self._news.evaluated(folder, found)

    async def _spared(self, work: Awaitable[None]) -> None:
        """Work beside the bench: its failure is told and ends nothing."""
        try:
            await work
        except Exception as error:  # noqa: BLE001 - see `_outside_failed`
            self._outside_failed(error)

    def _utc_now(self) -> dt.datetime:
        return self._clock.utc(time.monotonic())

    def _signalled(self) -> None:
        """The first signal stops, the second aborts; the daemon ends when the bench has come to rest."""
        live = self._live
        again = self._asked_to_end.is_set()
        self._asked_to_end.set()
        if self._remote is not None:
            self._remote.commander.ending()
        if live is None or live.engine.state not in WATCHED:
            return
        command = Command.ABORT if again else Command.STOP
        try:
            live.command(command, because="the process was told to end")
        except NotAllowed:
            return

    def _tell(self, sentence: str) -> None:
        """Keep what a person must read at the end, and nothing that was said already."""
        told = self._outcome.sentences
        if not any(sentence in one for one in told):
            told[:] = [one for one in told if one not in sentence]
            told.append(sentence)

    def _link_changed(self, change: LinkChange) -> None:
        self._event("link", link=change.link, state=change.state.value, sentence=change.sentence)

    def _event(self, name: str, **fields: object) -> None:
        if name in {"failed", "not_safe", "recording_failed"}:
            self._tell(str(fields["sentence"]))
        elif name == "tripped":
            self._tell(str(fields["cause"]))
        elif name == "explained":  # the chain tells why, what was seen first was only its effect
            told = self._outcome.sentences
            told[:] = [str(fields["cause"]) if one == fields["seen_first"] else one for one in told]
        self._log.logger.info(name, **fields)
        try:
            self._counted.event(name, fields)
            if self._remote is not None:
                self._remote.event(name, fields)
            if name == "state" and fields["after"] == "Stopping":
                self._stopped_because = str(fields["because"])
            if name == "state" and fields["after"] in RESTING:
                self._rested(str(fields["after"]).lower())
        except Exception as error:  # noqa: BLE001 - see `_outside_failed`
            self._outside_failed(error)

    def _outside_failed(self, error: Exception) -> None:
        """What tells of the bench has failed by a defect of its own: told once for each place, and the bench goes on.

        Events come from within the tick and from whoever takes energy away: nothing that hears them may stop that.
        """
        first: BaseException = error
        while isinstance(first, BaseExceptionGroup):
            first = first.exceptions[0]
        where = place_of(first)
        if where in self._failed_outside:
            return
        self._failed_outside.add(where)
        sentence = (
            f"What tells of the bench failed ({type(first).__name__} in {where}: {first}); the bench goes on without: "
            "report this with the log."
        )
        self._log.logger.error("outside_failed", sentence=sentence, exc_info=(type(first), first, first.__traceback__))


def _chain_says(live: LiveBench) -> str | None:
    """Why the safety chain lets no energy flow, as last read; None where it does or has not been read."""
    reading = live.chain()
    return None if reading is None else chain_objection(reading)
