"""What devices say about themselves: whether a reading objects to energy being on. Pure questions, no reaction here."""

from benchd.contract import (
    DriveReading,
    DriveState,
    Reading,
    SafetyChainReading,
    SinkReading,
    SupplyReading,
)
from benchd.live.causes import Cause
from benchd.live.plan import BenchPlan, PortRef
from benchd.rules.limits import Reaction

SILENT_POLLS = 6  # a device that missed this many polls in a row while energised is the cause of a trip
STALL_WORTH_TELLING_S = 0.1
STALL_TOO_LONG_S = 0.5  # without limits watched or set-points moved; chains commonly open after as long
SILENT_AT_LEAST_S = 0.5  # longer than one lost reply and the reconnection it costs: a false trip is a defect too


def silent_after_s(poll_hz: float) -> float:
    """How long a device may be silent while energised."""
    return max(SILENT_AT_LEAST_S, SILENT_POLLS / poll_hz)


def silence(device: str, *, silent_s: float, why: str) -> Cause:
    """The cause that a device stands for which nothing was heard of; what it does meanwhile is doubtful."""
    return Cause(
        sentence=f"{device} has been silent for {silent_s * 1e3:.0f} ms: {why}",
        reaction=Reaction.CUT,
        doubted=frozenset({device}),
        key=f"{device} silent",
    )


def untaken(ref: PortRef, sentence: str, *, stopping: bool) -> Cause:
    """The cause that a device stands for which takes no set-point; one that will not follow a ramp down is cut."""
    return Cause(
        sentence=f"{ref} did not take a set-point: {sentence}",
        reaction=Reaction.CUT if stopping else Reaction.RAMP_DOWN,
        key=f"{ref} took no set-point",
    )


def stall(seconds: float) -> Cause:
    """The cause that a process stands for which did not run; no device is to be doubted for it."""
    return Cause(
        sentence=f"benchd itself stood still for {seconds:.2g} s: look at what else runs on the rack PC.",
        reaction=Reaction.CUT,
        key="stall",
    )


def chain_objection(reading: SafetyChainReading) -> str | None:
    """Why the safety chain does not let energy flow, most telling input first, or None."""
    if not reading.estop_released:
        return "The emergency stop is pressed: release it and reset the safety chain at the bench."
    if not reading.guard_closed:
        return "The movable guard is open: close it and reset the safety chain at the bench."
    if not reading.torque_enabled:
        return "Safe torque off is active: reset the safety chain at the bench."
    if not reading.permit:
        return "The safety chain gives no permit: reset it at the bench."
    return None


def objection(  # noqa: PLR0911 - one answer a kind of reading
    ref: PortRef, reading: Reading, *, plan: BenchPlan, enabled: bool
) -> Cause | None:
    """The cause that a reading of an energised bench stands for, or None.

    `enabled`: this port shall be on just now, which is to say output on, drive enabled or sink armed.
    """
    match reading:
        case SafetyChainReading():
            sentence = chain_objection(reading)
            if sentence is not None:
                return Cause(sentence=sentence, reaction=Reaction.CUT, chain_open=True)
            if plan.starting.remote_required and not reading.remote_selected:
                return Cause(
                    sentence="The selector at the bench was turned to local: whoever stands there has control now.",
                    reaction=Reaction.CUT,
                )
        case SupplyReading(tripped=True):
            return Cause(
                sentence=f"{ref.device} has tripped by its own protection at {reading.voltage_v:.4g} V, "
                f"{reading.current_a:.4g} A: find out why before clearing it.",
                reaction=Reaction.CUT,
                key=f"{ref} tripped",
                looks_like_chain=True,
            )
        case SupplyReading(output_on=False) if enabled:
            return Cause(
                sentence=f"{ref.device} has switched its output off by itself: look at its panel and its interlock.",
                reaction=Reaction.CUT,
                key=f"{ref} off",
                looks_like_chain=True,
            )
        case SinkReading(tripped=True) | SinkReading(input_on=False) if ref == plan.sink and enabled:
            return Cause(
                sentence=f"{ref.device} no longer holds the DC link at {reading.voltage_v:.4g} V: "
                "look at its protection and its wiring.",
                reaction=Reaction.CUT,
                key=f"{ref} lost the link",
                doubted=frozenset({ref.device}),
            )
        case DriveReading(state=DriveState.FAULT | DriveState.FAULT_REACTION_ACTIVE):
            return Cause(
                sentence=f"{ref.device} reports fault {reading.fault_code:04X}h at {reading.speed_rpm:.0f} r/min: "
                "look the code up in its manual.",
                reaction=Reaction.CUT,
                key=f"{ref} fault",
                doubted=frozenset({ref.device}),
            )
        case DriveReading() if enabled and reading.state is not DriveState.OPERATION_ENABLED:
            return Cause(
                sentence=f"{ref.device} left Operation enabled by itself ({reading.state.value}): look at its display.",
                reaction=Reaction.CUT,
                key=f"{ref} not enabled",
                looks_like_chain=True,
                doubted=frozenset({ref.device}),
            )
    return None
