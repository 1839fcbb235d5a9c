"""What devices say about themselves: whether a reading objects to energy being on. Pure questions, no reaction here."""

from benchd.contract import (
    DriveReading,
    DriveState,
    Reading,
    ResistanceReading,
    SafetyChainReading,
    SinkReading,
    SupplyReading,
)
from benchd.live.causes import Cause
from benchd.live.plan import BenchPlan, PortRef
from benchd.rules.limits import Reaction
from benchd.rules.moves import Target, Winding

STO_ACTIVE = "Safe torque off is active: reset the safety chain at the bench."
NO_PERMIT = "The safety chain gives no permit: reset it at the bench."
NOBODY_OPENED = frozenset({STO_ACTIVE, NO_PERMIT})  # nothing that a person did at the bench
SILENT_POLLS = 6  # a device that missed this many polls in a row while energised is the cause of a trip
STALL_WORTH_TELLING_S = 0.1
STALL_TOO_LONG_S = 0.5  # without limits watched or set-points moved; chains commonly open after as long
SILENT_AT_LEAST_S = 0.5  # longer than one lost reply and the reconnection it costs: a false trip is a defect too


def silent_after_s(poll_hz: float) -> float:
    """How long a device may be silent while energised."""
    return max(SILENT_AT_LEAST_S, SILENT_POLLS / poll_hz)


def silence(device: str, *, silent_s: float, why: str, chain: bool = False) -> Cause:
    """The cause that a device stands for which nothing was heard of; what it does meanwhile is doubtful.

    `chain`: it is the safety chain, which lets nothing be energised once it hears no heartbeat.
    """
    return Cause(
        sentence=f"{device} has been silent for {silent_s * 1e3:.0f} ms: {why.rstrip('.')}.",
        reaction=Reaction.CUT,
        doubted=frozenset({device}),
        chain_silent=chain,
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
        return STO_ACTIVE
    if not reading.permit:
        return NO_PERMIT
    return None


def objection(
    ref: PortRef, reading: Reading, *, plan: BenchPlan, enabled: bool, measuring: bool = False
) -> Cause | None:
    """The cause that a reading of an energised bench stands for, or None.

    `enabled`: this port shall be on just now, which is to say output on, drive enabled, sink armed or meter in use.
    `measuring`: only the resistance meter is in use; nothing that turns the shaft may be on.
    """
    match reading:
        case SafetyChainReading():
            return _of_chain(reading, plan)
        case SupplyReading():
            return _of_supply(ref, reading, enabled=enabled, measuring=measuring)
        case SinkReading(tripped=True) | SinkReading(input_on=False) if ref == plan.sink and enabled:
            return Cause(
                sentence=f"{ref.device} no longer holds the DC link at {reading.voltage_v:.4g} V: "
                "look at its protection and its wiring.",
                reaction=Reaction.CUT,
                key=f"{ref} lost the link",
                doubted=frozenset({ref.device}),
            )
        case DriveReading():
            # A converter that is off may find its link empty and call that a fault; a load drive has its own.
            faulty = enabled or ref != plan.motor_drive
            return _of_drive(ref, reading, enabled=enabled, measuring=measuring, faulty=faulty)
        case ResistanceReading() if enabled:
            return _of_meter(ref, reading, measuring=measuring)
    return None


def other_contacts(ref: PortRef, reading: ResistanceReading, asked: Target) -> Cause | None:
    """The cause that contacts stand for which are not as they were set and confirmed."""
    if not isinstance(asked, Winding) or reading.pair == asked.pair:
        return None
    return Cause(
        sentence=f"{ref.device} shows terminals {reading.pair} connected where {asked.pair} had been confirmed: "
        "look at its relays.",
        reaction=Reaction.CUT,
        key=f"{ref} contacts",
        doubted=frozenset({ref.device}),
    )


def _of_chain(reading: SafetyChainReading, plan: BenchPlan) -> Cause | None:
    sentence = chain_objection(reading)
    if sentence is not None:
        return Cause(sentence=sentence, reaction=Reaction.CUT, chain_open=True)
    if plan.starting.remote_required and not reading.remote_selected:
        return Cause(
            sentence="The selector at the bench was turned to local: whoever stands there has control now.",
            reaction=Reaction.CUT,
        )
    return None


def _of_supply(ref: PortRef, reading: SupplyReading, *, enabled: bool, measuring: bool) -> Cause | None:
    if reading.tripped:
        return Cause(
            sentence=f"{ref.device} has tripped by its own protection at {reading.voltage_v:.4g} V, "
            f"{reading.current_a:.4g} A: find out why before clearing it.",
            reaction=Reaction.CUT,
            key=f"{ref} tripped",
            looks_like_chain=True,
        )
    if enabled and not reading.output_on:
        return Cause(
            sentence=f"{ref.device} has switched its output off by itself: look at its panel and its interlock.",
            reaction=Reaction.CUT,
            key=f"{ref} off",
            looks_like_chain=True,
        )
    if measuring and reading.output_on:
        return Cause(
            sentence=f"{ref.device} shows its output on while the winding is measured: somebody switched it on.",
            reaction=Reaction.CUT,
            key=f"{ref} on",
        )
    return None


def _of_drive(ref: PortRef, reading: DriveReading, *, enabled: bool, measuring: bool, faulty: bool) -> Cause | None:
    if faulty and reading.state in {DriveState.FAULT, DriveState.FAULT_REACTION_ACTIVE}:
        return Cause(
            sentence=f"{ref.device} reports fault {reading.fault_code:04X}h at {reading.speed_rpm:.0f} r/min: "
            "look the code up in its manual.",
            reaction=Reaction.CUT,
            key=f"{ref} fault",
            doubted=frozenset({ref.device}),
        )
    if enabled and reading.state is not DriveState.OPERATION_ENABLED:
        return Cause(
            sentence=f"{ref.device} left Operation enabled by itself ({reading.state.value}): look at its display.",
            reaction=Reaction.CUT,
            key=f"{ref} not enabled",
            looks_like_chain=True,
            doubted=frozenset({ref.device}),
        )
    if measuring and reading.state is DriveState.OPERATION_ENABLED:
        return Cause(
            sentence=f"{ref.device} shows Operation enabled while the winding is measured: somebody enabled it.",
            reaction=Reaction.CUT,
            key=f"{ref} enabled",
            doubted=frozenset({ref.device}),
        )
    return None


def _of_meter(ref: PortRef, reading: ResistanceReading, *, measuring: bool) -> Cause | None:
    """Its contacts and the power leads exclude each other, and while the shaft may turn the leads carry the power."""
    if reading.pair != 0 and not measuring:
        wrong = f"shows terminals {reading.pair} connected while the specimen is energised"
    elif reading.pair != 0 and not reading.power_leads_open:
        wrong = f"shows terminals {reading.pair} connected with the power leads closed"
    elif not measuring and reading.power_leads_open:
        wrong = "shows the specimen's power leads open while it is energised"
    else:
        return None
    return Cause(
        sentence=f"{ref.device} {wrong}: look at its contactor and its feedback contact.",
        reaction=Reaction.CUT,
        key=f"{ref} contacts",
        doubted=frozenset({ref.device}),
    )
