"""Turns what the live room shows into messages of the interface. It must never wait nor change what it looks at."""

import asyncio
import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from importlib.metadata import version
from typing import Protocol, cast

from pydantic import JsonValue

from benchd.app.wiring import PlannedRun
from benchd.live.bench import Bench as LiveBench
from benchd.live.interlocks import inputs_of
from benchd.live.supervision import chain_objection
from benchd.live.watch import WATCHED
from benchd.outside.commands import LONGEST_COMMAND_BYTES, LONGEST_LEASE_S, CommandName
from benchd.outside.lease import Lease
from benchd.outside.log import spelled
from benchd.outside.messages import (
    BenchState,
    ChannelMeta,
    Control,
    Data,
    Event,
    GroupMeta,
    Interlocks,
    LimitMeta,
    Meta,
    OpenQuestion,
    Progress,
    Quality,
    Reaction,
    RunAnnouncement,
    RunBrief,
)
from benchd.rules import channels as rules
from benchd.rules.limits import Limit
from benchd.settings.outside_file import DataGroup

NOT_TOLD = frozenset({"progress"})  # is in the state
RESTING = frozenset({"Complete", "Stopped", "Aborted"})
CHAIN_OLD_S = 2.0  # since its last reading: what it said then says nothing about now
WARNINGS_KEPT = 20
DIGITS = 7  # of a value; the run folder has them all
QUALITIES: Mapping[rules.Quality, Quality] = {
    rules.Quality.GOOD: "good",
    rules.Quality.STALE: "stale",
    rules.Quality.MISSING: "missing",
    rules.Quality.NOT_A_NUMBER: "not a number",
    rules.Quality.OVER_RANGE: "over range",
}


class Outlet(Protocol):
    """Where messages go; nothing here waits."""

    def meta(self, message: Meta) -> None:
        """What the bench is."""

    def state(self, message: BenchState) -> None:
        """How it is."""

    def data(self, group: str, message: Data) -> None:
        """Values of one group."""

    def event(self, message: Event) -> None:
        """What happened."""

    def run(self, message: RunAnnouncement) -> None:
        """What is announced of a run."""


