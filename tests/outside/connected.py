"""The daemon's side of the broker as the tests run it, and plain paho-mqtt as the peer on the other side."""

import asyncio
import contextlib
import datetime as dt
import json
import queue
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.outside.admission import Arrived, Return
from benchd.outside.broker import Broker, BrokerSettings
from benchd.outside.commands import Reply
from benchd.outside.messages import BenchState, Event
from benchd.outside.outbox import Outbox
from benchd.outside.spool import Spool
from benchd.outside.topics import Topics

TOPICS = Topics("x")
OFFLINE = b'{"online":false}'


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


class Side:
    """Broker, outbox and spool, with what they told."""

    def __init__(self, folder: Path, port: int, disk: ThreadPoolExecutor, settings: dict[str, Any]) -> None:
        async def offload(slow: Callable[[], object]) -> object:
            return await asyncio.get_running_loop().run_in_executor(disk, slow)

        self.commands: list[Arrived] = []
        self.changes: list[tuple[bool, str]] = []
        self.refused: list[str] = []
        self.on_command: Callable[[Arrived], None] = lambda _: None
        self.spool = Spool(folder / "spool", offload=offload)
        self.outbox = Outbox(TOPICS, self.spool)
        self.broker = Broker(
            BrokerSettings(**{"host": "127.0.0.1", "port": port, **settings}),
            topics=TOPICS,
            outbox=self.outbox,
            last_will=OFFLINE,
            client_id="bench-x",
            on_command=self._command,
            on_change=lambda well, sentence: self.changes.append((well, sentence)),
            on_refused=self.refused.append,
        )

    def _command(self, arrived: Arrived) -> None:
        self.commands.append(arrived)
        self.on_command(arrived)

    def event(self, id_: str) -> None:
        self.outbox.event(Event(id=id_, utc=now(), event="told"))

    def state(self, because: str = "") -> None:
        self.outbox.state(BenchState(online=True, utc=now(), session="s", because=because))

    def answer(self, arrived: Arrived) -> None:
        """Answer everything at once."""
        self.outbox.reply(
            Return(topic=arrived.response_topic, correlation_data=arrived.correlation_data),
            Reply(id="c", command="programmes", stage="done", state="Idle", utc=now()),
        )

    @property
    def ups_and_downs(self) -> list[bool]:
        return [well for well, _ in self.changes]


@contextlib.asynccontextmanager
async def side(folder: Path, port: int, **settings: Any) -> AsyncIterator[Side]:
    """Running; left in order by cancelling, as the daemon does."""
    with ThreadPoolExecutor(max_workers=1) as disk:
        made = Side(folder, port, disk, settings)
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(made.spool.run()), group.create_task(made.broker.run())]
            await asyncio.sleep(0)
            try:
                yield made
            finally:
                for task in tasks:
                    task.cancel()


async def until(condition: Callable[[], object], *, within_s: float = 10.0) -> None:
    async with asyncio.timeout(within_s):
        while not condition():
            await asyncio.sleep(0.005)


class Peer:
    """Plain paho-mqtt in its own thread."""

    def __init__(self, port: int, protocol: int) -> None:
        self.messages: queue.Queue[paho.MQTTMessage] = queue.Queue()
        self.seen: list[paho.MQTTMessage] = []
        self._subscribed = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTProtocolVersion(protocol))
        self.client.on_message = lambda _c, _u, message: self._got(message)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_connect = lambda client, *_: self._filter and client.subscribe(self._filter, qos=1)
        self._filter = ""
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        connected = self.client.socket()
        assert isinstance(connected, socket.socket)
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.client.loop_start()

    def _got(self, message: paho.MQTTMessage) -> None:
        self.seen.append(message)
        self.messages.put(message)

    async def subscribe(self, filter_: str) -> None:
        self._filter = filter_
        self.client.subscribe(filter_, qos=1)
        await until(self._subscribed.is_set)

    async def next(self, *, within_s: float = 10.0) -> paho.MQTTMessage:
        await until(lambda: not self.messages.empty(), within_s=within_s)
        return self.messages.get_nowait()

    def on(self, topic: str) -> list[Any]:
        """What was seen on a topic, read from JSON."""
        return [json.loads(one.payload) for one in list(self.seen) if one.topic == topic]

    def command(
        self, name: str, payload: bytes = b"{}", *, correlation_data: bytes | None = None, retain: bool = False
    ) -> paho.MQTTMessageInfo:
        properties = None
        if correlation_data is not None:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ResponseTopic = TOPICS.reply("ada")
            properties.CorrelationData = correlation_data
        return self.client.publish(TOPICS.command(name), payload, qos=1, retain=retain, properties=properties)


@contextlib.contextmanager
def peer(port: int, *, protocol: int = paho.MQTTv5) -> Iterator[Peer]:
    made = Peer(port, protocol)
    try:
        yield made
    finally:
        made.client.disconnect()
        made.client.loop_stop()
