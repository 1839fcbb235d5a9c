"""The CiA 402 drive state machine as tables: statusword to state, state to the next controlword. Pure; no I/O, no time.

Source: IEC 61800-7-201 (CiA 402-2), statusword 6041h, controlword 6040h, transitions 0 to 16.
"""

import enum
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.contract import DriveState

STATUSWORD_PATTERNS: tuple[tuple[int, int, DriveState], ...] = (
    (0x4F, 0x00, DriveState.NOT_READY_TO_SWITCH_ON),
    (0x4F, 0x40, DriveState.SWITCH_ON_DISABLED),
    (0x6F, 0x21, DriveState.READY_TO_SWITCH_ON),
    (0x6F, 0x23, DriveState.SWITCHED_ON),
    (0x6F, 0x27, DriveState.OPERATION_ENABLED),
    (0x6F, 0x07, DriveState.QUICK_STOP_ACTIVE),
    (0x4F, 0x0F, DriveState.FAULT_REACTION_ACTIVE),
    (0x4F, 0x08, DriveState.FAULT),
)

_STATE_BITS = 0x6F
_STATES: Mapping[int, DriveState] = {
    bits: state
    for bits in range(_STATE_BITS + 1)
    for mask, value, state in STATUSWORD_PATTERNS
    if bits & mask == value and bits & ~_STATE_BITS == 0
}


class Controlword(enum.IntEnum):
    """The commands of object 6040h with all manufacturer bits and mode bits at 0."""

    DISABLE_VOLTAGE = 0x00
    QUICK_STOP = 0x02
    SHUTDOWN = 0x06
    SWITCH_ON = 0x07
    ENABLE_OPERATION = 0x0F
    FAULT_RESET = 0x80  # acts on its rising edge only

    @property
    def words(self) -> str:
        """The command's name as the standard writes it; from Operation enabled, `SWITCH_ON` is "disable operation"."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What to send in a state, and where it leads. Without a controlword the drive gets there by itself."""

    controlword: Controlword | None
    leads_to: DriveState


TOWARDS_ENABLED: Mapping[DriveState, Step] = {
    DriveState.NOT_READY_TO_SWITCH_ON: Step(controlword=None, leads_to=DriveState.SWITCH_ON_DISABLED),
    DriveState.SWITCH_ON_DISABLED: Step(controlword=Controlword.SHUTDOWN, leads_to=DriveState.READY_TO_SWITCH_ON),
    DriveState.READY_TO_SWITCH_ON: Step(controlword=Controlword.SWITCH_ON, leads_to=DriveState.SWITCHED_ON),
    DriveState.SWITCHED_ON: Step(controlword=Controlword.ENABLE_OPERATION, leads_to=DriveState.OPERATION_ENABLED),
    DriveState.QUICK_STOP_ACTIVE: Step(controlword=Controlword.DISABLE_VOLTAGE, leads_to=DriveState.SWITCH_ON_DISABLED),
}

TOWARDS_OFF: Mapping[DriveState, Step] = {
    DriveState.OPERATION_ENABLED: Step(controlword=Controlword.SWITCH_ON, leads_to=DriveState.SWITCHED_ON),
    DriveState.SWITCHED_ON: Step(controlword=Controlword.SHUTDOWN, leads_to=DriveState.READY_TO_SWITCH_ON),
    DriveState.QUICK_STOP_ACTIVE: Step(controlword=Controlword.DISABLE_VOLTAGE, leads_to=DriveState.SWITCH_ON_DISABLED),
    DriveState.FAULT_REACTION_ACTIVE: Step(controlword=None, leads_to=DriveState.FAULT),
}

FAULTY: frozenset[DriveState] = frozenset({DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE})

POWER_STAGE_OFF: frozenset[DriveState] = frozenset(
    {
        DriveState.NOT_READY_TO_SWITCH_ON,
        DriveState.SWITCH_ON_DISABLED,
        DriveState.READY_TO_SWITCH_ON,
        DriveState.FAULT,
    }
)

WHAT_TO_LOOK_AT: Mapping[DriveState, str] = {
    DriveState.NOT_READY_TO_SWITCH_ON: "the drive is still starting, look at its control supply and self-test",
    DriveState.SWITCH_ON_DISABLED: "look at safe torque off and at the drive's own enable input",
    DriveState.READY_TO_SWITCH_ON: "look at the main supply of the drive and its contactor",
    DriveState.SWITCHED_ON: "look at the drive's enable input and its brake control",
    DriveState.OPERATION_ENABLED: "wait for standstill where it ramps down (605Ch), otherwise open the safety chain",
    DriveState.QUICK_STOP_ACTIVE: "look at the drive's quick stop input and its option 605Ah",
    DriveState.FAULT_REACTION_ACTIVE: "the drive is still reacting to a fault, wait for Fault",
    DriveState.FAULT: "read the fault code, remove its cause and acknowledge it",
}


def state_of(statusword: int) -> DriveState:
    """The state that a statusword shows. Raises `ValueError` for bits that the standard gives no state."""
    state = _STATES.get(statusword & _STATE_BITS)
    if state is None:
        raise ValueError(f"statusword 0x{statusword:04X} shows no state of IEC 61800-7-201")
    return state
