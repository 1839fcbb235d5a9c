"""Obeys the commands that were let in, and answers them in stages. It decides nothing: the state table does.

What reads files runs in a thread beside the loop; Stop and Abort never wait for it.
"""

import asyncio
import datetime as dt
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from benchd.app.announcing import Announcer, sound
from benchd.app.by_hand import obey_hand
from benchd.app.fitting import fits_of
from benchd.app.library import Library, UnknownFile
from benchd.app.wiring import PlannedRun, Unfit
from benchd.live.asking import NoSuchAnswer, NoSuchQuestion
from benchd.live.bench import Bench as LiveBench
from benchd.live.watch import WATCHED
from benchd.outside.admission import Admission, Admitted, Arrived, Return
from benchd.outside.commands import (
    FREE_STOPS,
    AnswerCommand,
    CheckCommand,
    Code,
    CommandName,
    ControlCommand,
    ControlGiven,
    Fits,
    KeepCommand,
    LoadCommand,
    ManualCommand,
    Reply,
    Result,
    SetCommand,
)
from benchd.outside.lease import ControlHeld, Lease, NotInControl
from benchd.rules.states import Command, NotAllowed, State
from benchd.settings.errors import SettingsError

AT_ONCE_AT_MOST = 4  # questions that read files
REFUSALS_TOLD_AT_ONCE, REFUSALS_TOLD_PER_S = 20.0, 1.0  # a tool gone wild must not drown what happens

# What each command leads to: the states on its way, and the one in which it is done.
WAYS: Mapping[CommandName, tuple[Command, State, State]] = MappingProxyType(
    {
        CommandName.RESET: (Command.RESET, State.RESETTING, State.IDLE),
        CommandName.START: (Command.START, State.STARTING, State.EXECUTE),
        CommandName.HOLD: (Command.HOLD, State.HOLDING, State.HELD),
        CommandName.UNHOLD: (Command.UNHOLD, State.UNHOLDING, State.EXECUTE),
        CommandName.STOP: (Command.STOP, State.STOPPING, State.STOPPED),
        CommandName.ABORT: (Command.ABORT, State.ABORTING, State.ABORTED),
        CommandName.CLEAR: (Command.CLEAR, State.CLEARING, State.STOPPED),
    }
)


BEGINNINGS = frozenset(
    {
        CommandName.LOAD,
        CommandName.MANUAL,
        CommandName.SET,
        CommandName.RESET,
        CommandName.START,
        CommandName.UNHOLD,
        CommandName.CLEAR,
        CommandName.ANSWER,  # something may begin that waited for it
    }
)


def _begins(admitted: Admitted) -> bool:
    """Whether something begins by it; control that is kept is not taken."""
    taken = admitted.name is CommandName.CONTROL and admitted.command.fence is None
    return taken or admitted.name in BEGINNINGS


