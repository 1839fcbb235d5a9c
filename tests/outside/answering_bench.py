"""A bench that answers over a real broker: the daemon's own gate, lease and table of states; its motor is a clock.

For tests of clients only. What the daemon does between command and reply is told by its own tests.
"""

import asyncio
import contextlib
import datetime as dt
import socket
import threading
import uuid
from collections.abc import AsyncIterator, Coroutine, Iterator
from dataclasses import dataclass, field
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.outside.admission import Admission, Admitted, Answered, Arrived, Return
from benchd.outside.commands import (
    AnswerCommand,
    Code,
    CommandName,
    ControlCommand,
    ControlGiven,
    DemandOfTest,
    FileBrief,
    Fits,
    KnownFiles,
    LoadCommand,
    Reply,
)
from benchd.outside.lease import ControlHeld, Lease, NotInControl
from benchd.outside.messages import (
    BenchState,
    ChannelMeta,
    Control,
    Data,
    Event,
    GroupMeta,
    LimitMeta,
    Meta,
    OpenQuestion,
    Progress,
    ResultBrief,
    RunAnnouncement,
    RunBrief,
)
from benchd.outside.topics import Topics
from benchd.rules.states import ENERGISED, Command, NotAllowed, State, completed, step

LIMITS = (
    LimitMeta(channel="shaft_speed", bound="high", value=4000.0, delay_s=0.02, reaction="cut", origin="bench.toml:12"),
    LimitMeta(
        channel="shaft_torque", bound="low", value=-5.0, delay_s=0.1, reaction="ramp_down", origin="setup.toml:3"
    ),
    LimitMeta(
        channel="shaft_torque", bound="high", value=5.0, delay_s=0.1, reaction="ramp_down", origin="setup.toml:4"
    ),
)
CHANNELS = (
    ChannelMeta(name="shaft_speed", unit="r/min", device="transducer"),
    ChannelMeta(name="shaft_torque", unit="N·m", device="transducer", zeroed=True),
    ChannelMeta(name="housing_temperature", unit="°C", device="thermometers"),
)
PROGRAMMES = ("pump_acceptance", "shortest")


