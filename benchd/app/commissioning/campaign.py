"""Provokes one thing after the other on a shaft that turns gently, and takes the times. It never resets the chain."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd.app.commissioning.provoked import (
    REACTION_WITHIN_S,
    Answer,
    Kind,
    NotProvoked,
    Provocation,
    lowered,
    stopping_ports,
)
from benchd.app.commissioning.traced import Trace
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.supervision import chain_objection
from benchd.procedures.gentle_turn import STEADY
from benchd.rules.limits import LimitMonitor, Reaction
from benchd.rules.states import Command, NotAllowed, State

LOOK_EVERY_S = 0.01
STEADY_WITHIN_S = 60.0
STOPS_WITHIN_S = 60.0
ANSWER_WITHIN_S = 15.0
TRIES = 3
TROUBLE = frozenset({"failed", "not_safe", "permit_not_withdrawn"})


class CommissioningFailed(Exception):
    """The campaign cannot go on; one sentence says why and what to do."""


@dataclass(slots=True)
class Heard:
    """What the bench told since the last provocation, with the loop's time."""

    events: list[tuple[float, str, dict[str, Any]]] = field(default_factory=list)

    def hear(self, name: str, **fields: object) -> None:
        """One event of the live room; cheap."""
        if name != "progress":
            self.events.append((_now_s(), name, dict(fields)))

    def first(self, *names: str) -> tuple[float, dict[str, Any]] | None:
        """The first event of one of these names."""
        return next(((at_s, fields) for at_s, name, fields in self.events if name in names), None)

    def seen_s(self, one: Provocation) -> float | None:
        """When the bench told of what was provoked; a cause of another channel is not the one of a limit."""
        names = {"warning"} if one.reaction is Reaction.WARN else {"crossed", "state"}
        if one.limit is None:
            return next((at_s for at_s, name, _ in self.events if name in names), None)
        begins = f"{one.limit.channel} "
        return next(
            (
                at_s
                for at_s, name, fields in self.events
                if name in names and str(fields.get("cause", "")).startswith(begins)
            ),
            None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Where a campaign's findings go: plain lines for people, answers, and what was left out."""

    say: Callable[[str], object]
    answers: list[Answer]
    left_out: list[NotProvoked]


class Campaign:
    """One campaign on one live bench; what it finds goes `to` its lists as it comes."""

    def __init__(
        self,
        live: LiveBench,
        links: dict[str, Link],
        trace: Trace,
        heard: Heard,
        *,
        to: Told,
        chain_within_s: float,
    ) -> None:
        self._live = live
        self._links = links
        self._trace = trace
        self._heard = heard
        self._to = to
        self._chain_within_s = chain_within_s

    async def carry_out(self, asked: Sequence[Provocation], *, times: int) -> None:
        """Provoke everything so many times. Raises `CommissioningFailed`; the bench then comes to rest with its end."""
        for number, one in enumerate(asked, 1):
            for round_number in range(times):
                await self._turn()
                found = await self._provoke(one)
                if isinstance(found, NotProvoked):
                    self._to.left_out.append(found)
                    self._to.say(f"{number}/{len(asked)} {one.title}: not provoked, {found.why}")
                    break
                self._to.answers.append(found)
                if round_number == 0:
                    self._to.say(f"{number}/{len(asked)} {told(found)}")
        await self._stop()

    # the way to a gentle turn and back

    async def _turn(self) -> None:
        """Execute with a steady shaft, from whatever state the bench rests in; a way that trips is tried again."""
        for left in reversed(range(TRIES)):
            try:
                await self._turned()
            except CommissioningFailed as failure:
                if not left:
                    raise
                self._to.say(f"    once more: {failure}")
            else:
                return

    async def _turned(self) -> None:
        live = self._live
        if live.engine.state is State.EXECUTE:  # not settled: it goes on by itself
            await self._steady()
            return
        await live.settled.wait()
        await self._all_answer()
        await self._chain_reset()
        if live.engine.state is State.ABORTED:
            await self._ordered(Command.CLEAR, State.STOPPED)
        if live.engine.state in {State.STOPPED, State.COMPLETE}:
            await self._ordered(Command.RESET, State.IDLE)
        await self._ordered(Command.START, State.EXECUTE)
        await self._steady()

    async def _ordered(self, command: Command, wanted: State) -> None:
        live = self._live
        self._heard.events.clear()
        try:
            live.command(command, because="commissioning")
        except (NotAllowed, ValueError) as error:
            raise CommissioningFailed(str(error)) from error
        starting = live.plan.starting
        within_s = STEADY_WITHIN_S + starting.pre_start_warning_s
        within_s += starting.release_within_s if starting.release_at_bench else 0.0
        until_s = _now_s() + within_s
        told_so = False
        while live.engine.state is not wanted:
            if live.engine.state is State.ABORTED or (live.settled.is_set() and live.engine.state is State.STOPPED):
                raise CommissioningFailed(f"The bench came to {live.engine.state.title}: {self._why()}")
            if live.waits_for and not told_so:
                told_so = True
                self._to.say(f"    {live.waits_for}")
            if _now_s() > until_s:
                raise CommissioningFailed(
                    f"The bench did not come to {wanted.title} within {within_s:g} s: it is in "
                    f"{live.engine.state.title} ({self._why()})."
                )
            await asyncio.sleep(LOOK_EVERY_S)

    def _why(self) -> str:
        """What the last order failed for, else the cause that is latched, else why the bench is in its state."""
        if (failed := self._heard.first("failed")) is not None:
            return str(failed[1]["sentence"])
        return self._live.cause.sentence if self._live.cause is not None else self._live.because

    async def _all_answer(self) -> None:
        """A device whose readings were withheld is reached again after its link's pause."""
        until_s = _now_s() + ANSWER_WITHIN_S
        while absent := [name for name, link in self._links.items() if link.state is not LinkState.UP]:
            if _now_s() > until_s:
                raise CommissioningFailed(f"{absent[0]} does not answer: {self._links[absent[0]].last_error}")
            await asyncio.sleep(LOOK_EVERY_S)

    async def _steady(self) -> None:
        live = self._live
        until_s = _now_s() + STEADY_WITHIN_S
        while live.engine.state is State.EXECUTE and _now_s() < until_s:
            if live.player is not None and live.player.doing == STEADY:
                return
            await asyncio.sleep(LOOK_EVERY_S)
        raise CommissioningFailed(
            f"The shaft did not come to a gentle turn: the bench is in {live.engine.state.title} ({self._why()})."
        )

    async def _stop(self) -> None:
        if self._live.engine.state in {State.EXECUTE, State.HELD}:
            await self._ordered(Command.STOP, State.STOPPED)

    async def _chain_reset(self) -> None:
        """Only a person closes the chain again; wait for that, with one line."""
        until_s = _now_s() + self._chain_within_s
        told_so = False
        while sentence := self._chain_says():
            if _now_s() > until_s:
                raise CommissioningFailed(
                    f"The safety chain was not reset within {self._chain_within_s:g} s: {sentence}"
                )
            if not told_so:
                told_so = True
                self._to.say(f"    reset the safety chain at the bench when nobody is near the shaft ({sentence})")
            await asyncio.sleep(0.1)

    def _chain_says(self) -> str | None:
        reading = self._live.chain()
        return "nothing is known of it" if reading is None else chain_objection(reading)

    # one provocation

    async def _provoke(self, one: Provocation) -> Answer | NotProvoked:
        live, monitor = self._live, self._live.intake.monitor
        if monitor is None:
            raise CommissioningFailed("No limit is watched in this state: report this defect.")
        changed = None
        if one.limit is not None:
            changed = lowered(one.limit, live.intake.samples[one.limit.channel])
            if changed is None:
                return _left(one, "its channel gives no number while the shaft turns gently.")
        live.forget_told()
        self._heard.events.clear()
        self._trace.clear()
        provoked_s = _now_s()
        if one.limit is not None and changed is not None:
            limits = [changed if limit is one.limit else limit for limit in monitor.limits]
            live.intake.monitor = LimitMonitor(limits, start_mono_s=provoked_s)
        elif one.kind is Kind.SILENCE:
            self._trace.withheld = one.device
        else:
            await self._links[one.device].call(live.plan.safety_chain.port, lambda chain: chain.withdraw_permit())
        try:
            seen = await self._seen(one, until_s=provoked_s + one.within_s + REACTION_WITHIN_S)
            if seen is not None:
                await self._answered(one)
        finally:
            self._trace.withheld = ""
        answer = self._answer(one, provoked_s, seen)
        if live.intake.monitor is not None:
            live.intake.monitor = LimitMonitor(monitor.limits, start_mono_s=_now_s())
        if live.engine.state is State.HELD:
            await self._ordered(Command.UNHOLD, State.EXECUTE)
        if seen is None and one.kind is Kind.SILENCE:
            return _left(
                one,
                f"nobody missed its readings within {one.within_s + REACTION_WITHIN_S:g} s: it has no "
                "limit on its age and is not needed while the shaft turns.",
            )
        return answer

    async def _seen(self, one: Provocation, *, until_s: float) -> float | None:
        while _now_s() < until_s:
            if (found := self._heard.seen_s(one)) is not None:
                return found
            await asyncio.sleep(LOOK_EVERY_S)
        return None

    async def _answered(self, one: Provocation) -> None:
        """Wait for the end of what the provocation began."""
        if one.reaction is Reaction.WARN:
            await asyncio.sleep(0.2)  # an order that follows a warning would be a defect: let it be seen
            return
        until_s = _now_s() + STOPS_WITHIN_S
        while self._live.engine.state is State.EXECUTE and _now_s() < until_s:
            await asyncio.sleep(LOOK_EVERY_S)
        while not self._live.settled.is_set() and _now_s() < until_s:
            await asyncio.sleep(LOOK_EVERY_S)

    def _answer(self, one: Provocation, provoked_s: float, seen_s: float | None) -> Answer:
        live = self._live
        stopping = stopping_ports(live.plan, by_chain=one.kind is not Kind.PERMIT)
        first, ended_s = self._trace.first(stopping), self._trace.last_ended_mono_s()
        at_rest = [
            at_s for at_s, name, fields in self._heard.events if name == "state" and fields["after"] == "Aborted"
        ]
        return Answer(
            provocation=one,
            seen_s=None if seen_s is None else seen_s - provoked_s,
            order_s=None if first is None else first.began_mono_s - provoked_s,
            order="" if first is None else f"{first.port} {first.name}",
            obeyed_s=None if ended_s is None or first is None else ended_s - provoked_s,
            rest_s=at_rest[0] - provoked_s if at_rest else None,
            state=live.engine.state.title,
            cause="" if seen_s is None or live.cause is None else live.cause.sentence,
            permit_withdrawn=self._heard.first("permit_withdrawn") is not None,
            standstill_measured=all(
                fields["measured"] for _, name, fields in self._heard.events if name == "standstill"
            ),
            trouble=tuple(
                str(fields.get("sentence") or fields.get("because"))
                for _, name, fields in self._heard.events
                if name in TROUBLE
            ),
        )


def _now_s() -> float:
    return asyncio.get_running_loop().time()


def _left(one: Provocation, why: str) -> NotProvoked:
    return NotProvoked(title=one.title, origin=one.origin, why=why)


def told(answer: Answer) -> str:
    """An answer in one line."""
    title = answer.provocation.title
    if answer.seen_s is None:
        return f"{title}: NOT SEEN"
    delay_s = 0.0 if answer.provocation.limit is None else answer.provocation.limit.delay_s
    beyond = f" beyond its delay of {delay_s:g} s" if delay_s else ""
    parts = [f"seen {(answer.seen_s - delay_s) * 1e3:.0f} ms{beyond}"]
    if answer.order_s is not None:
        parts.append(f"first order {(answer.order_s - delay_s) * 1e3:.0f} ms ({answer.order})")
    if answer.rest_s is not None:
        parts.append(f"at rest after {answer.rest_s:.2f} s")
    if answer.permit_withdrawn:
        parts.append("permit withdrawn")
    verdict = "" if answer.as_wanted else "NOT AS WANTED: "
    return f"{title}: {verdict}{', '.join(parts)}"