class Announcer:
    """Says what the bench is, how it is, and what happens there. `run` publishes data and the moving state."""

    def __init__(
        self,
        live: LiveBench,
        outlet: Outlet,
        lease: Lease,
        *,
        session: str,
        groups: Sequence[DataGroup],
        utc: Callable[[float], dt.datetime],
    ) -> None:
        self._live = live
        self._outlet = outlet
        self._lease = lease
        self._session = session
        self._utc = utc
        self._started_utc = utc(self._now())
        every = tuple(channel.name for channel in live.plan.channels)
        self._groups = tuple((group.name, group.rate_hz, group.channels or every) for group in groups)
        self._age_limit_s = {channel.name: channel.age_limit_s for channel in live.plan.channels}
        self._events = 0
        self._warnings: dict[str, None] = {}
        self._silent: dict[str, None] = {}
        self._planned: PlannedRun | None = None
        self._brief: RunBrief | None = None
        self._run: str | None = None  # whose events these are
        self._changed = asyncio.Event()
        self.crowded: Callable[[], str] = lambda: ""  # why it is not clear which bench this is
        self._told: BenchState | None = None

    async def run(self) -> None:
        """Publish until cancelled."""
        self.tell_meta()
        self.tell_state()
        async with asyncio.TaskGroup() as group:
            for name, rate_hz, channels in self._groups:
                group.create_task(self._tell_data(name, rate_hz, channels), name=f"data {name}")
            group.create_task(self._tell_changes(), name="state")

    # what the daemon tells

    def chosen(self, planned: PlannedRun) -> None:
        """A run was chosen; its limits hold from its start on."""
        self._planned = planned
        self._brief = brief(planned)
        self.tell_meta()
        self.changed()

    @property
    def brief(self) -> RunBrief | None:
        """The run that is chosen, is played or was played last."""
        return self._brief

    def begun(self, run: str) -> None:
        """Its folder is open."""
        self._run = run
        if self._brief is not None:
            self._brief = self._brief.model_copy(update={"run": run})

    def changed(self) -> None:
        """The state is to be published anew, soon."""
        self._changed.set()

    def next_id(self) -> str:
        """A new identifier for what is announced."""
        self._events += 1
        return f"{self._session}-{self._events}"

    def event(self, name: str, fields: Mapping[str, object]) -> None:
        """Something that happened."""
        if name == "state" and fields.get("after") == "Starting":
            self._warnings.clear()
            if self._brief is not None:  # the same choice again: its next folder is not open yet
                self._brief = self._brief.model_copy(update={"run": None})
        elif name == "warning" and len(self._warnings) < WARNINGS_KEPT:
            self._warnings[sound(str(fields.get("cause")))] = None
        elif name == "link":
            self._of_link(str(fields["link"]), str(fields["state"]))
        self.changed()
        if name in NOT_TOLD:
            return
        self._outlet.event(
            Event(
                id=self.next_id(),
                utc=self._utc(self._now()),
                event=name,
                run=self._run,
                fields=cast("dict[str, JsonValue]", _sound_values(spelled(dict(fields)))),
            )
        )
        if name == "state" and fields.get("after") in RESTING:
            self._run = None  # what happens to the bench now is no part of a run

    def _of_link(self, device: str, state: str) -> None:
        if state == "up":
            self._silent.pop(device, None)
        else:
            self._silent[device] = None

    # messages

    def tell_meta(self) -> None:
        """What the bench is."""
        live = self._live
        units = {channel.name: channel.unit for channel in live.plan.channels}
        limits = () if self._planned is None else self._planned.plan.limits
        self._outlet.meta(
            Meta(
                bench=live.plan.name,
                session=self._session,
                software=f"benchd {version('benchd')}",
                started_utc=self._started_utc,
                tick_hz=live.plan.tick_hz,
                channels=tuple(
                    ChannelMeta(name=name, unit=units[name], device=channel.device, zeroed=channel.zeroed)
                    for channel in live.plan.channels
                    for name in (channel.name,)
                ),
                groups=tuple(
                    GroupMeta(name=name, rate_hz=rate_hz, channels=channels) for name, rate_hz, channels in self._groups
                ),
                limits=limit_metas(limits),
                commands=tuple(CommandName),
                longest_command_bytes=LONGEST_COMMAND_BYTES,
            )
        )

    def tell_state(self) -> None:
        """How the bench is now."""
        self._told = self._state()
        self._outlet.state(self._told)

    def _state(self) -> BenchState:
        live = self._live
        state = live.engine.state
        chain = live.chain()
        objection = "It has not been read yet." if chain is None else chain_objection(chain)
        if chain is not None and self._now() - chain.taken_mono_s > CHAIN_OLD_S:
            chain, objection = None, "The safety chain is silent: nobody knows whether it lets energy flow."
        return BenchState(
            online=True,
            utc=self._utc(self._now()),
            session=self._session,
            state=state.title,
            state_number=int(state),
            mode="production" if self._planned is None else self._planned.mode,
            because=sound(live.because),
            permit=None if chain is None else objection is None,
            permit_sentence=objection or "",
            remote_selected=None if chain is None else chain.remote_selected,
            cause=None if live.cause is None else sound(live.cause.sentence),
            warnings=(*self._warnings, *filter(None, (self.crowded(),))),
            run=self._brief,
            progress=self._progress(),
            control=self._control(),
            silent_devices=tuple(self._silent),
            interlocks=None if chain is None else Interlocks.model_validate(inputs_of(chain)),
            waits_for=sound(live.waits_for),
            question=self._question(),
        )

    def _question(self) -> OpenQuestion | None:
        question = self._live.asking.question
        if question is None:
            return None
        return OpenQuestion(
            id=question.id,
            text=sound(question.ask.text),
            answers=question.ask.answers,
            test=question.test,
            title=question.title,
            left_s=round(max(0.0, question.until_mono_s - self._now()), 1),
            meanwhile=question.ask.meanwhile.value,
        )

    def _progress(self) -> Progress | None:
        player, planned = self._live.player, self._planned
        if player is None or planned is None:
            return None
        tests, number = planned.tests, player.number
        done_ratio = min(1.0, max(0.0, player.done_ratio))
        left_s = sum(test.demand.duration_s for test in tests[number + 1 :])
        title = ""
        if 0 <= number < len(tests):
            title = tests[number].title
            left_s += (1.0 - done_ratio) * tests[number].demand.duration_s
        return Progress(
            test=number, tests=len(tests), title=title, doing=player.doing, done_ratio=done_ratio, left_s=left_s
        )

    def _control(self) -> Control | None:
        held = self._lease.held(now_mono_s=self._now())
        if held is None:
            return None
        until_mono_s = min(held.until_mono_s, self._now() + LONGEST_LEASE_S)  # a run of the daemon's own has no end yet
        return Control(holder=held.holder, fence=held.fence, until_utc=self._utc(until_mono_s))

    async def _tell_changes(self) -> None:
        """The state on every change, and once a second while something moves or somebody holds control.

        The permit changes, and control lapses, without an event: whether anything did is looked at once a second.
        """
        while True:
            try:
                async with asyncio.timeout(1.0):
                    await self._changed.wait()
            except TimeoutError:
                at_rest = self._live.engine.state not in WATCHED and self._control() is None and not self.crowded()
                if (
                    at_rest
                    and self._told is not None
                    and self._told == self._state().model_copy(update={"utc": self._told.utc})
                ):
                    continue
            self._changed.clear()
            self.tell_state()

    async def _tell_data(self, name: str, rate_hz: float, channels: Sequence[str]) -> None:
        sequence = 0
        loop = asyncio.get_running_loop()
        next_s = loop.time()
        while True:
            self._outlet.data(name, self._data(sequence, channels))
            sequence += 1
            now_s = loop.time()
            next_s = max(next_s + 1.0 / rate_hz, now_s)  # one that was missed is not made up for
            await asyncio.sleep(next_s - now_s)

    def _data(self, sequence: int, channels: Iterable[str]) -> Data:
        now_mono_s = self._now()
        samples = self._live.intake.samples
        values: dict[str, float | None] = {}
        ages_s: dict[str, float | None] = {}
        quality: dict[str, Quality] = {}
        for name in channels:
            sample = samples[name]
            age_s = now_mono_s - sample.taken_mono_s
            found = sample.quality
            if found is rules.Quality.GOOD and age_s > self._age_limit_s[name]:
                found = rules.Quality.STALE
            values[name] = float(f"{sample.value:.{DIGITS}g}") if math.isfinite(sample.value) else None
            ages_s[name] = round(age_s, 4) if math.isfinite(age_s) else None
            if found is not rules.Quality.GOOD:
                quality[name] = QUALITIES[found]
        return Data(utc=self._utc(now_mono_s), seq=sequence, values=values, ages_s=ages_s, quality=quality)

    @staticmethod
    def _now() -> float:
        return asyncio.get_running_loop().time()


def sound(text: str) -> str:
    """The text as UTF-8 can carry it: a device or a file may be named by bytes that are none."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def _sound_values(value: object) -> object:
    if isinstance(value, dict):
        return {sound(key): _sound_values(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_sound_values(item) for item in value]
    return sound(value) if isinstance(value, str) else value


def brief(planned: PlannedRun) -> RunBrief:
    """A run that is chosen and has not begun."""
    job = planned.job
    return RunBrief(
        programme=job.programme.name,
        motor=job.motor.document.file.stem,
        setup=job.setup.document.file.stem,
        order=job.order,
        serial=job.serial,
        operator=job.operator,
        tests=tuple(test.title for test in planned.tests),
        duration_s=planned.duration_s,
    )


def limit_metas(limits: Iterable[Limit]) -> tuple[LimitMeta, ...]:
    """Limits as they are published."""
    return tuple(
        LimitMeta(
            channel=limit.channel,
            bound=limit.bound.value,
            value=limit.value,
            delay_s=limit.delay_s,
            reaction=cast("Reaction", limit.reaction.name.lower()),
            origin=limit.origin,
            hysteresis=limit.hysteresis,
        )
        for limit in limits
    )
