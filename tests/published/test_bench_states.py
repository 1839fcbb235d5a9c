"""The whole state table against ISA-TR88.00.02.

Source: state numbers and transitions as published in the OPC Foundation PackML nodeset 1.1.0 (a rendering of
ISA-TR88.00.02). The table below is written out by hand from there and shares nothing with the code under test.
"""

import pytest

from benchd.rules.states import Command, NotAllowed, State, completed, step

NUMBERS = {
    1: "Clearing",
    2: "Stopped",
    3: "Starting",
    4: "Idle",
    5: "Suspended",
    6: "Execute",
    7: "Stopping",
    8: "Aborting",
    9: "Aborted",
    10: "Holding",
    11: "Held",
    12: "Unholding",
    13: "Suspending",
    14: "Unsuspending",
    15: "Resetting",
    16: "Completing",
    17: "Complete",
}

# state: {command: next state}; what is not listed is refused
PUBLISHED = {
    "Clearing": {"abort": "Aborting"},
    "Stopped": {"reset": "Resetting", "abort": "Aborting"},
    "Starting": {"stop": "Stopping", "abort": "Aborting"},
    "Idle": {"start": "Starting", "stop": "Stopping", "abort": "Aborting"},
    "Suspended": {"stop": "Stopping", "abort": "Aborting"},
    "Execute": {"hold": "Holding", "stop": "Stopping", "abort": "Aborting"},
    "Stopping": {"abort": "Aborting"},
    "Aborting": {},
    "Aborted": {"clear": "Clearing"},
    "Holding": {"stop": "Stopping", "abort": "Aborting"},
    "Held": {"unhold": "Unholding", "stop": "Stopping", "abort": "Aborting"},
    "Unholding": {"stop": "Stopping", "abort": "Aborting"},
    "Suspending": {"stop": "Stopping", "abort": "Aborting"},
    "Unsuspending": {"stop": "Stopping", "abort": "Aborting"},
    "Resetting": {"stop": "Stopping", "abort": "Aborting"},
    "Completing": {"stop": "Stopping", "abort": "Aborting"},
    "Complete": {"reset": "Resetting", "stop": "Stopping", "abort": "Aborting"},
}

DONE = {
    "Clearing": "Stopped",
    "Starting": "Execute",
    "Execute": "Completing",
    "Stopping": "Stopped",
    "Aborting": "Aborted",
    "Holding": "Held",
    "Unholding": "Execute",
    "Suspending": "Suspended",
    "Unsuspending": "Execute",
    "Resetting": "Idle",
    "Completing": "Complete",
}


def test_every_state_has_its_published_number() -> None:
    assert {int(state): state.title for state in State} == NUMBERS


@pytest.mark.parametrize("state", sorted(PUBLISHED))
@pytest.mark.parametrize("command", list(Command), ids=lambda command: command.value)
def test_every_command_in_every_state_does_what_is_published(state: str, command: Command) -> None:
    before = State[state.upper()]
    expected = PUBLISHED[state].get(command.value)
    if expected is None:
        with pytest.raises(NotAllowed) as refusal:
            step(before, command)
        assert state in str(refusal.value)
    else:
        assert step(before, command).title == expected


@pytest.mark.parametrize("state", sorted(PUBLISHED))
def test_every_acting_state_completes_into_its_published_successor_and_waiting_ones_into_nothing(state: str) -> None:
    before = State[state.upper()]
    if state in DONE:
        assert completed(before).title == DONE[state]
    else:
        with pytest.raises(ValueError, match=state):
            completed(before)
