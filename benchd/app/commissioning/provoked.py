"""What can be provoked on a bench, and what an answer to it is. Values and arithmetic; it speaks to no device."""

import enum
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchd.live.plan import BenchPlan
from benchd.rules.channels import Channel
from benchd.rules.frames import Sample
from benchd.rules.limits import Bound, Limit, Reaction

BELOW_RATIO = 0.05  # of the present value: a lowered threshold lies beyond it by this much
BELOW_LEAST_RATIO = 0.01  # of the limit's own value, where the present one is nearly zero
SILENCE_WITHIN_S = 3.0  # a device that nobody misses by then is missed by nobody, unless its channels may get older
REACTION_WITHIN_S = 3.0  # beyond the limit's own delay and the channel's poll period


class Kind(enum.Enum):
    """How something is provoked."""

    LIMIT = "limit"  # its threshold is brought below the present value
    SILENCE = "silence"  # the device's readings are withheld; orders still reach it
    PERMIT = "permit"  # the safety chain is asked to open


@dataclass(frozen=True, slots=True, kw_only=True)
class Provocation:
    """One thing to be provoked, and what should come of it; `reaction` None is unknown beforehand."""

    kind: Kind
    title: str
    origin: str = ""
    limit: Limit | None = None
    device: str = ""
    reaction: Reaction | None = None
    within_s: float = 0.0  # for the bench to see it


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """How the bench answered one provocation; times in s from the provocation, None for what never came."""

    provocation: Provocation
    seen_s: float | None = None  # the cause was told
    order_s: float | None = None  # the first order was handed to a driver
    order: str = ""  # what it was, such as "load_drive.axis follow_speed"
    obeyed_s: float | None = None  # the last order was confirmed
    rest_s: float | None = None  # standstill was measured and everything confirmed off
    state: str = ""  # the state that it ended in
    cause: str = ""
    permit_withdrawn: bool = False
    standstill_measured: bool = True  # False: an end of the shaft was told by nothing, or by the silent device alone
    trouble: tuple[str, ...] = ()  # what did not confirm, in sentences

    @property
    def as_wanted(self) -> bool:
        """Whether it was seen, answered by the reaction that was asked for, and nothing stayed unconfirmed.

        What takes energy away ends in Aborted at measured standstill. A device whose readings are withheld cannot
        confirm everything: the permit has to answer for it then.
        """
        asked = self.provocation.reaction
        confirmed = not self.trouble or (self.provocation.kind is Kind.SILENCE and self.permit_withdrawn)
        if self.seen_s is None or not confirmed:
            return False
        if asked is Reaction.WARN:
            return self.order_s is None
        if asked is Reaction.HOLD:
            return self.state == "Held"
        return self.order_s is not None and self.rest_s is not None and self.state == "Aborted"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotProvoked:
    """What was left out, and why in one sentence."""

    title: str
    origin: str
    why: str


def provocations(plan: BenchPlan, limits: Iterable[Limit], *, units: dict[str, str]) -> Sequence[Provocation]:
    """Everything that can be provoked here, mildest first: limits, then each device's silence, then the permit."""
    channels = {channel.name: channel for channel in plan.channels}
    limits = tuple(limits)
    found = [
        Provocation(
            kind=Kind.LIMIT,
            title=limit.words(units.get(limit.channel, "")),
            origin=limit.origin,
            limit=limit,
            reaction=limit.reaction,
            within_s=_told_within_s(limit, _period_s(plan, channels.get(limit.channel))),
        )
        for limit in limits
    ]
    found.sort(key=lambda one: one.reaction or Reaction.WARN)
    found += [
        Provocation(
            kind=Kind.SILENCE,
            title=f"{name} gives no readings",
            device=name,
            within_s=max([SILENCE_WITHIN_S, *_ages_s(name, limits, channels)]),
        )
        for name in plan.devices
    ]
    found.append(
        Provocation(
            kind=Kind.PERMIT,
            title="the permit is withdrawn",
            device=plan.safety_chain.device,
            reaction=Reaction.CUT,
            within_s=plan.devices[plan.safety_chain.device].safe_time_s,
        )
    )
    return found


def _ages_s(device: str, limits: Iterable[Limit], channels: Mapping[str, Channel]) -> Iterator[float]:
    """How old the readings of a device may get, by each limit on the age of a channel that needs it."""
    for limit in limits:
        if limit.bound is Bound.STALE and device in _devices(channels.get(limit.channel)):
            yield limit.value + limit.delay_s


def _told_within_s(limit: Limit, period_s: float) -> float:
    """A crossing begins with the next value, and is told with the first one after its delay."""
    return limit.delay_s + period_s * (2.0 if limit.delay_s > 0.0 else 1.0)


def _period_s(plan: BenchPlan, channel: Channel | None) -> float:
    """How long until a channel's next value at most: of a derived one, until the slowest of its devices was polled."""
    polls_hz = [plan.devices[name].poll_hz for name in _devices(channel) if name in plan.devices]
    return 1.0 / min(polls_hz, default=plan.tick_hz)


def _devices(channel: Channel | None) -> tuple[str, ...]:
    """What a channel's readings come from in the end."""
    if channel is None:
        return ()
    return (channel.device,) if channel.derivation is None else channel.derivation.devices


def lowered(limit: Limit, sample: Sample) -> Limit | None:
    """The same limit with a threshold that the present value is beyond; None where no present value is known."""
    if limit.bound is Bound.STALE:
        return replace(limit, value=0.0)
    if not math.isfinite(sample.value):
        return None
    way = 1.0 if limit.bound is Bound.LOW else -1.0
    beyond = max(BELOW_RATIO * abs(sample.value), BELOW_LEAST_RATIO * abs(limit.value))
    return replace(limit, value=sample.value + way * beyond)


def stopping_ports(plan: BenchPlan, *, by_chain: bool) -> frozenset[str]:
    """The ports whose orders take energy away; with the safety chain's, which can be asked to open."""
    chain = {plan.safety_chain} if by_chain else set()
    return frozenset(map(str, {plan.supply, *plan.drives, *chain}))
