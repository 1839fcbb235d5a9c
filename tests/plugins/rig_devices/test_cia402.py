import pytest

from benchd.contract import DriveState
from benchd_rig.cia402 import NEXT_STATE, Command, decode, next_state, statusword


@pytest.mark.parametrize(
    ("controlword", "previous", "command"),
    [
        (0x06, 0x00, Command.SHUTDOWN),
        (0x07, 0x06, Command.SWITCH_ON),
        (0x0F, 0x07, Command.ENABLE_OPERATION),
        (0x02, 0x0F, Command.QUICK_STOP),
        (0x0B, 0x0F, Command.QUICK_STOP),
        (0x00, 0x0F, Command.DISABLE_VOLTAGE),
        (0x0D, 0x0F, Command.DISABLE_VOLTAGE),
        (0x80, 0x00, Command.FAULT_RESET),
        (0x80, 0x80, Command.DISABLE_VOLTAGE),  # held high is no edge
        (0x10F, 0x00, Command.ENABLE_OPERATION),  # bits of the mode and the maker do not matter
    ],
)
def test_a_controlword_is_decoded_by_its_command_bits(controlword, previous, command):
    assert decode(controlword, previous=previous) is command


def test_a_command_that_means_nothing_in_a_state_changes_nothing():
    assert next_state(DriveState.SWITCH_ON_DISABLED, Command.ENABLE_OPERATION) is DriveState.SWITCH_ON_DISABLED
    assert next_state(DriveState.FAULT, Command.SHUTDOWN) is DriveState.FAULT


def test_only_a_fault_reset_leaves_fault():
    assert [key for key in NEXT_STATE if key[0] is DriveState.FAULT] == [(DriveState.FAULT, Command.FAULT_RESET)]


def test_nothing_leads_straight_from_switch_on_disabled_to_operation_enabled():
    reached = {NEXT_STATE.get((DriveState.SWITCH_ON_DISABLED, command)) for command in Command}
    assert DriveState.OPERATION_ENABLED not in reached


def test_without_a_live_link_bit_4_is_low():
    assert statusword(DriveState.SWITCH_ON_DISABLED, voltage_present=False) == 0x0240
