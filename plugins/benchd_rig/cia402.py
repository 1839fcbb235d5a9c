"""The CiA 402 state machine as one table: which controlword leads from which state to which.

Its one job is to say what a controlword means in a state and how a state looks in the statusword. It knows no time, no
ramp and no register; the drive decides when a reaction has ended. Pure.

Source: CiA 402 part 2 / IEC 61800-7-201, finite state automaton, transitions 0 to 16.
"""

import enum
from collections.abc import Mapping

from benchd.contract import DriveState


class Command(enum.Enum):
    """What a controlword asks for, decoded from its bits 0 to 3 and 7."""

    SHUTDOWN = "shutdown"
    SWITCH_ON = "switch on"  # also: disable operation
    ENABLE_OPERATION = "enable operation"
    DISABLE_VOLTAGE = "disable voltage"
    QUICK_STOP = "quick stop"
    FAULT_RESET = "fault reset"


_STATUS_BITS: Mapping[DriveState, int] = {
    DriveState.NOT_READY_TO_SWITCH_ON: 0x00,
    DriveState.SWITCH_ON_DISABLED: 0x40,
    DriveState.READY_TO_SWITCH_ON: 0x21,
    DriveState.SWITCHED_ON: 0x23,
    DriveState.OPERATION_ENABLED: 0x27,
    DriveState.QUICK_STOP_ACTIVE: 0x07,
    DriveState.FAULT_REACTION_ACTIVE: 0x0F,
    DriveState.FAULT: 0x08,
}
VOLTAGE_PRESENT = 0x0010
REMOTE = 0x0200
TARGET_REACHED = 0x0400
INTERNAL_LIMIT = 0x0800
FOLLOWS_COMMAND = 0x1000

_RESET_BIT = 0x80

NEXT_STATE: Mapping[tuple[DriveState, Command], DriveState] = {
    (DriveState.SWITCH_ON_DISABLED, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 2
    (DriveState.READY_TO_SWITCH_ON, Command.SWITCH_ON): DriveState.SWITCHED_ON,  # 3
    (DriveState.READY_TO_SWITCH_ON, Command.ENABLE_OPERATION): DriveState.OPERATION_ENABLED,  # 3 and 4 at once
    (DriveState.READY_TO_SWITCH_ON, Command.QUICK_STOP): DriveState.SWITCH_ON_DISABLED,  # 7
    (DriveState.READY_TO_SWITCH_ON, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 7
    (DriveState.SWITCHED_ON, Command.ENABLE_OPERATION): DriveState.OPERATION_ENABLED,  # 4
    (DriveState.SWITCHED_ON, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 6
    (DriveState.SWITCHED_ON, Command.QUICK_STOP): DriveState.SWITCH_ON_DISABLED,  # 10
    (DriveState.SWITCHED_ON, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 10
    (DriveState.OPERATION_ENABLED, Command.SWITCH_ON): DriveState.SWITCHED_ON,  # 5, by option 605Ch
    (DriveState.OPERATION_ENABLED, Command.SHUTDOWN): DriveState.READY_TO_SWITCH_ON,  # 8
    (DriveState.OPERATION_ENABLED, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 9
    (DriveState.OPERATION_ENABLED, Command.QUICK_STOP): DriveState.QUICK_STOP_ACTIVE,  # 11, by option 605Ah
    (DriveState.QUICK_STOP_ACTIVE, Command.DISABLE_VOLTAGE): DriveState.SWITCH_ON_DISABLED,  # 12
    (DriveState.QUICK_STOP_ACTIVE, Command.ENABLE_OPERATION): DriveState.OPERATION_ENABLED,  # 16, options 5 and 6
    (DriveState.FAULT, Command.FAULT_RESET): DriveState.SWITCH_ON_DISABLED,  # 15, when the cause is gone
}


def decode(controlword: int, *, previous: int) -> Command:
    """The command of a controlword; a fault reset is the rising edge of bit 7 only."""
    if controlword & ~previous & _RESET_BIT:
        return Command.FAULT_RESET
    if not controlword & 0x02:
        return Command.DISABLE_VOLTAGE
    if not controlword & 0x04:
        return Command.QUICK_STOP
    if not controlword & 0x01:
        return Command.SHUTDOWN
    return Command.ENABLE_OPERATION if controlword & 0x08 else Command.SWITCH_ON


def next_state(state: DriveState, command: Command) -> DriveState:
    """The state a command leads to; the same state where the command means nothing."""
    return NEXT_STATE.get((state, command), state)


def statusword(state: DriveState, *, voltage_present: bool = True, flags: int = 0) -> int:
    """Object 6041h of a state, with bit 4 for a live DC link, bit 9 for remote and the given flags."""
    return _STATUS_BITS[state] | REMOTE | flags | (VOLTAGE_PRESENT if voltage_present else 0)
