"""The engine: whatever is commanded and however acts end, it walks the published table and ends up without energy."""

import asyncio
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.live.engine import ActFailed, Engine
from benchd.live.virtual_time import run_virtual
from benchd.rules.states import COMPLETION, TABLE, Command, NotAllowed, State

pytestmark = pytest.mark.virtual_time

OUTCOMES = ("ends", "fails", "error", "cancelled from within", "lasts", "ignores its cancellation")
EDGES = {(before, after) for (before, _), after in TABLE.items()} | set(COMPLETION.items())


@dataclass
class Acts:
    """Acts that end as told; `changes` keeps every change of state."""

    outcomes: dict[State, str] = field(default_factory=dict)
    changes: list[tuple[State, State, str]] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    running: list[State] = field(default_factory=list)

    def engine(self) -> Engine:
        return Engine(
            {state: lambda state=state: self.act(state) for state in COMPLETION},
            on_change=lambda before, after, because: self.changes.append((before, after, because)),
            on_failure=self.failures.append,
        )

    async def act(self, state: State) -> None:
        self.running.append(state)
        outcome = self.outcomes.get(state, "ends")
        await asyncio.sleep(0.01)
        if outcome == "fails":
            raise ActFailed("It could not be done: look at it.")
        if outcome == "error":
            raise ZeroDivisionError
        if outcome == "cancelled from within":
            raise asyncio.CancelledError
        if outcome == "lasts":
            await asyncio.Event().wait()
        if outcome == "ignores its cancellation":
            until_s = asyncio.get_running_loop().time() + 0.2
            while asyncio.get_running_loop().time() < until_s:
                try:
                    await asyncio.sleep(0.05)
                except asyncio.CancelledError:
                    continue


class Running:
    def __init__(self, acts: Acts) -> None:
        self.acts = acts
        self.engine = acts.engine()

    async def __aenter__(self) -> Engine:
        self._task = asyncio.ensure_future(self.engine.run())
        await asyncio.sleep(0)
        return self.engine

    async def __aexit__(self, *_) -> None:
        self._task.cancel()
        await asyncio.wait({self._task})


ORDERS = st.lists(
    st.tuples(st.sampled_from(list(Command)), st.sampled_from([0.0, 0.001, 0.011, 0.05, 0.3])), max_size=25
)


@settings(deadline=None)
@given(ORDERS, st.dictionaries(st.sampled_from(list(COMPLETION)), st.sampled_from(OUTCOMES)))
def test_random_commands_and_outcomes_never_leave_the_published_table(orders, outcomes) -> None:
    acts = Acts(outcomes={state: outcome for state, outcome in outcomes.items() if state is not State.ABORTING})

    async def play() -> State:
        async with Running(acts) as engine:
            for command, wait_s in orders:
                before = engine.state
                try:
                    after = engine.command(command, because="chance")
                except NotAllowed:
                    assert engine.state is before
                    assert (before, command) not in TABLE
                else:
                    assert after is TABLE[before, command]
                await asyncio.sleep(wait_s)
            if engine.state not in {State.ABORTING, State.ABORTED}:
                engine.command(Command.ABORT, because="the end")
            await asyncio.sleep(1.0)
            return engine.state

    assert run_virtual(play()) is State.ABORTED  # always reachable, from wherever, whatever acts do
    state = State.STOPPED
    for before, after, because in acts.changes:
        assert before is state
        assert (before, after) in EDGES
        assert because
        state = after


@pytest.mark.parametrize("outcome", ["fails", "error", "cancelled from within"])
@pytest.mark.parametrize("state", sorted(COMPLETION))
async def test_an_act_that_does_not_end_well_leads_to_a_stop_or_an_abort_and_never_on(
    state: State, outcome: str
) -> None:
    acts = Acts(outcomes={state: outcome})
    async with Running(acts) as engine:
        engine._state = state  # wherever it is
        engine._changed.set()
        await asyncio.sleep(0.5)
        after = acts.changes[0][1]
        if state is State.ABORTING:
            assert after is State.ABORTED
        elif outcome == "fails" and state not in {State.COMPLETING, State.STOPPING, State.CLEARING}:
            assert after is State.STOPPING
        else:
            assert after is State.ABORTING
        assert engine.state in {State.STOPPED, State.ABORTED}
        assert len(acts.failures) == 1


async def test_a_command_is_obeyed_at_once_and_the_act_before_is_cancelled() -> None:
    acts = Acts(outcomes={State.EXECUTE: "lasts"})
    loop = asyncio.get_running_loop()
    async with Running(acts) as engine:
        engine.command(Command.RESET, because="a")
        await asyncio.sleep(0.05)
        engine.command(Command.START, because="b")
        await asyncio.sleep(0.05)
        assert engine.state is State.EXECUTE
        began_s = loop.time()
        assert engine.command(Command.ABORT, because="c") is State.ABORTING
        while State.ABORTING not in acts.running:
            await asyncio.sleep(0.0005)
        assert loop.time() - began_s < 0.002


async def test_an_act_that_ignores_its_cancellation_holds_up_the_stop_for_milliseconds_only() -> None:
    acts = Acts(outcomes={State.EXECUTE: "ignores its cancellation"})
    loop = asyncio.get_running_loop()
    async with Running(acts) as engine:
        engine.command(Command.RESET, because="a")
        await asyncio.sleep(0.05)
        engine.command(Command.START, because="b")
        await asyncio.sleep(0.05)
        began_s = loop.time()
        engine.command(Command.STOP, because="c")
        while State.STOPPING not in acts.running:
            await asyncio.sleep(0.0005)
        assert loop.time() - began_s <= 0.007
        await asyncio.sleep(0.5)
        assert engine.state is State.STOPPED  # what the old act brought later changed nothing


async def test_an_act_that_ends_in_the_same_step_as_a_command_completes_nothing() -> None:
    acts = Acts()

    async def stop_at_its_end() -> None:
        engine.command(Command.STOP, because="d")

    engine = Engine(
        {state: lambda state=state: acts.act(state) for state in COMPLETION} | {State.EXECUTE: stop_at_its_end},
        on_change=lambda before, after, because: acts.changes.append((before, after, because)),
        on_failure=acts.failures.append,
    )
    task = asyncio.ensure_future(engine.run())
    engine.command(Command.RESET, because="a")
    await asyncio.sleep(0.05)
    engine.command(Command.START, because="b")
    await asyncio.sleep(0.2)
    assert [after for _, after, _ in acts.changes][3:] == [State.EXECUTE, State.STOPPING, State.STOPPED]
    task.cancel()
    await asyncio.wait({task})