@dataclass
class AnsweringBench:
    """One bench on a broker; its public values may be turned by a test at any time."""

    port: int
    name: str = "vineyard"
    username: str | None = None
    password: str | None = None
    permit: bool = True
    run_s: float = 0.3
    decision: str | None = "accepted"
    answers: bool = True  # False: hears every command and says nothing
    state: State = State.STOPPED
    cause: str | None = None
    question: OpenQuestion | None = None
    session: str = field(default_factory=lambda: uuid.uuid4().hex)
    heard: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.topics = Topics(self.name)
        self.lease = Lease(first_fence=41)
        self.admission = Admission(
            topics=self.topics,
            lease=self.lease,
            utc_now=lambda: dt.datetime.now(dt.UTC),
            now_mono_s=lambda: asyncio.get_running_loop().time(),
            state=lambda: self.state.title,
        )
        self.brief: RunBrief | None = None
        self.progress: Progress | None = None
        self.seq = 0
        self.running: set[asyncio.Task[Any]] = set()

    @contextlib.contextmanager
    def in_a_thread(self) -> Iterator["AnsweringBench"]:
        """The same beside a test that has an event loop of its own, or none."""
        came, leaves = threading.Event(), asyncio.Event()

        async def serve() -> None:
            self.loop = asyncio.get_running_loop()
            async with self.serving():
                came.set()
                await leaves.wait()

        thread = threading.Thread(target=lambda: asyncio.run(serve()))
        thread.start()
        assert came.wait(10.0)
        try:
            yield self
        finally:
            self.loop.call_soon_threadsafe(leaves.set)
            thread.join(10.0)

    def do(self, job: Coroutine[Any, Any, Any]) -> Any:
        """Do something on the bench's own loop, from the test's thread."""
        return asyncio.run_coroutine_threadsafe(job, self.loop).result(10.0)

    @contextlib.asynccontextmanager
    async def serving(self) -> AsyncIterator["AnsweringBench"]:
        """On the broker while the context lasts; says on leaving that it is off line."""
        will = aiomqtt.Will(self.topics.state, self._offline().encode(), 1, retain=True)
        async with aiomqtt.Client(
            "127.0.0.1",
            self.port,
            username=self.username,
            password=self.password,
            identifier=f"bench-{self.name}",
            protocol=aiomqtt.ProtocolVersion.V5,
            will=will,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        ) as self.mqtt:
            await self.mqtt.publish(self.topics.meta, self.meta().model_dump_json(), qos=1, retain=True)
            await self.say()
            options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True, retainHandling=2)
            await self.mqtt.subscribe([(self.topics.commands, options)])
            async with asyncio.TaskGroup() as self.tasks:
                for job in (self._hear(), self._measure()):
                    self._begin(job)
                try:
                    yield self
                finally:
                    while running := [task for task in self.running if not task.done()]:
                        for task in running:  # more than once: asyncio.wait_for loses one now and then
                            task.cancel()
                        await asyncio.wait(running, timeout=0.2)
            with contextlib.suppress(aiomqtt.MqttError):
                await self.mqtt.publish(self.topics.state, self._offline(), qos=1, retain=True)

    def _begin(self, job: Coroutine[Any, Any, Any]) -> None:
        self.running = {task for task in self.running if not task.done()} | {self.tasks.create_task(job)}

    def _offline(self) -> str:
        return BenchState(online=False, utc=dt.datetime.now(dt.UTC), session=self.session).model_dump_json()

    def meta(self) -> Meta:
        return Meta(
            bench=self.name,
            session=self.session,
            software="0.0",
            started_utc=dt.datetime.now(dt.UTC),
            tick_hz=100.0,
            channels=CHANNELS,
            groups=(GroupMeta(name="all", rate_hz=10.0, channels=tuple(one.name for one in CHANNELS)),),
            limits=LIMITS,
            commands=tuple(CommandName),
            longest_command_bytes=16384,
        )

    def said(self) -> BenchState:
        held = self.lease.held(now_mono_s=asyncio.get_running_loop().time())
        utc = dt.datetime.now(dt.UTC)
        control = None if held is None else Control(holder=held.holder, fence=held.fence, until_utc=utc)
        return BenchState(
            online=True,
            utc=utc,
            session=self.session,
            state=self.state.title,
            state_number=int(self.state),
            mode="production",
            permit=self.permit,
            permit_sentence="" if self.permit else "The guard is open: close it and reset the chain.",
            remote_selected=True,
            cause=self.cause,
            run=self.brief,
            progress=self.progress,
            control=control,
            question=self.question,
        )

    async def say(self) -> None:
        await self.mqtt.publish(self.topics.state, self.said().model_dump_json(), qos=1, retain=True)

    async def event(self, name: str, **fields: Any) -> None:
        run = None if self.brief is None else self.brief.run
        event = Event(id=uuid.uuid4().hex, utc=dt.datetime.now(dt.UTC), event=name, run=run, fields=fields)
        await self.mqtt.publish(self.topics.event, event.model_dump_json(), qos=1)

    async def _measure(self) -> None:
        while True:
            speed_rpm = 3000.0 if self.state is State.EXECUTE else 0.0
            data = Data(
                utc=dt.datetime.now(dt.UTC),
                seq=self.seq,
                values={"shaft_speed": speed_rpm, "shaft_torque": 1.25, "housing_temperature": None},
                ages_s={"shaft_speed": 0.01, "shaft_torque": 0.01, "housing_temperature": 7.0},
                quality={"housing_temperature": "missing"},
            )
            self.seq += 1
            await self.mqtt.publish(self.topics.data("all"), data.model_dump_json())
            await asyncio.sleep(0.05)

    async def _hear(self) -> None:
        async for message in self.mqtt.messages:
            properties = message.properties
            arrived = Arrived(
                topic=str(message.topic),
                payload=bytes(message.payload),
                retained=bool(message.retain),
                response_topic=getattr(properties, "ResponseTopic", None),
                correlation_data=getattr(properties, "CorrelationData", None),
            )
            considered = self.admission.consider(arrived)
            if isinstance(considered, Answered):
                if considered.reply is not None:
                    await self._reply(considered.to, considered.reply)
                continue
            self.heard.append((considered.name, considered.command.model_dump(mode="json")))
            if self.answers:
                self._begin(self._obey(considered))

    async def _reply(self, to: Return, reply: Reply) -> None:
        if to.topic is None or not self.answers:
            return
        properties: Any = Properties(PacketTypes.PUBLISH)
        if to.correlation_data is not None:
            properties.CorrelationData = to.correlation_data
        await self.mqtt.publish(to.topic, reply.model_dump_json(), qos=1, properties=properties)

    async def _obey(self, admitted: Admitted) -> None:  # noqa: PLR0911 - one way out a command
        command = admitted.command

        async def answer(stage: str, sentence: str = "", code: Code = Code.OK, result: Any = None) -> None:
            reply = Reply(
                id=command.id,
                command=admitted.name,
                stage=stage,
                code=code,
                sentence=sentence,
                state=self.state.title,
                utc=dt.datetime.now(dt.UTC),
                result=result,
            )
            self.admission.answered(command.client, reply)
            await self._reply(admitted.to, reply)

        if isinstance(command, ControlCommand):
            now_s = asyncio.get_running_loop().time()
            try:
                held = self.lease.take(
                    command.client, fence=command.fence, lease_s=command.arguments.lease_s, now_mono_s=now_s
                )
            except ControlHeld as error:
                return await answer("rejected", str(error), Code.CONTROL_HELD)
            except NotInControl as error:
                return await answer("rejected", str(error), Code.NOT_IN_CONTROL)
            until = dt.datetime.now(dt.UTC) + dt.timedelta(seconds=command.arguments.lease_s)
            await answer("done", result=ControlGiven(fence=held.fence, until_utc=until))
            return await self.say()
        if admitted.name is CommandName.RELEASE:
            self.lease.release()
            await answer("done")
            return await self.say()
        if admitted.name is CommandName.PROGRAMMES:
            files = KnownFiles(
                programmes=tuple(FileBrief(name=name) for name in PROGRAMMES),
                motors=(FileBrief(name="pump_48v", title="vineyard pump, 48 V"),),
                setups=(FileBrief(name="pump"),),
            )
            return await answer("done", result=files)
        if isinstance(command, AnswerCommand):
            if self.question is None or self.question.id != command.arguments.question:
                return await answer("rejected", f"{command.arguments.question} is not open.", Code.NO_QUESTION)
            self.question = None
            await answer("done")
            return await self.say()
        if admitted.name in {CommandName.LOAD, CommandName.CHECK}:
            return await self._files(command, answer)
        return await self._move(Command(admitted.name.value), answer)

    async def _files(self, command: Any, answer: Any) -> None:
        chosen = command.arguments
        if chosen.programme not in PROGRAMMES:
            return await answer("rejected", f"There is no programme {chosen.programme}.", Code.UNKNOWN_FILE)
        amounts = {"speed_rpm": 3000.0, "torque_nm": 1.0, "voltage_v": 48.0, "current_a": 5.0, "power_w": None}
        demand = DemandOfTest(title="no-load test", duration_s=9.0, **amounts)
        if isinstance(command, LoadCommand):
            if self.state not in {State.STOPPED, State.COMPLETE, State.IDLE}:
                return await answer("rejected", f"A run cannot be chosen in {self.state.title}.", Code.NOT_ALLOWED)
            self.brief = RunBrief(**chosen.model_dump(), tests=("no-load test",), duration_s=9.0)
            await self.say()
        return await answer(
            "done", result=Fits(duration_s=9.0, tests=(demand,), limits=LIMITS, warnings=("A sensor is due.",))
        )

    async def _move(self, command: Command, answer: Any) -> None:
        if command is Command.START and self.brief is None:
            return await answer("rejected", "No run is chosen: load one.", Code.NOTHING_CHOSEN)
        if command is Command.RESET and not self.permit:
            return await answer("rejected", "The guard is open: close it and reset the chain.", Code.NOT_ALLOWED)
        try:
            after = step(self.state, command)
        except NotAllowed as error:
            return await answer("rejected", str(error), Code.NOT_ALLOWED)
        energised = self.state in ENERGISED
        await answer("accepted")
        await self._into(after)
        await asyncio.sleep(0.02)
        if self.state is after:
            await self._into(completed(after))
        await answer("done")
        if command is Command.START and self.brief is not None and self.state is State.EXECUTE:
            self.brief = self.brief.model_copy(update={"run": uuid.uuid4().hex})
            await self.announce("started")
            self._begin(self._play())
        elif command in {Command.STOP, Command.ABORT} and energised:
            ending = "stopped" if command is Command.STOP else "aborted"
            await self._ended(ending, f"{command.value.capitalize()} was asked for.")
        return None

    async def _into(self, state: State) -> None:
        before, self.state = self.state, state
        await self.event("state", before=before.title, after=state.title, number=int(state), because="a test")
        await self.say()

    async def trip(self, cause: str) -> None:
        """What the limit monitor does."""
        self.cause = cause
        await self._into(State.ABORTING)
        await self.event("tripped", cause=cause)
        await self._into(State.ABORTED)
        await self._ended("aborted", cause)

    async def _play(self) -> None:
        await self.event("test_started", title="no-load test", index=0)
        played_s = 0.0
        while played_s < self.run_s:
            if self.state is State.EXECUTE:
                played_s += 0.05
                ratio = min(played_s / self.run_s, 1.0)
                left_s = (1.0 - ratio) * self.run_s
                self.progress = Progress(
                    test=0, tests=1, title="no-load test", doing="12 V", done_ratio=ratio, left_s=left_s
                )
                await self.say()
            elif self.state not in {State.HOLDING, State.HELD, State.UNHOLDING}:
                return
            await asyncio.sleep(0.05)
        if self.state is State.EXECUTE:
            await self._into(State.COMPLETING)
            await self._into(State.COMPLETE)
            await self._ended("complete", "")

    async def _ended(self, ending: str, why: str) -> None:
        await self.announce("ended", ending=ending, why=why)
        results = (
            ResultBrief(quantity="no_load.no_load_speed", value=3012.5, unit="r/min", expanded_uncertainty=2.5),
            ResultBrief(quantity="load.efficiency", value=None, unit="1", sentence="No load test was played."),
        )
        decision = self.decision if ending == "complete" else "none"
        if decision is None:
            return await self.announce("not evaluated", sentence="The folder cannot be evaluated: its file is torn.")
        sentence = "" if decision == "none" else f"The specimen is {decision}."
        return await self.announce(
            "evaluated", decision=decision, sentence=sentence, results=results, report="/data/report.pdf"
        )

    async def announce(self, phase: str, **fields: Any) -> None:
        assert self.brief is not None
        run = self.brief.run or "none"
        told = RunAnnouncement(
            id=uuid.uuid4().hex,
            utc=dt.datetime.now(dt.UTC),
            run=run,
            phase=phase,
            brief=self.brief,
            folder="/data/run",
            **fields,
        )
        await self.mqtt.publish(self.topics.run(run), told.model_dump_json(), qos=1)
