"""One run from outside: chosen, started, followed to its results. It commands through the interface like anybody else.

The bench goes on by itself whatever becomes of this process; a stop from here is asked for like from anywhere.
"""

import asyncio
import contextlib
import enum
import signal
from collections.abc import Mapping
from typing import Final

from benchd.app import heard
from benchd.app.manual_prompt import ManualPrompt
from benchd.app.prompt import Prompt
from benchd.app.voice import Voice
from benchd.outside.client import BenchClient
from benchd.outside.client_wire import ClientError
from benchd.outside.commands import Code, CommandName, Fits, Reply
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement
from benchd.outside.news import Broker, ControlNews, GroupData, News, Unreadable, Watch

CHAIN_WITHIN_S = 60.0
LOOK_EVERY_S = 0.5
NO_RUN_AFTER_S = 3.0  # after a failed start: the announcement of a run that began all the same
ANNOUNCED_WITHIN_S = 60.0  # after the bench came to rest
EVALUATED_WITHIN_S = 600.0
GONE_FOR_GOOD_S = 10.0  # after another daemon came up: what it may still announce of the earlier one's run
AT_REST: Final = frozenset({"Stopped", "Aborted", "Complete"})
SHOWN = ("shaft_speed", "shaft_torque", "dc_voltage", "dc_current", "motor_power")


class Status(enum.IntEnum):
    """Exit status of `run`; the statuses of the other commands are among them."""

    DONE = 0
    FAILED = 1
    TRIPPED = 3
    REJECTED = 4
    UNDECIDED = 5
    UNAVAILABLE = 69


DECIDED = {
    "accepted": Status.DONE,
    "none": Status.DONE,
    None: Status.DONE,
    "rejected": Status.REJECTED,
    "undecided": Status.UNDECIDED,
}


