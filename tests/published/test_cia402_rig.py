"""The simulated drive's state machine against statuswords and transitions known outside.

Sources: CiA 402 part 2 / IEC 61800-7-201 (statusword patterns, controlword commands); the profile tables of the
library `canopen` 2.4.1, which were written independently.
"""

from itertools import pairwise

import pytest
from canopen.profiles.p402 import State402

from benchd.contract import DriveState
from benchd_rig.cia402 import FOLLOWS_COMMAND, TARGET_REACHED, decode, next_state, statusword

NAMES = {state.value.replace("-", " ").upper(): state for state in DriveState}


def library_states(word: int) -> list[str]:
    return [name for name, (mask, value) in State402.SW_MASK.items() if word & mask == value]


@pytest.mark.parametrize(
    ("word", "state", "flags"),
    [
        (0x0250, DriveState.SWITCH_ON_DISABLED, 0),
        (0x0231, DriveState.READY_TO_SWITCH_ON, 0),
        (0x0233, DriveState.SWITCHED_ON, 0),
        (0x0237, DriveState.OPERATION_ENABLED, 0),
        (0x1637, DriveState.OPERATION_ENABLED, FOLLOWS_COMMAND | TARGET_REACHED),
        (0x0217, DriveState.QUICK_STOP_ACTIVE, 0),
        (0x0218, DriveState.FAULT, 0),
        (0x021F, DriveState.FAULT_REACTION_ACTIVE, 0),
    ],
)
def test_statusword_samples(word, state, flags):
    assert statusword(state, flags=flags) == word
    assert library_states(word) == [state.value.replace("-", " ").upper()]


def test_the_library_recognises_every_state_in_exactly_one_way():
    for state in DriveState:
        assert library_states(statusword(state)) == [state.value.replace("-", " ").upper()]


def test_every_transition_that_a_controlword_makes_in_the_library_is_made_here():
    checked = 0
    for (start, end), controlword in State402.TRANSITIONTABLE.items():
        if start in {"START", "NOT READY TO SWITCH ON", "FAULT REACTION ACTIVE"}:
            continue  # the drive makes these by itself
        assert next_state(NAMES[start], decode(controlword, previous=0)) is NAMES[end], (start, end)
        checked += 1
    assert checked == 13


def test_no_command_makes_a_transition_that_the_library_does_not_know():
    allowed = set(State402.TRANSITIONTABLE) | {
        # IEC 61800-7-201 table of transitions: 7 and 10 also by quick stop; 3 and 4 at once by enable operation
        ("READY TO SWITCH ON", "OPERATION ENABLED"),
    }
    for start, state in NAMES.items():
        for controlword in (0x00, 0x02, 0x06, 0x07, 0x0F, 0x80):
            end = next_state(state, decode(controlword, previous=0))
            name = next(name for name, each in NAMES.items() if each is end)
            assert name == start or (start, name) in allowed


def test_the_usual_walk_to_operation_enabled():
    state = DriveState.SWITCH_ON_DISABLED
    walked = []
    for previous, controlword in pairwise((0x00, 0x06, 0x07, 0x0F)):
        state = next_state(state, decode(controlword, previous=previous))
        walked.append(state)
    assert walked == [DriveState.READY_TO_SWITCH_ON, DriveState.SWITCHED_ON, DriveState.OPERATION_ENABLED]


def test_fault_reset_acts_on_the_rising_edge_only():
    assert next_state(DriveState.FAULT, decode(0x80, previous=0x00)) is DriveState.SWITCH_ON_DISABLED
    assert next_state(DriveState.FAULT, decode(0x80, previous=0x80)) is DriveState.FAULT
