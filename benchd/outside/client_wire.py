"""One MQTT connection of a client, made and ended. It reads no message and decides nothing."""

import asyncio
import contextlib
import logging
import math
import socket
import uuid
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

KEEPALIVE_S = 5  # a frozen broker is noticed within twice that
TIMEOUT_S = 5.0
QUEUED_AT_MOST = 2000
LARGEST_PACKET_BYTES = 1_000_000  # nothing of a bench is near it; the broker keeps larger ones from us
_FAILED = 0x80  # reason codes from here on (MQTT 5, 2.4)
_silent = logging.getLogger("benchd.client")  # what a library says is no sentence for a person
_silent.addHandler(logging.NullHandler())
_silent.propagate = False


class ClientError(Exception):
    """What keeps a client from its bench, in one sentence."""


class NoBroker(ClientError):
    """Nobody answers there, or not to us."""


class NotPermitted(ClientError):
    """The broker knows us and does not let us read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the broker is and who asks."""

    host: str
    port: int
    client: str
    username: str | None = None
    password: str | None = None
    keep_s: int = 0  # how long the broker keeps what could not be delivered
    # two programs under one name must not throw each other off the broker
    identifier: str = field(default_factory=lambda: f"benchd-client-{uuid.uuid4().hex}")

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class _Bounded(asyncio.Queue[aiomqtt.Message]):
    """Drops the oldest where the reader does not keep up."""

    def put_nowait(self, item: aiomqtt.Message) -> None:
        if self.full():
            self.get_nowait()
        super().put_nowait(item)


@contextlib.asynccontextmanager
async def connected(place: Place, topics: Sequence[tuple[str, int]], *, again: bool) -> AsyncIterator[aiomqtt.Client]:
    """A connection that is subscribed to `topics`, each with its quality of service; `again` continues an earlier one.

    Raises `NoBroker` and `NotPermitted`; whatever happens later on the connection is aiomqtt's `MqttError`.
    """
    client = aiomqtt.Client(
        place.host,
        place.port,
        username=place.username,
        password=place.password,
        identifier=place.identifier,
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=not (again and place.keep_s),
        properties=_connect_properties(place),
        keepalive=KEEPALIVE_S,
        timeout=math.inf,  # its own limits are asyncio.wait_for, which may lose a cancellation on Python 3.11
        queue_type=_Bounded,
        max_queued_incoming_messages=QUEUED_AT_MOST,
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        logger=_silent,
    )
    try:
        async with _in_time():
            await client.__aenter__()
    except BaseException as error:
        client._client.disconnect()  # noqa: SLF001 - aiomqtt leaves the socket of a refused connection open
        if isinstance(error, aiomqtt.MqttError):
            raise NoBroker(_why_not(place, error)) from error
        raise
    try:
        async with _in_time():
            await _subscribe(client, place, topics)
        yield client
    finally:
        with contextlib.suppress(aiomqtt.MqttError):
            async with _in_time():
                await client.__aexit__(None, None, None)


@contextlib.asynccontextmanager
async def _in_time() -> AsyncIterator[None]:
    """Raises `MqttError` where the broker takes longer than it may."""
    try:
        async with asyncio.timeout(TIMEOUT_S):
            yield
    except TimeoutError:
        raise aiomqtt.MqttError(f"nothing came within {TIMEOUT_S:g} s") from None


async def publish(client: aiomqtt.Client, topic: str, payload: bytes, *, answer_on: str, correlation: bytes) -> None:
    """Publish one question, delivered at least once, with the topic and the data of its answers."""
    properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ResponseTopic = answer_on
    properties.CorrelationData = correlation
    async with _in_time():
        await client.publish(topic, payload, qos=1, properties=properties)


def correlation_of(message: aiomqtt.Message) -> bytes | None:
    """The correlation data of an answer."""
    found: Any = getattr(message.properties, "CorrelationData", None)
    return found if isinstance(found, bytes) else None


def payload_of(message: aiomqtt.Message) -> bytes:
    """The bytes of a message."""
    payload: Any = message.payload
    return payload if isinstance(payload, bytes) else bytes(payload or b"")


def _connect_properties(place: Place) -> Any:
    properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = place.keep_s
    properties.MaximumPacketSize = LARGEST_PACKET_BYTES
    return properties


async def _subscribe(client: aiomqtt.Client, place: Place, topics: Sequence[tuple[str, int]]) -> None:
    options = [(topic, SubscribeOptions(qos=quality)) for topic, quality in topics]
    granted = await client.subscribe(options)
    for (topic, _), reason in zip(topics, granted, strict=False):
        value: Any = getattr(reason, "value", reason)
        if value >= _FAILED:
            who = "without a user name" if place.username is None else f"as {place.username}"
            raise NotPermitted(
                f"The broker at {place} does not let us read {topic} {who} ({reason}): ask for the right."
            )


def _why_not(place: Place, error: aiomqtt.MqttError) -> str:
    reason = getattr(error, "rc", None)
    if isinstance(reason, ReasonCode) and reason.value in {0x86, 0x87}:
        given = (
            "is there a user name to give?" if place.username is None else f"are {place.username} and password right?"
        )
        return f"The broker at {place} does not let us in ({reason}): {given}"
    if isinstance(reason, ReasonCode):
        return f"The broker at {place} refuses the connection ({reason}): it must speak MQTT 5."
    why = str(error).strip() or type(error).__name__
    return f"No MQTT broker answers at {place} ({why}): is it running, and are name and port right?"
