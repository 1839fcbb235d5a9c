"""Why energy is taken away: one sentence, the reaction, and which devices can no longer be believed. Values only."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.live.plan import BenchPlan
from benchd.rules.channels import Channel
from benchd.rules.limits import Bound, Crossing, Limit, Reaction

COUPLING = "coupling"  # what a cause doubts that sees one end of the shaft turn without the other


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


def cause_of(crossing: Crossing, channel: Channel, *, trouble: str = "") -> Cause:
    """The cause that a crossed limit stands for; a channel that went silent makes its device doubtful.

    `trouble` is what is known to go wrong with the channel's device: it is named instead of the wire.
    """
    limit = crossing.limit
    what = limit.words(channel.unit)
    if limit.bound is Bound.STALE:
        look = trouble or f"look at {channel.device} and its wire"
        sentence = f"{what} from {channel.device}: {look}" if trouble else f"{what}: {look}"
        sentence = f"{sentence.rstrip('.')} (limit from {limit.origin})."
        doubted = frozenset({channel.device})
        return Cause(sentence=sentence, reaction=limit.reaction, doubted=doubted, key=what, limit=limit)
    read = "the input is overloaded" if math.isinf(crossing.value) else f"{crossing.value:.6g} {channel.unit} was read"
    sentence = f"{what}: {read} (limit from {limit.origin})."
    return Cause(sentence=sentence, reaction=limit.reaction, key=what, limit=limit)


def stops_by_braking(cause: Cause, plan: BenchPlan) -> bool:
    """Whether the load drive may brake the shaft: only where both drives, transducer, encoder and coupling count."""
    needed = {COUPLING, *(drive.device for drive in plan.drives)} | {
        channel.device for channel in plan.channels if channel.name in {"shaft_torque", "shaft_speed"}
    }
    return not cause.chain_open and not (cause.doubted & needed)
