"""Plays the chosen run: what Starting, Execute, Holding and Unholding stand for. It stops nothing."""

import asyncio
from collections.abc import Callable

from benchd.contract import SafetyChainReading
from benchd.live.asking import Asking
from benchd.live.balance import Balancing
from benchd.live.capture import Capturing
from benchd.live.causes import Cause
from benchd.live.engine import ActFailed
from benchd.live.interlocks import in_words, inputs_of
from benchd.live.jog import Jogger
from benchd.live.player import Player
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.recording import Recording
from benchd.live.regulation import Regulation
from benchd.live.run import Run
from benchd.live.starting import Starter
from benchd.live.watch import Watch
from benchd.rules.limits import Reaction
from benchd.rules.moves import Ask


class Playing:
    """The acts that play `run`, the one that was chosen last; `hold` gives the command of that name.

    Every act may be cancelled. They raise `ActFailed` in one sentence.
    """

    def __init__(
        self,
        rack: Rack,
        watch: Watch,
        starter: Starter,
        recording: Recording,
        capturing: Capturing | None,
        *,
        asking: Asking,
        on_event: Callable[..., None],
        hold: Callable[[str], object],
        trip: Callable[[Cause], None],
    ) -> None:
        self._rack = rack
        self._watch = watch
        self._starter = starter
        self._jogger = Jogger(rack)
        self._recording = recording
        self._capturing = capturing
        self._asking = asking
        self._event = on_event
        self._hold = hold
        self._trip = trip
        self.run: Run | None = None
        self.hold_because = ""  # a limit asked for Hold where the table has none; it is obeyed in Execute

    async def start(self) -> None:
        """Open the folder, make the player, and start the bench as far as the first test needs it."""
        if self.run is None:
            raise ActFailed("Nothing was chosen to run: choose a programme before Start.")
        run = self.run
        energise = all(test.energised for test in run.tests[:1])
        self._rack.trouble.clear()
        self._rack.shaft = run.plan.shaft
        self.hold_because = ""
        await self._recording.open(run)
        if run.desk is not None:
            run.desk.attach(self._event)
        if self._capturing is not None:
            self._capturing.open()
        self._tell_interlocks()
        if (ask := run.confirmations.get(0)) is not None:
            await self._confirmed(ask, title=run.tests[0].title)
        self._watch.player = Player(
            run.tests,
            self._rack.setpoints,
            on_event=self._event,
            on_capture=self._capture,
            energised=energise,
            asking=self._asking,
            attended=run.attended,
            confirmations=run.confirmations,
            confirmed=0,
            must_end=(lambda: "") if run.desk is None else run.desk.must_end,
        )
        balance = run.plan.balance
        self._watch.balancing = None if balance is None else Balancing(balance, trip=self._trip, on_event=self._event)
        self._watch.regulation = Regulation(self._rack, run.plan)
        await self._starter.start(run.plan, energise=energise)
        if energise:
            await self._jogger.try_out(run.plan)

    def _tell_interlocks(self) -> None:
        """How the safety chain stands when the run begins; each change is an event of its own."""
        chain = self._rack.latest(self._rack.plan.safety_chain, SafetyChainReading)
        if chain is not None:
            self._event(
                "interlocks", **{name.replace(" ", "_"): how for name, how in in_words(inputs_of(chain)).items()}
            )

    async def _confirmed(self, ask: Ask, *, title: str) -> None:
        """What the first test wants confirmed: asked before anything is energised, so that hands may be at the shaft.

        The guard may be opened meanwhile; the chain is looked at after the answer.
        """
        self._asking.put(ask, test=0, title=title)
        while (outcome := self._asking.take()) is None:
            await asyncio.sleep(LOOK_AGAIN_S)
            self._asking.expire()
        if outcome.sentence:
            raise ActFailed(outcome.sentence)

    async def execute(self) -> None:
        """Play until the last test has ended."""
        player = self._watch.player
        if player is None or self.run is None:
            raise ActFailed("Nothing was started.")
        if self.hold_because:
            because, self.hold_because = self.hold_because, ""
            self._hold(because)
            return
        player.play()
        async with asyncio.TaskGroup() as group:
            enabling = group.create_task(self._enable_when_due(player, self.run), name="enabling")
            await player.finished.wait()
            enabling.cancel()

    async def _enable_when_due(self, player: Player, run: Run) -> None:
        """The rest of the start, when the first test that needs it is due. Its failure is a trip like any other."""
        await player.wants_energy.wait()
        try:
            await self._starter.enable(run.plan)
        except ActFailed as failure:
            self._trip(Cause(sentence=str(failure), reaction=Reaction.CUT))
            return
        try:
            await self._jogger.try_out(run.plan)
        except ActFailed as failure:  # slow and light as it is, the shaft is braked like in any stop
            self._trip(Cause(sentence=str(failure), reaction=Reaction.RAMP_DOWN))
            return
        player.energise()

    async def hold(self) -> None:
        """The test's own way to hold."""
        if self._watch.player is not None:
            self._watch.player.hold()
        await self._arrived_at_targets()

    async def unhold(self) -> None:
        """Back to where the test was held."""
        if self._watch.player is not None:
            self._watch.player.restore()
        if self._rack.intake.monitor is not None:
            self._rack.intake.monitor.rearm()  # what is still beyond a limit holds the run again
        await self._arrived_at_targets()

    async def _arrived_at_targets(self) -> None:
        while not self._rack.setpoints.arrived:
            await asyncio.sleep(LOOK_AGAIN_S)

    def leave(self) -> None:
        """No test asks for anything any more."""
        if self.run is not None and self.run.desk is not None:
            self.run.desk.close()
        self._asking.close("the run ends")
        if self._capturing is not None:
            self._capturing.close()
        if self._watch.player is not None:
            self._watch.player.stop()

    async def end(self, ending: str, *, why: str) -> None:
        """Nothing is watched or recorded any more."""
        self._rack.intake.monitor = None
        self._watch.player = self._watch.balancing = self._watch.regulation = None
        await self._recording.close(ending, why=why)

    def _capture(self, test: int, point: int, seconds: float) -> None:
        if self._capturing is not None:
            self._capturing.wanted(test=test, point=point, seconds=seconds)
