"""A client of one bench over MQTT: looks, asks, keeps control. It must never guess what a bench does not say.

The connection is made again whenever it is lost, for as long as the client lives; whoever reads the news is told so.
"""

import asyncio
import contextlib
import datetime as dt
import json
import uuid
from collections.abc import Callable, Coroutine, Iterator, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import aiomqtt
from pydantic import ValidationError

from benchd.outside.client_wire import (
    ClientError,
    NoBroker,
    Place,
    connected,
    correlation_of,
    payload_of,
    publish,
)
from benchd.outside.commands import MODELS, USUAL_LEASE_S, CommandName, Reply
from benchd.outside.control_kept import ControlKept
from benchd.outside.finding import the_only_bench
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement
from benchd.outside.news import Broker, GroupData, News, SeenBefore, Unreadable, Watch
from benchd.outside.topics import Topics, is_name

FIRST_ANSWER_WITHIN_S = 5.0
NEXT_ANSWER_WITHIN_S = 120.0  # a reset may measure zeros and read every device back
STATE_WITHIN_S = 2.0
AGAIN_AFTER_S, AGAIN_AT_MOST_S = 0.2, 2.0
NAMES_AND_WORDS = (
    "a file's name has letters, digits, '_', '-' and '.', and what people write is one line that is not empty."
)
UNREADABLE_AT_MOST = 64
ANSWERS_AT_MOST = 100


class NoAnswer(ClientError):
    """Nobody said anything in time; whether the command was obeyed is not known."""


class WrongArguments(ClientError):
    """What was to be asked is no command; nothing was sent."""


