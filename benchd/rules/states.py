"""The bench's states and what each command means in them: one table (ISA-TR88.00.02), no behaviour.

The services decide when something happened; this table decides what it means. It must never start or stop anything.
"""

import enum
from collections.abc import Mapping
from types import MappingProxyType


class State(enum.IntEnum):
    """Unit states with the numbers of ISA-TR88.00.02. No command of this bench leads to the three Suspend states."""

    CLEARING = 1
    STOPPED = 2
    STARTING = 3
    IDLE = 4
    SUSPENDED = 5
    EXECUTE = 6
    STOPPING = 7
    ABORTING = 8
    ABORTED = 9
    HOLDING = 10
    HELD = 11
    UNHOLDING = 12
    SUSPENDING = 13
    UNSUSPENDING = 14
    RESETTING = 15
    COMPLETING = 16
    COMPLETE = 17

    @property
    def title(self) -> str:
        """The state's name as people write it."""
        return self.name.capitalize()


class Command(enum.Enum):
    """What a person or a tool may ask for."""

    RESET = "reset"
    START = "start"
    HOLD = "hold"
    UNHOLD = "unhold"
    STOP = "stop"
    ABORT = "abort"
    CLEAR = "clear"


class NotAllowed(Exception):
    """The command means nothing in this state; nothing changed."""

    def __init__(self, state: State, command: Command) -> None:
        allowed = ", ".join(c.value.capitalize() for c in Command if (state, c) in TABLE) or "none"
        super().__init__(
            f"{command.value.capitalize()} is not possible in {state.title}; possible commands now: {allowed}."
        )
        self.state = state
        self.command = command


_NEVER_STOPPED = {State.STOPPED, State.STOPPING, State.CLEARING, State.ABORTING, State.ABORTED}
_NEVER_ABORTED = {State.ABORTING, State.ABORTED}

TABLE: Mapping[tuple[State, Command], State] = MappingProxyType(
    {
        (State.ABORTED, Command.CLEAR): State.CLEARING,
        (State.STOPPED, Command.RESET): State.RESETTING,
        (State.COMPLETE, Command.RESET): State.RESETTING,
        (State.IDLE, Command.START): State.STARTING,
        (State.EXECUTE, Command.HOLD): State.HOLDING,
        (State.HELD, Command.UNHOLD): State.UNHOLDING,
        **{(state, Command.STOP): State.STOPPING for state in State if state not in _NEVER_STOPPED},
        **{(state, Command.ABORT): State.ABORTING for state in State if state not in _NEVER_ABORTED},
    }
)

# What an acting state leads to once what it stands for is done.
COMPLETION: Mapping[State, State] = MappingProxyType(
    {
        State.CLEARING: State.STOPPED,
        State.RESETTING: State.IDLE,
        State.STARTING: State.EXECUTE,
        State.EXECUTE: State.COMPLETING,
        State.HOLDING: State.HELD,
        State.UNHOLDING: State.EXECUTE,
        State.SUSPENDING: State.SUSPENDED,
        State.UNSUSPENDING: State.EXECUTE,
        State.COMPLETING: State.COMPLETE,
        State.STOPPING: State.STOPPED,
        State.ABORTING: State.ABORTED,
    }
)

# States in which something may be energised. Held is one: the test says what energy it holds.
ENERGISED = frozenset({State.STARTING, State.EXECUTE, State.HOLDING, State.HELD, State.UNHOLDING, State.COMPLETING})


def step(state: State, command: Command) -> State:
    """The state that `command` leads to; raises `NotAllowed` and changes nothing otherwise."""
    try:
        return TABLE[state, command]
    except KeyError:
        raise NotAllowed(state, command) from None


def completed(state: State) -> State:
    """The state that follows when an acting state has done what it stands for; `ValueError` for a waiting one."""
    try:
        return COMPLETION[state]
    except KeyError:
        raise ValueError(f"{state.title} waits for a command and completes into nothing.") from None
