"""Whatever is commanded, breaks, is mended and passes in whatever order: energy goes in time and nothing restarts.

Each story is one bench on its twin in virtual time, driven by random steps and watched by `any_order_witness`. In CI
the stories are always the same ones; `BENCHD_ANY_ORDER_STORIES=500` plays so many others, drawn anew each time.
"""

import asyncio
import os
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from benchd.live.run import Run
from benchd.live.virtual_time import VirtualTimeLoop
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.rules.states import Command, NotAllowed
from benchd_rig.safety_chain import Button

from .any_order_breakages import BLOWS, CLOSING, DEVICES, OPENING, Blow
from .any_order_witness import COMMANDS, DONE, HOT_DEGC, RUNS, Witness, weld_relays
from .twin_bench import OnTwin, running

STORIES = int(os.environ.get("BENCHD_ANY_ORDER_STORIES", "0"))
STEPS = 60
STORIES_IN_CI = 60
AT_LEAST = 3000  # steps in CI; the limit monitor's own stories make it 10 000
LINKS_COME_BACK_S = 40.0  # longer than any pause between two attempts to reopen a link

PASSES_S = st.sampled_from([0.01, 0.02, 0.03, 0.05, 0.05, 0.1, 0.1, 0.2, 0.4])
PASSES_LONG_S = st.sampled_from([0.7, 1.0, 1.5, 2.0, 3.0, 5.0])
TURNS_S = st.sampled_from([0.0, 0.2, 0.4, 0.8, 1.5, 3.0])
GOES_ON = {"Aborted": "Clear", "Stopped": "Reset", "Complete": "Reset", "Idle": "Start", "Held": "Unhold"}
MAY_LOAD = {"Stopped", "Idle", "Complete", "Aborted", "Resetting", "Clearing"}
HOLDS = Limit(
    channel="shaft_speed", bound=Bound.HIGH, value=700.0, delay_s=0.05, reaction=Reaction.HOLD, origin="the test"
)
RUNS_TO_CHOOSE = {"both tests": (2, ()), "one test": (1, ()), "one that is held": (2, (HOLDS,))}


