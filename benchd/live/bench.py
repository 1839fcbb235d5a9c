"""The running bench: tick, pollers, state and trips put together. It wires the room, nothing more."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping

from benchd.contract import Reading, SafetyChainReading
from benchd.live.asking import Asking
from benchd.live.capture import Capturing
from benchd.live.causes import Cause
from benchd.live.engine import ActFailed, Engine
from benchd.live.fault_ring import rows_for
from benchd.live.heartbeat import Heartbeat
from benchd.live.intake import Intake
from benchd.live.latch import Latch
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.manual import ManualDesk
from benchd.live.plan import BenchPlan, PortRef
from benchd.live.player import Player, misordered
from benchd.live.playing import Playing
from benchd.live.poller import Poller
from benchd.live.progress import progress
from benchd.live.rack import LOOK_AGAIN_S, SPEEDS, Rack
from benchd.live.recording import Recording
from benchd.live.regulation import seen_of
from benchd.live.run import Run
from benchd.live.setpoints import SetPoints
from benchd.live.starting import Starter
from benchd.live.stopping import Stopper
from benchd.live.ticker import Ticker
from benchd.live.twist import Twisting
from benchd.live.watch import WATCHED, Watch
from benchd.rules.frames import NOTHING_YET
from benchd.rules.limits import Reaction
from benchd.rules.states import COMPLETION, Command, State

PROGRESS_EVERY_S = 1.0
BEAT_EVERY_S = 0.05  # a tenth of what chains commonly wait for; a chain that is polled faster gets no more beats
DEVICES_WITHIN_S = 1.0  # a device that has not answered by then is reported absent and goes on being tried


class Bench:
    """One bench in one event loop. `on_event` is told everything worth a log line and must not wait."""

    def __init__(
        self,
        plan: BenchPlan,
        links: Mapping[str, Link],
        ticker: Ticker,
        *,
        on_event: Callable[..., None],
        offload: Callable[[Callable[[], object]], Awaitable[object]],
    ) -> None:
        self.plan = plan
        self._ticker = ticker
        self._log = on_event
        self._links = links
        self._latch = Latch()
        self.because = ""  # why it is in its present state
        self.recording = Recording(
            plan.channels,
            offload=offload,
            on_failure=self._recording_failed,
            on_window_lost=lambda sentence: self._event("capture_failed", port=str(plan.waveforms), sentence=sentence),
            roles=tuple(plan.roles),
            ring_rows=rows_for(plan),
        )
        self._watch = Watch(plan, links, state=lambda: self.engine.state, trip=self.trip, on_event=self._event)
        self.intake = Intake(plan.channels, on_crossings=self._watch.crossed)
        self.setpoints = SetPoints(
            plan.slopes, roles=frozenset(plan.roles), seen=lambda role, kind: seen_of(self._rack, role, kind)
        )
        self._rack = Rack(plan, links, self.intake, self.setpoints, on_event=self._event)
        self._twisting = Twisting(
            speed_rpm=lambda: self.intake.samples.get("shaft_speed", NOTHING_YET).value, trip=self.trip
        )
        self._capturing = None if plan.waveforms is None else self._make_capturing(plan.waveforms)
        self._starter = Starter(self._rack)
        self._stopper = Stopper(self._rack, on_unconfirmed=self._unconfirmed)
        self._pollers = self._make_pollers()
        self._watch.begin(self._rack, self._pollers)
        self.asking = Asking(on_event=self._event)
        self._playing = Playing(
            self._rack,
            self._watch,
            self._starter,
            self.recording,
            self._capturing,
            asking=self.asking,
            on_event=self._event,
            hold=lambda because: self.engine.command(Command.HOLD, because=because),
            trip=self.trip,
        )
        self.engine = Engine(
            self._acts(),
            on_change=self._state_changed,
            on_failure=lambda sentence: self._event("failed", sentence=sentence),
        )
        self.settled = asyncio.Event()  # set while the bench waits for a command

    # what the outside may ask

    def load(self, run: Run) -> None:
        """Choose what Start will play. Raises `ValueError` in one sentence while something runs.

        Also for tests in an order that cannot be played: those with nothing energised come first.
        """
        if self.engine.state in WATCHED:
            raise ValueError(f"A run cannot be chosen in {self.engine.state.title}: wait until the bench rests.")
        if wrong := misordered(run.tests):
            raise ValueError(wrong)
        self._playing.run = run
        self._twisting.expect(run.plan.twist)

    @property
    def ticks(self) -> tuple[int, int]:
        """How many ticks were worked off and how many missed since the bench came up."""
        return self._watch.ticks, self._watch.missed_ticks

    def forget_told(self) -> None:
        """What was told is news again, as at the beginning of a run; whether a cause acts never depends on it."""
        self._latch.forget_told()

    @property
    def cause(self) -> Cause | None:
        """Why energy was taken away, with what was learnt since; None after Clear."""
        return self._latch.cause

    def command(self, command: Command, *, because: str) -> State:
        """Obey a command; raises `NotAllowed`, or `ValueError` for a start with nothing chosen.

        Abort while a gentle abort is under way makes it a cut.
        """
        if command is Command.START and self._playing.run is None:
            raise ValueError("Nothing was chosen to run: choose a programme before Start.")
        if command is not Command.ABORT:
            return self.engine.command(command, because=because)
        asked = Cause(sentence=f"Abort was asked for ({because}).", reaction=Reaction.CUT)
        if self.engine.state is State.ABORTING and self.cause is not None and self.cause.reaction < asked.reaction:
            self._take(asked)
            return self.engine.state
        state = self.engine.command(command, because=because)
        self._take(asked)
        return state

    def trip(self, cause: Cause) -> None:
        """React to a cause, at once. The first cause is latched until Clear; later ones add to it."""
        state = self.engine.state
        if state not in WATCHED:
            return
        if self._latch.is_news(cause):
            self._event("warning" if cause.reaction is Reaction.WARN else "crossed", **cause.fields())
        if cause.reaction is Reaction.WARN:
            return
        if cause.reaction is Reaction.HOLD:
            self._hold_for(cause, state)
            return
        if state is State.STOPPING and cause.reaction is Reaction.RAMP_DOWN:
            return
        self._take(cause)
        if state is not State.ABORTING:
            self.engine.command(Command.ABORT, because=cause.sentence)

    def _take(self, cause: Cause) -> None:
        explained = self._latch.take(cause)
        self.recording.tripped(self._latch.cause or cause)
        if explained is not None:
            self._event("explained", cause=cause.sentence, seen_first=explained.sentence)
        if cause.reaction is Reaction.CUT:
            self.setpoints.close()  # now: the act that stops the devices begins only after the one before has ended

    def _hold_for(self, cause: Cause, state: State) -> None:
        if state is State.EXECUTE:
            self.engine.command(Command.HOLD, because=cause.sentence)
        elif state in {State.STARTING, State.UNHOLDING}:
            self._playing.hold_because = cause.sentence

    def chain(self) -> SafetyChainReading | None:
        """What the safety chain showed last; None before its first reading."""
        return self._rack.latest(self.plan.safety_chain, SafetyChainReading)

    @property
    def waits_for(self) -> str:
        """What a start waits for somebody to do at the bench, in a sentence; else ""."""
        return self._rack.waits_for

    @property
    def may_leap_s(self) -> float:
        """For a rehearsal: how long nothing changes from now on, as the test says; 0 where anything might."""
        return self._watch.may_leap_s

    def leap(self, seconds: float) -> None:
        """A rehearsal has moved the clock by so much: what was read was read on and on and stayed what it was."""
        self._watch.leap(seconds)

    def rest_stream(self, *, resting: bool) -> bool:
        """For a rehearsal: stop or restart the sample stream, whose samples no leap has; whether it rests."""
        capturing = self._capturing
        if capturing is None:
            return True
        if resting is not capturing.rests and not capturing.fills:
            (capturing.close if resting else capturing.open)()
        return capturing.rests

    @property
    def energised(self) -> bool:
        """Whether anything may hold energy: from just before the first device is enabled until it has come to rest."""
        return self._rack.energised

    @property
    def desk(self) -> ManualDesk | None:
        """Where orders by hand go; None where the run that is chosen is none by hand."""
        return None if self._playing.run is None else self._playing.run.desk

    @property
    def player(self) -> Player | None:
        """What plays the run's tests, while it plays them."""
        return self._watch.player

    async def run(self) -> None:
        """Run until cancelled; whatever is energised then is let go in order, before the links are left.

        Leaving a link removes energy too, within its promised safe time, but all of them at once.
        """
        async with asyncio.TaskGroup() as wires:
            for name, link in self._links.items():
                wires.create_task(link.run(), name=f"link {name}")
            try:
                await self._work()
            finally:
                if self._rack.energised:
                    await self._let_go()

    async def _let_go(self) -> None:
        """Everything off, while the devices are still polled: whether a torque is gone is seen in their readings."""
        async with asyncio.TaskGroup() as group:
            polling = [group.create_task(poller.run(), name=f"poller {poller.device.name}") for poller in self._pollers]
            try:
                await self._stopper.off_by_coasting()
            finally:
                for one in polling:
                    one.cancel()

    async def _work(self) -> None:
        async with asyncio.TaskGroup() as group:
            for poller in self._pollers:
                group.create_task(poller.run(), name=f"poller {poller.device.name}")
            group.create_task(self._ticker.run(lambda tick: self._watch.pulse(tick, self.recording)), name="pulse")
            group.create_task(self.recording.run(), name="recording")
            group.create_task(self._progress(), name="progress")
            group.create_task(self._stopper.make_good(lambda: self.engine.state), name="making good")
            if self._capturing is not None:
                group.create_task(self._capturing.run(), name="capturing")
            await self._come_up()
            group.create_task(self.engine.run(), name="engine")

    async def _come_up(self) -> None:
        """Wait for the devices, bring what can energise to its safe state, then say that the bench is Stopped.

        What turns, drives or permits must have been read once: a shaft of unknown speed is not one at rest.
        """
        plan, loop = self.plan, asyncio.get_running_loop()
        until_s = loop.time() + DEVICES_WITHIN_S
        telling = {channel.device for channel in plan.channels if channel.name in SPEEDS}
        telling |= {ref.device for ref in (*plan.roles.values(), plan.safety_chain)}
        while loop.time() < until_s and not (
            all(link.state is LinkState.UP for link in self._links.values())
            and all(math.isfinite(one.heard_mono_s) for one in self._pollers if one.device.name in telling)
        ):
            await asyncio.sleep(LOOK_AGAIN_S)
        absent = {name: link.last_error for name, link in self._links.items() if link.state is not LinkState.UP}
        try:
            await self._stopper.everything_safe()
        except ActFailed as failure:
            self._event("not_safe", sentence=str(failure))
        self._event("ready", state=self.engine.state.title, absent=absent)
        if self.engine.state not in COMPLETION:
            self.settled.set()

    async def _progress(self) -> None:
        while True:
            await asyncio.sleep(PROGRESS_EVERY_S)
            if self.engine.state in WATCHED:
                now = progress(self.engine.state, self._watch.player, self.intake, missed=self._watch.missed_ticks)
                self._log("progress", **now)

    # what the parts tell

    def _make_pollers(self) -> tuple[Poller, ...]:
        plan = self.plan
        chain = Heartbeat(
            plan.safety_chain,
            self._links[plan.safety_chain.device],
            ticks=lambda: self._watch.ticks,
            wanted=lambda: self._rack.beat_wanted,
            every_ticks=max(1, round(BEAT_EVERY_S * plan.tick_hz)),
        )
        return tuple(
            Poller(
                device,
                self._links[name],
                roles=plan.roles,
                setpoints=self.setpoints,
                on_reading=self._arrived,
                on_refusal=self._watch.refused,
                on_broken=lambda ref, sentence: self._event("driver_broken", port=str(ref), sentence=sentence),
                beat=chain.beat if name == plan.safety_chain.device else None,
                phase=number / len(plan.devices),
            )
            for number, (name, device) in enumerate(plan.devices.items())
        )

    def _arrived(self, ref: PortRef, reading: Reading) -> None:
        self._watch.arrived(ref, reading)
        self.recording.arrived(self.intake.samples, self.setpoints)

    def _make_capturing(self, ref: PortRef) -> Capturing:
        return Capturing(
            ref,
            self._links[ref.device],
            on_window=self.recording.window,
            on_event=self._event,
            on_block=self._twisting.take,
        )

    def _unconfirmed(self, ref: PortRef, sentence: str) -> None:
        """Only latched: the stop that found it goes on, and ends in Aborted."""
        if self.engine.state in WATCHED:
            self._take(Cause(sentence=sentence, reaction=Reaction.CUT, doubted=frozenset({ref.device})))

    def _recording_failed(self, sentence: str) -> None:
        self._log("recording_failed", sentence=sentence)
        self.trip(Cause(sentence=sentence, reaction=Reaction.RAMP_DOWN))

    def _state_changed(self, before: State, after: State, because: str) -> None:
        self.because = because
        if after is State.ABORTING and (self.cause is None or self.cause.reaction is Reaction.CUT):
            self.setpoints.close()
        self._event("state", before=before.title, after=after.title, number=int(after), because=because)
        if after in COMPLETION:
            self.settled.clear()
        else:
            self.settled.set()

    def _event(self, name: str, **fields: object) -> None:
        self.recording.event(name, **fields)
        self._log(name, **fields)

    # what each state stands for

    def _acts(self) -> dict[State, Callable[[], Awaitable[None]]]:
        return {
            State.RESETTING: self._reset,
            State.STARTING: self._start,
            State.EXECUTE: self._playing.execute,
            State.HOLDING: self._playing.hold,
            State.UNHOLDING: self._playing.unhold,
            State.COMPLETING: lambda: self._stop("complete", why="all tests were played"),
            State.STOPPING: lambda: self._stop("stopped", why=self.because),
            State.ABORTING: self._abort,
            State.CLEARING: self._clear,
        }

    async def _reset(self) -> None:
        await self._stopper.everything_safe()
        await self._starter.ready()

    async def _start(self) -> None:
        self._latch.forget_told()
        await self._playing.start()

    async def _stop(self, ending: str, *, why: str) -> None:
        self._playing.leave()
        await self._stopper.controlled_stop()
        await self._playing.end(ending, why=why)

    async def _abort(self) -> None:
        self._playing.leave()
        cause = self.cause or Cause(sentence=self.because, reaction=Reaction.CUT)
        if self.cause is None:
            self._take(cause)
        self._event("tripped", **cause.fields())
        try:
            await self._stopper.cut(lambda: self.cause or cause)
        except ActFailed:
            raise
        except Exception as error:
            await self._stopper.last_resort(
                f"The stop failed by a defect of its own ({type(error).__name__}: {error})."
            )
            raise
        finally:
            await self._playing.end("aborted", why=(self.cause or cause).sentence)

    async def _clear(self) -> None:
        await self._stopper.everything_safe()
        await self._starter.clear_protections()
        self._rack.beat_wanted = True
        self._latch.clear()
