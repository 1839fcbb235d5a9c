"""Why energy is taken away: one sentence, the reaction, and which devices can no longer be believed. Values only."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.live.plan import BenchPlan
from benchd.rules.channels import Channel
from benchd.rules.derivations import COUPLING, Derivation, Difference, I2t, RunTime, Stuck, ThermalModel
from benchd.rules.limits import Bound, Crossing, Limit, Reaction

__all__ = ["COUPLING", "Cause", "cause_of", "stops_by_braking"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """The first cause of a trip.

    `doubted` are devices whose readings or obedience are part of the cause, and `COUPLING` where the shaft may be in
    two parts.
    """

    sentence: str
    reaction: Reaction
    doubted: frozenset[str] = frozenset()
    chain_open: bool = False  # the hardware has already taken the energy away
    chain_silent: bool = False  # it may have taken the energy away: nobody feeds its heartbeat any more
    looks_like_chain: bool = False  # a device lost its power stage, as it does when the chain opens
    key: str = ""  # causes of one key are one cause, whatever numbers their sentences carry
    limit: Limit | None = None  # that was crossed, where one was

    @property
    def told_as(self) -> str:
        """What tells this cause from others."""
        return self.key or self.sentence

    def fields(self) -> Mapping[str, object]:
        """The cause as an event's fields."""
        return {
            "cause": self.sentence,
            "reaction": self.reaction.name.lower(),
            "doubted": sorted(self.doubted),
            "chain_open": self.chain_open,
        }


def cause_of(crossing: Crossing, channel: Channel, *, trouble: str = "", blind: tuple[str, ...] = ()) -> Cause:
    """The cause that a crossed limit stands for; a channel that went silent makes its device doubtful.

    `trouble` is what is known to go wrong with the channel's device: it is named instead of the wire. A derived channel
    names what disagrees and what to look at, and doubts what its table says; where it went silent, `blind` are the
    devices that it lacks.
    """
    limit = crossing.limit
    what = limit.words(channel.unit)
    if limit.bound is Bound.STALE:
        silent = blind or (channel.device,)
        devices = " and ".join(silent)
        look = trouble or f"look at {devices} and {'its wire' if len(silent) == 1 else 'their wires'}"
        sentence = f"{what} from {devices}: {look}" if trouble else f"{what}: {look}"
        sentence = f"{sentence.rstrip('.')} (limit from {limit.origin})."
        return Cause(sentence=sentence, reaction=limit.reaction, doubted=frozenset(silent), key=what, limit=limit)
    if channel.derivation is not None:
        return _of_derived(crossing, channel, channel.derivation)
    read = "the input is overloaded" if math.isinf(crossing.value) else f"{crossing.value:.6g} {channel.unit} was read"
    sentence = f"{what}: {read} (limit from {limit.origin})."
    return Cause(sentence=sentence, reaction=limit.reaction, key=what, limit=limit)


def _of_derived(crossing: Crossing, channel: Channel, derivation: Derivation) -> Cause:
    """What disagrees, grew or stands still, and where to look first."""
    limit, rule = crossing.limit, derivation.rule
    what = limit.words(channel.unit)
    value = f"{abs(crossing.value):.6g}" if channel.unit == "1" else f"{abs(crossing.value):.6g} {channel.unit}"
    if math.isinf(crossing.value):
        found = "an input is overloaded"
    elif isinstance(rule, Difference):
        found = f"{rule.of} and {rule.against} disagree by {value}"
    elif isinstance(rule, ThermalModel):
        found = f"{rule.winding} and what {rule.current} would heat it to disagree by {value}"
    elif isinstance(rule, Stuck):
        found = f"{rule.of} has not changed for {value} although {rule.moving} moves"
    elif isinstance(rule, I2t):
        found = f"{rule.of} has made {value} times the heat of its rated value"
    elif isinstance(rule, RunTime):
        found = f"the run has taken {value}"
    else:
        found = f"{crossing.value:.6g} {channel.unit} follows from {' and '.join(rule.inputs)}"
    return Cause(
        sentence=f"{what}: {found}; look at {derivation.look.rstrip('.')} (limit from {limit.origin}).",
        reaction=limit.reaction,
        doubted=frozenset(derivation.doubts),
        key=what,
        limit=limit,
    )


def stops_by_braking(cause: Cause, plan: BenchPlan) -> bool:
    """Whether the load drive may brake the shaft: only where both drives, transducer, encoder and coupling count."""
    needed = {COUPLING, *(drive.device for drive in plan.drives)} | {
        channel.device for channel in plan.channels if channel.name in {"shaft_torque", "shaft_speed"}
    }
    return not cause.chain_open and not (cause.doubted & needed)