class Answering(Protocol):
    """Where answers go; it never waits."""

    def reply(self, to: Return, reply: Reply) -> None:
        """One stage of an answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """A command that was accepted and is under way."""

    admitted: Admitted
    through: State
    until: State


class Commander:
    """Takes messages from the broker. `run` must be running; `told` is called with every event of the bench."""

    def __init__(
        self,
        live: LiveBench,
        *,
        admission: Admission,
        lease: Lease,
        library: Library,
        announcer: Announcer,
        answering: Answering,
        choose: Callable[[PlannedRun], None],
        on_event: Callable[..., None],
        on_failure: Callable[[Exception], None],
        utc: Callable[[float], dt.datetime],
        beside: Callable[[Callable[[], object]], Awaitable[object]] = asyncio.to_thread,
        forbidden: Callable[[], str] = lambda: "",
    ) -> None:
        self._forbidden = forbidden
        self._beside = beside
        self._live = live
        self._admission = admission
        self._lease = lease
        self._library = library
        self._announcer = announcer
        self._answering = answering
        self._choose = choose
        self._on_event = on_event
        self._on_failure = on_failure
        self._utc = utc
        self._under_way: list[_Asked] = []
        self._readings: asyncio.TaskGroup | None = None
        self._reading = 0
        self._loading = False
        self._ending = False
        self._refusals, self._refused_mono_s = REFUSALS_TOLD_AT_ONCE, 0.0
        self._sentence = ""  # why the last act failed, for the command that led to it

    async def run(self) -> None:
        """Give questions that read files a place to be answered in, until cancelled."""
        async with asyncio.TaskGroup() as self._readings:
            await asyncio.Event().wait()

    def arrived(self, message: Arrived) -> None:
        """One message on a command topic. Never raises."""
        try:
            self._consider(message)
        except Exception as error:  # noqa: BLE001 - a command that makes us fail must not end what runs
            self._on_failure(error)

    def _consider(self, message: Arrived) -> None:
        found = self._admission.consider(message)
        if isinstance(found, Admitted):
            self._obey(found)
        elif found.reply is not None:
            if self._worth_telling(found.code):
                self._on_event("refused", command=found.reply.command, code=found.code, sentence=found.reply.sentence)
            self._answer(found.to, found.reply)

    def ending(self) -> None:
        """The daemon comes to its end: nothing is begun any more, what moves may be stopped."""
        self._ending = True

    def _worth_telling(self, code: Code) -> bool:
        if code in {Code.MALFORMED, Code.OVERSIZED, Code.UNKNOWN_COMMAND}:  # those may come by thousands
            return False
        now_mono_s = asyncio.get_running_loop().time()
        earned = (now_mono_s - self._refused_mono_s) * REFUSALS_TOLD_PER_S
        self._refusals, self._refused_mono_s = min(self._refusals + earned, REFUSALS_TOLD_AT_ONCE), now_mono_s
        if self._refusals < 1.0:
            return False
        self._refusals -= 1.0
        return True

    def told(self, name: str, fields: Mapping[str, object]) -> None:
        """An event of the bench: what is under way may be done, have failed, or have got on."""
        if name == "failed":
            self._sentence = str(fields["sentence"])
        elif name == "state":
            self._state_changed(State(int(str(fields["number"]))))
        elif name == "progress":
            for asked in self._under_way:
                self._stage(asked.admitted, "progress", str(fields.get("doing") or ""))

    # commands

    def _obey(self, admitted: Admitted) -> None:
        command = admitted.command
        if self._ending and not (admitted.name in FREE_STOPS and self._live.engine.state in WATCHED):
            sentence = "benchd is ending: nothing begins any more, and the bench is at rest or on its way there."
            self._stage(admitted, "rejected", sentence, code=Code.NOT_ALLOWED)
        elif _begins(admitted) and (sentence := self._forbidden()):
            self._stage(admitted, "rejected", sentence, code=Code.NOT_ALLOWED)
        elif admitted.name in WAYS:
            self._on_event("commanded", command=admitted.name.value, client=command.client)
            self._go(admitted)
        elif isinstance(command, ControlCommand):
            self._control(admitted, command)
        elif isinstance(command, CheckCommand):
            self._read(admitted, lambda: fits_of(self._library.plan(command.arguments)))
        elif isinstance(command, LoadCommand | ManualCommand):
            self._load(admitted, command)
        elif isinstance(command, SetCommand | KeepCommand):
            self._hand(admitted, command)
        elif isinstance(command, AnswerCommand):
            self._take_answer(admitted, command)
        elif admitted.name is CommandName.PROGRAMMES:
            self._read(admitted, self._library.known)
        else:
            self._on_event("control", holder=None, released_by=command.client)
            self._lease.release()
            self._stage(admitted, "done")
            self._announcer.changed()

    def _go(self, admitted: Admitted) -> None:
        command, through, until = WAYS[admitted.name]
        asked = _Asked(admitted=admitted, through=through, until=until)
        self._sentence = ""
        self._under_way.append(asked)  # before: the change of state comes while the command is given
        try:
            self._live.command(command, because=f"{admitted.command.client} over MQTT")
        except NotAllowed as error:
            self._under_way.remove(asked)
            self._stage(admitted, "rejected", str(error), code=Code.NOT_ALLOWED)
        except ValueError as error:
            self._under_way.remove(asked)
            self._stage(admitted, "rejected", str(error), code=Code.NOTHING_CHOSEN)

    def _state_changed(self, state: State) -> None:
        for asked in tuple(self._under_way):
            if state is asked.through:
                self._stage(asked.admitted, "accepted")
                continue
            self._under_way.remove(asked)
            if state is asked.until:
                self._stage(asked.admitted, "done")
                continue
            cause = self._live.cause
            tripped = state in {State.ABORTING, State.ABORTED} and cause is not None
            sentence = self._sentence or (cause.sentence if cause is not None else self._live.because)
            self._stage(asked.admitted, "failed", sentence, code=Code.TRIPPED if tripped else Code.FAILED)

    def _control(self, admitted: Admitted, command: ControlCommand) -> None:
        now_mono_s = asyncio.get_running_loop().time()
        before = self._lease.held(now_mono_s=now_mono_s)
        try:
            held = self._lease.take(
                command.client, fence=command.fence, lease_s=command.arguments.lease_s, now_mono_s=now_mono_s
            )
        except ControlHeld as error:
            self._stage(admitted, "rejected", str(error), code=Code.CONTROL_HELD)
            return
        except NotInControl as error:
            self._stage(admitted, "rejected", str(error), code=Code.NOT_IN_CONTROL)
            return
        if before is None or before.fence != held.fence:
            self._on_event("control", holder=held.holder, fence=held.fence)
        until_utc = self._utc(held.until_mono_s)
        self._stage(admitted, "done", result=ControlGiven(fence=held.fence, until_utc=until_utc))
        self._announcer.changed()

    def _take_answer(self, admitted: Admitted, command: AnswerCommand) -> None:
        given = command.arguments
        try:
            self._live.asking.answer(given.question, given.answer, by=command.client)
        except NoSuchQuestion as error:
            self._stage(admitted, "rejected", str(error), code=Code.NO_QUESTION)
        except NoSuchAnswer as error:
            self._stage(admitted, "rejected", str(error), code=Code.NO_SUCH_ANSWER)
        else:
            self._stage(admitted, "done")

    def _hand(self, admitted: Admitted, command: SetCommand | KeepCommand) -> None:
        refusal = obey_hand(self._live.desk, command)
        if refusal:
            self._stage(admitted, "rejected", refusal, code=Code.NOT_FOLLOWED)
        else:
            self._stage(admitted, "done")

    def _fence_in_force(self) -> int | None:
        """The number of whoever holds control, for a run that must not go on without."""
        held = self._lease.held(now_mono_s=asyncio.get_running_loop().time())
        return None if held is None else held.fence

    # what reads files

    def _load(self, admitted: Admitted, command: LoadCommand | ManualCommand) -> None:
        if self._loading:
            sentence = "Another run is just being chosen: ask again in a moment."
            self._stage(admitted, "rejected", sentence, code=Code.BUSY)
            return
        if self._live.engine.state in WATCHED:
            sentence = f"A run cannot be chosen in {self._live.engine.state.title}: wait until the bench rests."
            self._stage(admitted, "rejected", sentence, code=Code.NOT_ALLOWED)
            return
        self._loading = True

        def choose(planned: PlannedRun) -> Fits:
            now_mono_s = asyncio.get_running_loop().time()
            self._lease.check(command.client, fence=command.fence, now_mono_s=now_mono_s)  # reading took its time
            if self._ending:
                raise ValueError("benchd is ending: no run can be chosen any more.")
            self._choose(planned)
            if planned.desk is not None:
                planned.desk.hand = self._fence_in_force
            self._announcer.chosen(planned)
            return fits_of(planned)

        self._read(admitted, lambda: self._library.chosen(command.arguments), then=choose, at_end=self._loaded)

    def _loaded(self) -> None:
        self._loading = False

    def _read(
        self,
        admitted: Admitted,
        question: Callable[[], object],
        *,
        then: Callable[[PlannedRun], Result] | None = None,
        at_end: Callable[[], None] = lambda: None,
    ) -> None:
        if self._readings is None or self._reading >= AT_ONCE_AT_MOST:
            at_end()
            self._stage(admitted, "rejected", "Too many questions at once: ask again in a moment.", code=Code.BUSY)
            return
        self._reading += 1
        self._readings.create_task(self._answered(admitted, question, then, at_end), name=f"command {admitted.name}")

    async def _answered(
        self,
        admitted: Admitted,
        question: Callable[[], object],
        then: Callable[[PlannedRun], Result] | None,
        at_end: Callable[[], None],
    ) -> None:
        try:
            found = await self._beside(question)
            result = then(found) if then is not None and isinstance(found, PlannedRun) else found
            self._stage(admitted, "done", result=result)  # type: ignore[arg-type] # a question answers with a Result
        except ControlHeld as error:
            self._stage(admitted, "rejected", str(error), code=Code.CONTROL_HELD)
        except NotInControl as error:
            self._stage(admitted, "rejected", str(error), code=Code.NOT_IN_CONTROL)
        except UnknownFile as error:
            self._stage(admitted, "rejected", str(error), code=Code.UNKNOWN_FILE)
        except SettingsError as error:
            self._stage(admitted, "rejected", error.sentence, code=Code.UNFIT)
        except Unfit as error:
            self._stage(admitted, "rejected", str(error), code=Code.UNFIT)
        except ValueError as error:  # of `choose`: the bench has begun to move meanwhile
            self._stage(admitted, "rejected", str(error), code=Code.NOT_ALLOWED)
        except Exception as error:  # noqa: BLE001 - files may break what reads them; whoever asks must not end what runs
            self._on_failure(error)
            sentence = f"benchd failed to answer ({type(error).__name__}: {error}): report this with the log."
            self._stage(admitted, "failed", sentence, code=Code.FAILED)
        finally:
            self._reading -= 1
            at_end()

    # answers

    def _stage(
        self, admitted: Admitted, stage: str, sentence: str = "", *, code: Code = Code.OK, result: Result | None = None
    ) -> None:
        reply = Reply.model_validate(
            {
                "id": admitted.command.id,
                "command": admitted.name.value,
                "stage": stage,
                "code": code,
                "sentence": sound(sentence),
                "state": self._live.engine.state.title,
                "utc": self._utc(asyncio.get_running_loop().time()),
                "result": result,
            }
        )
        self._admission.answered(admitted.command.client, reply)
        self._answer(admitted.to, reply)

    def _answer(self, to: Return, reply: Reply) -> None:
        if to.topic is not None:
            self._answering.reply(to, reply)