class AnyOrder(RuleBasedStateMachine):
    """One bench. `folder` is set by the test; `steps` and what was reached count over all stories."""

    folder: Path
    steps = 0
    fastest_rpm = 0.0
    reached: ClassVar[set[str]]
    causes: ClassVar[set[str]]

    def __init__(self) -> None:
        super().__init__()
        self.runner = asyncio.Runner(loop_factory=VirtualTimeLoop)
        self.done: asyncio.Event

    @initialize(
        seed=st.integers(0, 1000),
        welded=st.sampled_from([False, False, False, True, True]),
        comes_back=st.integers(0, 7),
        turns_s=st.none() | TURNS_S,
        which=st.sampled_from(sorted(RUNS_TO_CHOOSE)),
    )
    def comes_up(self, seed: int, welded: bool, comes_back: int, turns_s: float | None, which: str) -> None:
        self.comes_back = comes_back == 0
        self.runner.run(self._come_up(seed, welded, which))
        if turns_s is not None:
            self.runner.run(self._start(turns_s))

    async def _come_up(self, seed: int, welded: bool, which: str) -> None:
        ready: asyncio.Future[OnTwin] = asyncio.get_running_loop().create_future()
        self.done = asyncio.Event()

        async def keep() -> None:
            async with running(self.folder, seed=seed) as bench, asyncio.TaskGroup() as group:
                if welded:
                    weld_relays(bench.rig)
                self.witness = Witness(bench, relays_welded=welded)
                watching = group.create_task(self.witness.watch(), name="witness")
                ready.set_result(bench)
                await self.done.wait()
                watching.cancel()

        self.keeper = asyncio.create_task(keep(), name="keeper")
        await asyncio.wait({self.keeper, ready}, return_when=asyncio.FIRST_COMPLETED)
        self.bench = ready.result() if ready.done() else self.keeper.result()
        self._load(which)

    def _load(self, which: str) -> None:
        bench, (tests, limits) = self.bench, RUNS_TO_CHOOSE[which]

        def opened():
            self.witness.opened += 1
            return bench.recorded

        plan = replace(bench.run.plan, limits=(*bench.run.plan.limits, *limits))
        bench.live.load(Run(title=which, plan=plan, tests=bench.run.tests[:tests], open_recorder=opened))

    # what people ask for

    @rule(commands=st.lists(st.sampled_from(list(COMMANDS)), min_size=1, max_size=4))
    def is_commanded(self, commands: list[str]) -> None:
        """At one instant, as from several people."""
        self.runner.run(self._commands(commands))

    @rule()
    def goes_on(self) -> None:
        """The command that leads further, given where one does."""
        self.runner.run(self._commands([GOES_ON.get(self.witness.state, "Hold")]))

    @rule(which=st.sampled_from(sorted(RUNS_TO_CHOOSE)))
    def is_given_a_run(self, which: str) -> None:
        self.runner.run(self._choose(which))

    async def _choose(self, which: str) -> None:
        may = self.witness.state in MAY_LOAD
        try:
            self._load(which)
        except ValueError:
            assert not may, f"no run could be chosen in {self.witness.state}"
        else:
            assert may, f"a run was chosen in {self.witness.state}"

    async def _commands(self, commands: list[str]) -> None:
        for command in commands:
            self._command(command)

    def _command(self, command: str) -> None:
        """Obeyed where the table says so, else refused with nothing changed."""
        witness, live = self.witness, self.bench.live
        witness.look()
        before, harder = witness.state, live.cause
        witness.asked = command
        try:
            live.command(Command(command.lower()), because="the test")
        except NotAllowed:
            assert before not in COMMANDS[command], f"{command} was refused in {before}"
            assert self.bench.state.title == before
        else:
            # An Abort that comes while a gentle one is under way makes it a cut.
            gentle = command == "Abort" and before == "Aborting" and harder and harder.reaction is not Reaction.CUT
            assert before in COMMANDS[command] or gentle, f"{command} was obeyed in {before}"
        witness.look()
        witness.asked = None

    async def _start(self, turns_s: float) -> None:
        self.witness.broken.mend()
        for _ in range(25):
            state = self.witness.state
            if state in RUNS or state == "Starting":
                break
            if state in GOES_ON:
                self._command(GOES_ON[state])
            await asyncio.sleep(0.05)
        for _ in range(120):  # a start proves, warns, takes zeros and jogs
            if self.witness.state == "Starting":
                await asyncio.sleep(0.05)
        await asyncio.sleep(turns_s)

    # what breaks and is mended

    @rule(blow=BLOWS)
    def is_struck(self, blow: Blow) -> None:
        self.runner.run(self._strike([blow]))

    @rule(turns_s=TURNS_S, blows=st.lists(BLOWS, max_size=3), seconds=PASSES_S)
    def is_struck_while_it_turns(self, turns_s: float, blows: list[Blow], seconds: float) -> None:
        """Mended, cleared, reset and started as an operator does it; nothing says that it works."""
        self.runner.run(self._start(turns_s))
        self.runner.run(self._strike(blows))
        self.runner.run(asyncio.sleep(seconds))

    async def _strike(self, blows: list[Blow]) -> None:
        for blow in blows:
            self.witness.broken.strike(blow, asyncio.get_running_loop().time())

    @rule(button=st.sampled_from([*OPENING, *CLOSING]))
    def is_pressed(self, button: Button) -> None:
        self.runner.run(self._press(button))

    async def _press(self, button: Button) -> None:
        self.witness.broken.press(button)

    @rule(device=st.sampled_from(DEVICES))
    def is_mended(self, device: str) -> None:
        self.witness.broken.mend_wire(device)

    @rule()
    def is_mended_wholly(self) -> None:
        self.runner.run(self._mend())

    async def _mend(self) -> None:
        self.witness.broken.mend()

    # what passes

    @rule(seconds=PASSES_S)
    def time_passes(self, seconds: float) -> None:
        self.runner.run(asyncio.sleep(seconds))

    @precondition(lambda self: self.witness.state not in {"Stopped", "Idle", "Complete"})
    @rule(seconds=PASSES_LONG_S)
    def much_time_passes(self, seconds: float) -> None:
        self.runner.run(asyncio.sleep(seconds))

    @invariant()
    def nothing_is_wrong(self) -> None:
        type(self).steps += 1
        if not hasattr(self, "bench"):
            return
        if self.keeper.done():
            self.keeper.result()
            raise AssertionError("the bench ended by itself")
        self.runner.run(self._look())
        assert not self.witness.wrong, "\n".join(self.witness.wrong[:5])

    async def _look(self) -> None:
        self.witness.look()

    def teardown(self) -> None:
        try:
            if hasattr(self, "bench"):
                self.reached.update(self.witness.states)
                type(self).fastest_rpm = max(self.fastest_rpm, self.witness.fastest_rpm)
                self.causes.update(self.witness.causes)
                if self.comes_back and not self.witness.wrong and not self.keeper.done():
                    self.runner.run(self._come_back())
                self.runner.run(self._leave())
        finally:
            self.runner.close()

    async def _come_back(self) -> None:
        """Whatever was, once everything is mended the bench can be brought to run again, by commands alone."""
        witness = self.witness
        self.witness.broken.mend()
        await asyncio.sleep(LINKS_COME_BACK_S)
        if witness.state in {*RUNS, "Starting"}:
            self._command("Stop")
        for command, leads_to in (("Clear", "Stopped"), ("Reset", "Idle"), ("Start", "Execute")):
            self.witness.broken.mend()  # the chain too: a stop of the bench may have opened it
            await self._rests()
            if witness.state in COMMANDS[command]:
                self._command(command)
                await self._rests(until=leads_to)
        told = [fields.get("sentence") for name, fields in self.bench.log if name in {"failed", "not_safe"}]
        words = f"{witness.states[-9:]} though all was mended; told {told[-2:]}, {self.bench.live.cause}"
        assert witness.state == "Execute" or self.bench.rig.plant.winding_degc > HOT_DEGC, words
        assert not witness.wrong, "\n".join(witness.wrong[:5])

    async def _rests(self, *, until: str = "") -> None:
        for _ in range(800):
            if self.witness.state == until or self.witness.state not in DONE:
                return
            await asyncio.sleep(0.05)

    async def _leave(self) -> None:
        self.done.set()
        await asyncio.wait({self.keeper})
        if not self.keeper.cancelled():
            self.keeper.result()
        plant = self.bench.rig.plant
        if not self.witness.relays_welded and not self.witness.broken.since_s:
            assert not plant.supply.output_on
            assert not plant.load.power_stage_on


def test_whatever_happens_in_whatever_order_takes_energy_away_in_time_and_restarts_nothing(tmp_path: Path) -> None:
    class Stories(AnyOrder):
        folder = tmp_path
        reached: ClassVar[set[str]] = set()
        causes: ClassVar[set[str]] = set()

    how = settings(
        max_examples=STORIES or STORIES_IN_CI,
        stateful_step_count=STEPS,
        deadline=None,
        derandomize=not STORIES,
        database=None,
        print_blob=True,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(Stories, settings=how)
    print(
        f"{Stories.steps} steps up to {Stories.fastest_rpm:.0f} r/min; {len(Stories.causes)} causes",
        sorted(Stories.causes),
    )
    assert Stories.steps >= (0 if STORIES else AT_LEAST)
    assert Stories.reached >= {*COMMANDS["Stop"], *COMMANDS["Abort"], "Aborted", "Aborting"}
