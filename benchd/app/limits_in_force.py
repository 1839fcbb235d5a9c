"""The limits that a run is watched by, and what its tests need that none of them bounds. It must never loosen one."""

from collections.abc import Iterable, Iterator, Sequence

from benchd.procedures import Procedure
from benchd.procedures.procedure import WINDING_HEAT
from benchd.rules.channels import Channel
from benchd.rules.derivations import I2t
from benchd.rules.limits import Bound, Limit, Reaction, strictest
from benchd.settings.limit_sources import LimitSource

REACTIONS = {
    "warn": Reaction.WARN,
    "hold": Reaction.HOLD,
    "ramp_down": Reaction.RAMP_DOWN,
    "cut": Reaction.CUT,
}


def effective_limits(sources: Iterable[LimitSource]) -> tuple[Limit, ...]:
    """The strictest of all sources."""
    return strictest(
        Limit(
            channel=source.channel,
            bound=Bound(source.kind),
            value=source.value,
            delay_s=source.delay_s,
            reaction=Reaction.WARN if source.warn else REACTIONS[source.reaction],
            origin=source.origin,
            hysteresis=source.hysteresis,
        )
        for source in sources
    )


def unlimited(procedure: Procedure, limits: Iterable[Limit], channels: Sequence[Channel], *, who: str) -> Iterator[str]:
    """A sentence for each thing that a test must have bounded and that no limit takes energy away for."""
    bounded = {limit.channel for limit in limits if limit.bound is Bound.HIGH and limit.reaction is not Reaction.WARN}
    for channel in channels:
        derivation = channel.derivation
        if channel.name in bounded and derivation is not None and isinstance(derivation.rule, I2t):
            bounded.add(WINDING_HEAT)
    for either in procedure.limited:
        if not bounded.intersection(either):
            names = " or ".join("an i2t channel of its current" if one == WINDING_HEAT else one for one in either)
            yield f"{who} needs an upper limit on {names} that takes energy away, and there is none: add one."