class NotReadable(ClientError):
    """Somebody speaks on the bench's topics, but not this version of the interface."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    name: CommandName
    payload: bytes
    answers: asyncio.Queue[Reply]


class BenchClient:
    """Looks at one bench and asks it. `bench` None: the only one that the broker knows.

    `client` is who asks: a name of letters, digits, `_`, `-` and `.`. `data` also brings the measured values. `keep_s`:
    how long the broker keeps events and announcements for this client while it is cut off. Entering raises `NoBroker`,
    `NotPermitted`, `NoBench` or `WrongArguments`; a broker that goes away later is news, not an error.
    """

    def __init__(
        self,
        host: str,
        port: int = 1883,
        *,
        bench: str | None,
        client: str,
        username: str | None = None,
        password: str | None = None,
        data: bool = False,
        keep_s: int = 0,
        first_answer_within_s: float = FIRST_ANSWER_WITHIN_S,
    ) -> None:
        for what, name in (("bench", bench), ("client", client)):
            if name is not None and not is_name(name):
                raise WrongArguments(
                    f"'{name}' cannot be the name of a {what}: use letters, digits, '_', '-' and '.', at most 64."
                )
        self._place = Place(host=host, port=port, client=client, username=username, password=password, keep_s=keep_s)
        self._bench = bench
        self._data = data
        self._first_within_s = first_answer_within_s
        self._tasks = asyncio.TaskGroup()
        self._mqtt: aiomqtt.Client | None = None
        self._state_came = asyncio.Event()
        self._state: BenchState | None = None
        self._meta: Meta | None = None
        self._watches: list[Watch] = []
        self._asked: dict[str, _Asked] = {}
        self._beside: set[asyncio.Task[None]] = set()
        self._unreadable: dict[str, str] = {}
        self._seen = SeenBefore()

    @property
    def bench(self) -> str:
        """The bench's name; known once the client is entered."""
        return self._bench or ""

    @property
    def client(self) -> str:
        """Who asks."""
        return self._place.client

    @property
    def broker(self) -> str:
        """Where the broker is, as host:port."""
        return str(self._place)

    @property
    def connected(self) -> bool:
        """Whether the broker answers at present."""
        return self._mqtt is not None

    def state(self) -> BenchState | None:
        """What the bench last said of itself; None before the first word."""
        return self._state

    def meta(self) -> Meta | None:
        """What the bench is; None before the first word."""
        return self._meta

    async def __aenter__(self) -> Self:
        if self._bench is None:
            self._bench = await the_only_bench(self._place)
        self._topics = Topics(self._bench)
        await self._tasks.__aenter__()
        first: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.begin(self._stay_connected(first))
        try:
            await first
        except BaseException as error:
            await self.__aexit__(type(error), error, error.__traceback__)
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for task in self._beside:
            task.cancel()
        # an error of the body stays what it is, outside any group; a cancellation is the group's to judge
        cancelled = error if isinstance(error, asyncio.CancelledError) else None
        await self._tasks.__aexit__(None if cancelled is None else type(cancelled), cancelled, trace)

    async def first_state(self, *, within_s: float = STATE_WITHIN_S) -> BenchState:
        """What the bench says of itself. Raises `NoAnswer` and `NotReadable`."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await self._state_came.wait()
        if self._state is not None:
            return self._state
        if (sentence := self._unreadable.get(self._topics.state)) is not None:
            raise NotReadable(sentence)
        raise NoAnswer(self._nobody())

    @contextlib.contextmanager
    def watching(self, *, capacity: int = 1000) -> Iterator[Watch]:
        """News of the bench from now on, to be iterated over; several may watch."""
        watch = Watch(capacity=capacity)
        self._watches.append(watch)
        try:
            yield watch
        finally:
            self._watches.remove(watch)

    async def ask(
        self,
        name: CommandName,
        arguments: Mapping[str, object] | None = None,
        *,
        fence: int | None = None,
        on_progress: Callable[[Reply], None] | None = None,
        next_within_s: float = NEXT_ANSWER_WITHIN_S,
    ) -> Reply:
        """Ask, and return the last answer; `on_progress` sees those before it.

        Refused and failed is an answer too: its `stage` and `sentence` say so. Raises `WrongArguments`, and `NoAnswer`
        where nothing comes: then nobody knows here whether the command was obeyed.
        """
        id_ = uuid.uuid4().hex
        answers: asyncio.Queue[Reply] = asyncio.Queue()
        self._asked[id_] = _Asked(name=name, payload=self._payload(name, id_, arguments, fence), answers=answers)
        try:
            await self._send(id_)
            within_s, said = self._first_within_s, ""
            while True:
                try:
                    async with asyncio.timeout(within_s):
                        reply = await answers.get()
                except TimeoutError:
                    raise NoAnswer(self._silence(name, said, within_s)) from None
                if reply.last:
                    return reply
                within_s, said = next_within_s, reply.sentence or reply.stage
                if on_progress is not None:
                    on_progress(reply)
        finally:
            del self._asked[id_]

    def control(self, *, lease_s: float = USUAL_LEASE_S) -> ControlKept:
        """Control of the bench while the context lasts, renewed at a third of the lease and released at its end."""
        return ControlKept(self, lease_s=lease_s)

    def tell(self, news: News) -> None:
        """Give news to everybody who watches."""
        for watch in self._watches:
            watch.put(news)

    def begin(self, job: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Run something beside, for as long as the client lives at most."""
        task = self._tasks.create_task(job)
        self._beside.add(task)
        task.add_done_callback(self._beside.discard)
        return task

    async def _stay_connected(self, first: asyncio.Future[None]) -> None:
        """Hold one connection after the other; how the first attempt went is told to `first`."""
        wait_s, again = AGAIN_AFTER_S, False
        while True:
            try:
                async with connected(self._place, self._subscriptions(), again=again) as mqtt:
                    self._mqtt, wait_s, again = mqtt, AGAIN_AFTER_S, True
                    if first.done():
                        self.tell(Broker(answers=True, sentence=f"The broker at {self.broker} answers again."))
                    else:
                        first.set_result(None)
                    for id_ in list(self._asked):  # the same id gets the same answer and acts once
                        await self._send(id_)
                    async for message in mqtt.messages:
                        self._take(message)
            except (aiomqtt.MqttError, ClientError) as error:
                if not first.done():
                    first.set_exception(error if isinstance(error, ClientError) else NoBroker(self._lost(error)))
                    return
                if self._mqtt is not None:
                    self._mqtt = None
                    self.tell(Broker(answers=False, sentence=self._lost(error)))
            await asyncio.sleep(wait_s)
            wait_s = min(wait_s * 2.0, AGAIN_AT_MOST_S)

    def _subscriptions(self) -> list[tuple[str, int]]:
        topics = self._topics
        wanted = [(topics.reply(self.client), 1), (topics.meta, 1), (topics.state, 1)]
        wanted += [(topics.event, 1), (topics.run("+"), 1)]
        return [*wanted, (topics.data("+"), 0)] if self._data else wanted

    async def _send(self, id_: str) -> None:
        """Send what was asked; without a connection the next one does it."""
        mqtt, asked = self._mqtt, self._asked.get(id_)
        if mqtt is None or asked is None:
            return
        topic, answer_on = self._topics.command(asked.name), self._topics.reply(self.client)
        with contextlib.suppress(aiomqtt.MqttError):
            await publish(mqtt, topic, asked.payload, answer_on=answer_on, correlation=id_.encode())

    def _payload(self, name: CommandName, id_: str, arguments: Mapping[str, object] | None, fence: int | None) -> bytes:
        asked: dict[str, object] = {
            "id": id_,
            "client": self.client,
            "issued_at": dt.datetime.now(dt.UTC).isoformat().replace("+00:00", "Z"),
            "arguments": dict(arguments or {}),
        }
        if fence is not None:
            asked["fence"] = fence
        payload = json.dumps(asked, ensure_ascii=False).encode("utf-8", "replace")
        try:
            MODELS[name].model_validate_json(payload)
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False)[0]
            what = ".".join(str(part) for part in first["loc"] if part != "arguments") or "a message"
            given = first.get("input")
            shown = f" '{given}'" if isinstance(given, str) else ""
            if first["type"] == "string_pattern_mismatch":
                raise WrongArguments(f"{what}{shown} is nothing that {name} takes: {NAMES_AND_WORDS}") from None
            raise WrongArguments(f"{what}{shown} is nothing that {name} takes: {first['msg']}.") from None
        return payload

    def _take(self, message: aiomqtt.Message) -> None:
        """Give one message to whom it concerns."""
        topic, payload = str(message.topic), payload_of(message)
        if not payload:
            return  # somebody removed a retained message
        head, _, last = topic.removeprefix(f"{self._topics.root}/").rpartition("/")
        try:
            if head == "reply":
                self._answered(Reply.model_validate_json(payload), correlation_of(message))
            elif last == "state":
                self._state = BenchState.model_validate_json(payload)
                self._state_came.set()
                self.tell(self._state)
            elif last == "meta":
                self._meta = Meta.model_validate_json(payload)
                self.tell(self._meta)
            elif head == "data":
                self.tell(GroupData(group=last, data=Data.model_validate_json(payload)))
            else:
                model = Event if last == "event" else RunAnnouncement
                told = model.model_validate_json(payload)
                if not self._seen.again(told.id):
                    self.tell(told)
        except (ValidationError, ValueError, RecursionError) as error:
            self._cannot_read(topic, error)
        else:
            self._unreadable.pop(topic, None)

    def _answered(self, reply: Reply, correlation: bytes | None) -> None:
        """A reply without an id is to a message that could not be read: the correlation data tell which."""
        asked = self._asked.get(reply.id) or self._asked.get((correlation or b"").decode("utf-8", "replace"))
        if asked is not None and (reply.last or asked.answers.qsize() < ANSWERS_AT_MOST):
            asked.answers.put_nowait(reply)

    def _cannot_read(self, topic: str, error: Exception) -> None:
        if topic in self._unreadable or len(self._unreadable) >= UNREADABLE_AT_MOST:
            return
        what = type(error).__name__
        if isinstance(error, ValidationError):
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            what = ": ".join(filter(None, (".".join(map(str, first["loc"])), first["msg"])))[:200]
        sentence = (
            f"What stands on {topic} cannot be read ({what}): it is of another version of the interface or not of a "
            "bench; compare the releases of client and daemon."
        )
        self._unreadable[topic] = sentence
        if topic == self._topics.state:
            self._state_came.set()
        self.tell(Unreadable(topic=topic, sentence=sentence))

    def _lost(self, error: Exception) -> str:
        return f"The broker at {self.broker} does not answer any more ({error}); the bench goes on by itself."

    def _nobody(self) -> str:
        return f"Nobody answers on {self._topics.root}: is the daemon running and the name right?"

    def _silence(self, name: CommandName, said: str, within_s: float) -> str:
        if self._mqtt is None:
            return (
                f"The broker at {self.broker} went away before {name} was answered, and whether it was obeyed is not "
                "known here: look at the bench's state once the broker is back."
            )
        if self._state is not None and not self._state.online:
            since = self._state.utc.astimezone(dt.UTC).strftime("%Y-%m-%d %H:%M:%S")
            return f"The daemon of bench {self.bench} left the broker at {self.broker} ({since} UTC): is it running?"
        if said:
            return f'{self.bench} said "{said}" to {name} and then nothing for {within_s:.0f} s: look at its state.'
        return self._nobody()
