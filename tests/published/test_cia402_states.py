"""The CiA 402 state machine against the published tables.

Source: IEC 61800-7-201 (CiA 402-2), statusword and controlword; read in the profile tables of the `canopen` library
2.4.1, which also stand here as an independent reference.
"""

import pytest

from benchd.contract import DriveState
from benchd_modbus.cia402 import STATUSWORD_PATTERNS, TOWARDS_ENABLED, TOWARDS_OFF, Controlword, state_of

PATTERNS = [  # mask, value, state
    (0x4F, 0x00, "not ready to switch on"),
    (0x4F, 0x40, "switch-on disabled"),
    (0x6F, 0x21, "ready to switch on"),
    (0x6F, 0x23, "switched on"),
    (0x6F, 0x27, "operation enabled"),
    (0x6F, 0x07, "quick stop active"),
    (0x4F, 0x0F, "fault reaction active"),
    (0x4F, 0x08, "fault"),
]
SAMPLES = [
    (0x0250, "switch-on disabled"),
    (0x0231, "ready to switch on"),
    (0x0233, "switched on"),
    (0x0237, "operation enabled"),
    (0x1637, "operation enabled"),
    (0x0217, "quick stop active"),
    (0x0218, "fault"),
    (0x021F, "fault reaction active"),
]


@pytest.mark.parametrize(("mask", "value", "name"), PATTERNS)
def test_every_statusword_with_the_published_bits_shows_that_state(mask, value, name):
    for statusword in range(0x10000):
        if statusword & mask == value:
            assert state_of(statusword) is DriveState(name)


def test_a_statusword_outside_the_published_patterns_shows_no_state():
    for statusword in (*range(0x100), *range(0x1600, 0x1680), *range(0xFF00, 0x10000)):
        if not any(statusword & mask == value for mask, value, _ in PATTERNS):
            with pytest.raises(ValueError, match="shows no state"):
                state_of(statusword)


def test_the_table_holds_the_published_masks_and_values():
    assert {(mask, value, state.value) for mask, value, state in STATUSWORD_PATTERNS} == set(PATTERNS)


@pytest.mark.parametrize(("statusword", "name"), SAMPLES)
def test_a_statusword_seen_on_drives_shows_its_state(statusword, name):
    assert state_of(statusword) is DriveState(name)


@pytest.mark.parametrize(
    ("command", "bits"),
    [
        ("SHUTDOWN", 0x06),
        ("SWITCH_ON", 0x07),
        ("ENABLE_OPERATION", 0x0F),
        ("QUICK_STOP", 0x02),
        ("DISABLE_VOLTAGE", 0x00),
        ("FAULT_RESET", 0x80),
    ],
)
def test_a_controlword_has_the_published_bits(command, bits):
    assert Controlword[command] == bits


def _as_written_there(state):
    return state.value.replace("-", " ").upper()


def _profile_tables():
    return pytest.importorskip("canopen.profiles.p402").State402


def test_states_agree_with_the_profile_tables_of_another_library():
    masks = _profile_tables().SW_MASK
    for statusword in (*range(0x100), *range(0x1600, 0x1680), *range(0xFF00, 0x10000)):
        there = {name for name, (mask, value) in masks.items() if statusword & mask == value}
        try:
            here = {_as_written_there(state_of(statusword))}
        except ValueError:
            here = set()
        assert here == there, hex(statusword)


@pytest.mark.parametrize("table", [TOWARDS_ENABLED, TOWARDS_OFF])
def test_every_step_is_a_transition_of_another_librarys_table(table):
    transitions = _profile_tables().TRANSITIONTABLE
    for state, step in table.items():
        there = transitions[_as_written_there(state), _as_written_there(step.leads_to)]
        assert there == (0 if step.controlword is None else step.controlword)


def test_the_steps_reach_operation_enabled_from_every_state_without_a_fault():
    for state in set(DriveState) - {DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE}:
        seen = []
        while state is not DriveState.OPERATION_ENABLED:
            assert state not in seen
            seen.append(state)
            state = TOWARDS_ENABLED[state].leads_to  # noqa: PLW2901