class FollowedRun:
    """Plays one run on a bench and tells about it; with a `hand` it is a manual session."""

    def __init__(
        self, client: BenchClient, choice: Mapping[str, object], voice: Voice, *, hand: ManualPrompt | None = None
    ) -> None:
        self._hand = hand
        self._client = client
        self._choice = choice
        self._voice = voice
        self._run: str | None = None
        self._session = ""
        self._loaded: Reply | None = None
        self._start: Reply | None = None
        self._ended: RunAnnouncement | None = None
        self._evaluated: RunAnnouncement | None = None
        self._start_unknown = False  # nobody answered: it may have been obeyed
        self._prompt = Prompt(client, voice, on_reply=lambda reply: voice.record("reply", reply))
        self._interrupts = 0
        self._over = False
        self._away = False
        self._since: dict[str, float] = {}
        self._units: dict[str, str] = {}
        self._values: dict[str, tuple[float, str]] = {}

    async def play(self) -> Status:
        """Play it to its end; what went wrong has been told. Raises `ClientError` where nobody answers."""
        loop = asyncio.get_running_loop()
        loop.add_signal_handler(signal.SIGINT, self._interrupted)
        try:
            async with asyncio.timeout(None) as self._leaving:
                status = await self._play()
        except TimeoutError:
            state = self._client.state()
            rest = "" if state is None or state.state in AT_REST else f" The bench is in {state.state} and goes on."
            self._voice.sentence(f"Left at your wish.{rest}")
            status = Status.FAILED
        finally:
            loop.remove_signal_handler(signal.SIGINT)
            self._prompt.close()
            if self._hand is not None:
                self._hand.close()
            self._voice.progress("")
        self._voice.record("outcome", {"status": int(status), "run": self._run})
        return status

    async def _play(self) -> Status:
        state = await self._client.first_state()
        self._session = state.session
        with self._client.watching() as watch:
            async with self._client.control() as control:
                self._prompt.fence = lambda: control.fence
                choosing = CommandName.LOAD if self._hand is None else CommandName.MANUAL
                self._loaded = await self._ask(choosing, self._choice, fence=control.fence)
                if self._loaded.stage != "done":
                    return self._refused(self._loaded)
                self._tell_choice(self._loaded)
                if not await self._permitted():
                    return Status.FAILED
                reset = await self._ask(CommandName.RESET, fence=control.fence)
                if reset.stage != "done":
                    return self._refused(reset)
                self._client.begin(self._asked_to_start(control.fence))
                if self._hand is not None:
                    self._hand.fence = lambda: control.fence
                    self._client.begin(self._hand.live())
                await self._follow(watch)
        self._over = True
        return self._outcome()

    # before the run

    async def _ask(
        self, name: CommandName, arguments: Mapping[str, object] | None = None, *, fence: int | None = None
    ) -> Reply:
        reply = await self._client.ask(name, arguments, fence=fence)
        self._voice.record("reply", reply)
        return reply

    async def _asked_to_start(self, fence: int | None) -> None:
        try:
            self._start = await self._ask(CommandName.START, fence=fence)
        except ClientError as error:
            self._start_unknown = True
            self._voice.sentence(str(error))

    def _tell_choice(self, loaded: Reply) -> None:
        what = self._choice.get("programme", "set by hand")
        self._voice.line(f"{self._client.bench}: {what} on {self._choice['serial']}")
        if isinstance(loaded.result, Fits):
            for warning in loaded.result.warnings:
                self._voice.line(heard.plain(f"Warning: {warning}"))
            tests = f"tests: {len(loaded.result.tests)}, about {heard.span(loaded.result.duration_s)}"
            self._voice.line(f"It fits; {'unit mode Manual' if self._hand is not None else tests}.")

    async def _permitted(self) -> bool:
        """Give a person time to reset the safety chain."""
        told = ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(CHAIN_WITHIN_S):
                while (state := self._client.state()) is not None and state.permit is False:
                    if state.permit_sentence != told:
                        told = state.permit_sentence
                        self._voice.sentence(heard.plain(f"Waiting for the safety chain: {told}"))
                    await asyncio.sleep(0.1)
                return True
        self._voice.sentence(f"The safety chain gave no permit within {CHAIN_WITHIN_S:.0f} s: reset it and run again.")
        return False

    def _refused(self, reply: Reply) -> Status:
        self._voice.sentence(heard.plain(reply.sentence or f"{reply.command} was {reply.stage} ({reply.code})."))
        return Status.TRIPPED if reply.code is Code.TRIPPED else Status.FAILED

    # while it is played

    async def _follow(self, watch: Watch) -> None:
        while not self._is_over():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_EVERY_S):
                    self._hear(await anext(watch))

    def _hear(self, news: News) -> None:
        match news:
            case BenchState():
                self._hear_state(news)
            case Event():
                self._voice.record("event", news)
                if line := heard.event(news.event, news.fields):
                    self._voice.line(line)
            case RunAnnouncement():
                self._hear_announcement(news)
            case GroupData(data=data):
                self._hear_data(data)
            case Meta():
                self._units = {channel.name: channel.unit for channel in news.channels}
            case Broker(answers=answers, sentence=sentence):
                self._voice.record("broker", {"answers": answers})
                self._voice.sentence(sentence)
            case ControlNews(sentence=sentence) | Unreadable(sentence=sentence):
                self._voice.sentence(heard.plain(sentence))

    def _hear_state(self, state: BenchState) -> None:
        self._voice.record("state", state)
        if state.online is self._away:
            self._away = not state.online
            there = f"The daemon of {self._client.bench}"
            back = "is back." if state.session == self._session else "was started anew: this run ended with it."
            self._voice.sentence(
                f"{there} {back}" if state.online else f"{there} left the broker; waiting for it to come back."
            )
        if not state.online:
            return
        self._prompt.hear(state.question)
        if self._hand is not None:
            self._hand.hear(state, ours=self._is_ours(state))
        if self._run is None and self._is_ours(state) and state.run is not None:
            self._run = state.run.run
        if self._hand is None and state.progress is not None and state.state not in AT_REST and state.question is None:
            self._voice.progress(heard.progress(state.progress, self._values))

    def _is_ours(self, state: BenchState) -> bool:
        """Whether a state was said after our choice, so that the run it names is ours."""
        return self._loaded is not None and state.session == self._session and state.utc > self._loaded.utc

    def _hear_announcement(self, told: RunAnnouncement) -> None:
        if self._run is None and told.phase == "started":
            self._run = told.run
        if told.run != self._run:
            return
        self._voice.record("run", told)
        if told.phase == "ended":
            self._ended = told
            self._voice.line("Evaluating, and making the report.")
        elif told.phase in {"evaluated", "not evaluated"}:
            self._evaluated = told

    def _hear_data(self, data: Data) -> None:
        if not self._units and (meta := self._client.meta()) is not None:
            self._units = {channel.name: channel.unit for channel in meta.channels}
        if self._hand is not None:
            self._voice.progress(self._hand.shown(data, self._client.meta()))
        for name in SHOWN:
            value = data.values.get(name)
            if value is not None:
                self._values[name] = (value, self._units.get(name, ""))
            elif name in data.values:
                self._values.pop(name, None)

    def _is_over(self) -> bool:
        state = self._client.state()
        rests = state is not None and state.online and state.state in AT_REST
        refused = self._start is not None and self._start.stage != "done"
        anew = state is not None and state.online and state.session != self._session
        return (
            self._evaluated is not None
            or (self._start is not None and self._start.stage == "rejected")
            or self._lasts("anew", anew, GONE_FOR_GOOD_S)
            or self._lasts("no run", refused and rests and self._run is None, NO_RUN_AFTER_S)
            or self._lasts("unknown", self._start_unknown and self._run is None and not self._away, GONE_FOR_GOOD_S)
            or self._lasts("rests", rests and self._start is not None and self._ended is None, ANNOUNCED_WITHIN_S)
            or self._lasts("ended", self._ended is not None and not self._away, EVALUATED_WITHIN_S)
        )

    def _lasts(self, what: str, holds: bool, long_s: float) -> bool:  # noqa: FBT001 - a condition and its name
        """Whether something has held for so long."""
        if not holds:
            self._since.pop(what, None)
            return False
        now_s = asyncio.get_running_loop().time()
        return now_s - self._since.setdefault(what, now_s) >= long_s

    # at its end

    def _outcome(self) -> Status:
        ended = self._ended or self._evaluated
        found = self._evaluated
        if ended is None:
            if self._start is not None and self._start.stage != "done":
                return self._refused(self._start)
            self._voice.sentence(
                f"What became of the run is not known here: look for its folder on {self._client.bench}."
            )
            return Status.UNAVAILABLE
        if found is not None and found.phase == "evaluated":
            if found.sentence:
                self._voice.line(heard.plain(f"\n{found.sentence}"))
            if found.results:
                self._voice.line("\n" + heard.results(found.results))
        where = f"\nThe run's folder on the bench is\n  {ended.folder}"
        if found is not None and found.report:
            where += f"\nand its report\n  {found.report}"
        self._voice.line(heard.plain(where))
        return self._judged(ended, found)

    def _judged(self, ended: RunAnnouncement, found: RunAnnouncement | None) -> Status:
        why = f": {heard.plain(ended.why)}" if ended.why not in {"", "done"} else "."
        ending = ended.ending or self._ending_by_state()
        if ending == "stopped":
            self._voice.sentence(f"The run was stopped{why}")
            return Status.FAILED
        if ending == "aborted":
            self._voice.sentence(f"The run was aborted{why}")
            return Status.TRIPPED
        if found is None or found.phase != "evaluated":
            said = "" if found is None else heard.plain(found.sentence)
            self._voice.sentence(said or "The run is complete, but its results did not come: see the folder.")
            return Status.FAILED
        return DECIDED.get(found.decision, Status.UNDECIDED)

    def _ending_by_state(self) -> str:
        """How it ended where the announcement of it was missed."""
        state = self._client.state()
        return {"Stopped": "stopped", "Aborted": "aborted"}.get((state and state.state) or "", "complete")

    # Ctrl-C

    def _interrupted(self) -> None:
        """First Stop, then Abort, then leave; where nothing moves, leave at once."""
        self._interrupts += 1
        state = self._client.state()
        rests = state is None or state.state in AT_REST
        if (rests and self._start is None) or self._ended is not None or self._over or self._interrupts > 2:
            self._leaving.reschedule(asyncio.get_running_loop().time())
        elif self._interrupts == 1:
            self._voice.sentence("Asking the bench to stop; Ctrl-C again aborts.")
            self._client.begin(self._asked_to_end(CommandName.STOP))
        else:
            self._voice.sentence("Asking the bench to abort; Ctrl-C again leaves it to itself.")
            self._client.begin(self._asked_to_end(CommandName.ABORT))

    async def _asked_to_end(self, name: CommandName) -> None:
        try:
            reply = await self._ask(name)
        except ClientError as error:
            self._voice.sentence(str(error))
            return
        if reply.stage == "rejected":
            self._voice.sentence(heard.plain(reply.sentence))
