"""Runs what each state stands for and changes state by the table in `rules.states`. It knows no device."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping

from benchd.rules.states import Command, State, completed, step

Act = Callable[[], Awaitable[None]]
CANCEL_PATIENCE_S = 0.005  # an act that is slow to end must not hold up the stop that replaces it


STOPS = frozenset({State.COMPLETING, State.STOPPING, State.CLEARING})  # states that take energy away themselves


class ActFailed(Exception):
    """What a state stands for could not be done; the sentence says why and what to do. The bench goes to Stopping."""


class Engine:
    """Holds the bench's state. `command` is immediate; the act of the new state starts in the same loop iteration.

    An act that ends normally completes its state. An act that raises `ActFailed` leads to Stop where the table allows
    it, anything else it raises to Abort; where a stop is what failed it leads to Abort, in Aborting to Aborted.
    """

    def __init__(
        self,
        acts: Mapping[State, Act],
        *,
        on_change: Callable[[State, State, str], None],
        on_failure: Callable[[str], None],
    ) -> None:
        self._acts = acts
        self._on_change = on_change
        self._on_failure = on_failure
        self._state = State.STOPPED
        self._changed = asyncio.Event()

    @property
    def state(self) -> State:
        """The present state."""
        return self._state

    def command(self, command: Command, *, because: str) -> State:
        """Go where the command leads; raises `NotAllowed` and changes nothing otherwise."""
        self._enter(step(self._state, command), because)
        return self._state

    def _enter(self, state: State, because: str) -> None:
        before, self._state = self._state, state
        self._changed.set()
        self._on_change(before, state, because)

    async def run(self) -> None:
        """Run acts until cancelled."""
        async with asyncio.TaskGroup() as group:
            while True:
                state = self._state
                self._changed.clear()
                act = self._acts.get(state)
                if act is None:
                    await self._changed.wait()
                    continue
                acting = group.create_task(self._done(act), name=f"act of {state.title}")
                changed = group.create_task(self._changed.wait(), name="waiting for a change of state")
                await asyncio.wait({acting, changed}, return_when=asyncio.FIRST_COMPLETED)
                if not acting.done():
                    acting.cancel()
                    await asyncio.wait({acting}, timeout=CANCEL_PATIENCE_S)
                    continue
                changed.cancel()
                if self._state is state:
                    self._follow(state, _gave_up(state) if acting.cancelled() else acting.result())

    async def _done(self, act: Act) -> str | Exception | None:
        try:
            await act()
        except ActFailed as failure:
            return str(failure)
        except Exception as error:  # noqa: BLE001 - whatever an act raises, the bench must end up without energy
            return error
        return None

    def _follow(self, state: State, outcome: str | Exception | None) -> None:
        if outcome is None:
            self._enter(completed(state), "done")
            return
        if isinstance(outcome, str):
            sentence = outcome
        else:
            sentence = f"{state.title} ended in an error of the programme itself ({type(outcome).__name__}: {outcome})."
        self._on_failure(sentence)
        if state is State.ABORTING:
            self._enter(State.ABORTED, sentence)
        elif isinstance(outcome, str) and state not in STOPS:
            self.command(Command.STOP, because=sentence)
        else:
            self.command(Command.ABORT, because=sentence)


def _gave_up(state: State) -> Exception:
    """The outcome of an act that nobody cancelled and that ended as cancelled all the same."""
    return RuntimeError(f"what {state.title} stands for was cancelled from within")
