"""One connection to a broker, from TCP to the last byte, inside the event loop.

It must never wait for the peer, never hold more than the little that was handed over, and knows nothing of what the
messages mean.

paho-mqtt makes and reads the packets of MQTT 5, all but those of `packets`; the event loop watches its socket. A
dependency that wraps paho for asyncio exists, but it tells neither the reason code of an acknowledgement nor leaves a
failed connection clean.
"""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from typing import Any, Literal

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd.outside.admission import Arrived
from benchd.outside.packets import Correlated, acknowledged_in, arrived_in, mid_in
from benchd.outside.reaching import cause_of, connected_socket

LONGEST_PACKET_BYTES = 2**18  # a broker keeps greater ones to itself (MQTT 5, 3.1.2.11.4)
UNCONFIRMED_INCOMING = 64
QOS_1 = 0x02  # in a header; nothing here is subscribed to with more
UNREADABLE = 0x82  # protocol error (MQTT 5, 2.4): the broker's or ours
FAILURE = 0x80  # reason codes from here on are failures (MQTT 5, 2.4)


class ConnectionGone(Exception):
    """The broker is not there, does not answer, or refuses; the sentence says which. Reaction: close, wait, again."""


class _Paho(paho.Client):
    """paho on a socket that is connected already, so that it never blocks on one; messages are read here."""

    def __init__(
        self,
        connected: socket.socket,
        client_id: str,
        *,
        on_arrived: Callable[[int, bytearray], None],
        on_acknowledged: Callable[[int, int], None],
    ) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=paho.MQTTv5,
            reconnect_on_failure=False,
        )
        self._connected = connected
        self._on_arrived = on_arrived
        self._on_acknowledged = on_acknowledged

    def _create_socket(self) -> socket.socket:
        return self._connected

    def _handle_publish(self) -> MQTTErrorCode:
        header, packet = self._in_packet["command"], self._in_packet["packet"]
        self._on_arrived(header, packet)
        return self._send_puback(mid_in(packet)) if header & QOS_1 else MQTTErrorCode.MQTT_ERR_SUCCESS

    def _handle_pubackcomp(self, cmd: Literal["PUBACK", "PUBCOMP"]) -> MQTTErrorCode:  # noqa: ARG002
        mid, code = acknowledged_in(self._in_packet["packet"])
        if self._out_messages.pop(mid, None) is not None:
            self._inflight_messages -= 1
            self._on_acknowledged(mid, code)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def ping(self) -> None:
        """Ask the broker for a sign of life."""
        self._send_pingreq()


class Connection:
    """A connection that `open` makes. `gone` is done, with a sentence, when it is lost; then only `close` is left.

    `on_message` gets what arrives, `on_confirmed` the message number and the reason code of each acknowledgement,
    `on_writable` is called when everything handed over has left for the network, and when a `flush` is due.
    """

    def __init__(
        self,
        *,
        name: str,
        on_message: Callable[[Arrived], None],
        on_confirmed: Callable[[int, int], None],
        on_writable: Callable[[], None],
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self.gone: asyncio.Future[str] = self._loop.create_future()
        self.reason = 0  # reason code of the end, where there is one
        self.heard_mono_s = self._loop.time()
        self.unreadable = 0  # messages whose topic is no text
        self.window = 65_535  # unacknowledged messages that the broker takes (Receive Maximum)
        self.longest_bytes = LONGEST_PACKET_BYTES
        self._name = name
        self._on_message = on_message
        self._on_confirmed = on_confirmed
        self._on_writable = on_writable
        self._client: _Paho | None = None
        self._writing = False
        self._reading = False
        self._accepted: asyncio.Future[None] = self._loop.create_future()
        self._subscribed: dict[int | None, asyncio.Future[int]] = {}

    async def open(
        self,
        host: str,
        port: int,
        *,
        client_id: str,
        username: str | None,
        password: str | None,
        tls: ssl.SSLContext | None,
        keepalive_s: int,
        will: tuple[str, bytes],
    ) -> None:
        """Connect with a clean start and a retained last will. Raises `ConnectionGone`; `close` it either way."""
        try:
            connected = await connected_socket(host, port, tls=tls)
        except OSError as error:  # ssl.SSLError is one
            raise ConnectionGone(f"{self._name} cannot be reached ({cause_of(error)})") from error
        self._client = client = _Paho(
            connected, client_id, on_arrived=self._on_arrived, on_acknowledged=self._on_confirmed
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribed
        client.on_socket_register_write = _ignore  # what is handed over leaves with `flush`
        client.on_socket_close = self._on_socket_close
        if username is not None:
            client.username_pw_set(username, password)
        client.will_set(will[0], will[1], qos=1, retain=True)
        properties = _properties(PacketTypes.CONNECT)
        properties.MaximumPacketSize = LONGEST_PACKET_BYTES
        properties.ReceiveMaximum = UNCONFIRMED_INCOMING
        client.connect(host, port, keepalive=keepalive_s, clean_start=True, properties=properties)
        self._loop.add_reader(connected, self._readable)
        self._reading = True
        self.flush()
        await self._or_gone(self._accepted)

    async def subscribe(self, filter_: str, *perhaps: str) -> None:
        """Subscribe so that retained messages of the past stay away and live retained ones are known as such.

        Raises `ConnectionGone` when it is refused; the filters that follow the first may be.
        """
        options = SubscribeOptions(
            qos=1, noLocal=True, retainAsPublished=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND
        )
        _, mid = self._open_client.subscribe([(one, options) for one in (filter_, *perhaps)])
        answer: asyncio.Future[int] = self._loop.create_future()
        self._subscribed[mid] = answer
        self.flush()
        code = await self._or_gone(answer)
        if code >= FAILURE:
            raise ConnectionGone(
                f"{self._name} refuses the subscription to {filter_} (reason code {code}): let this user read it"
            )

    def publish(
        self, topic: str, payload: bytes, *, qos: int, retain: bool = False, correlation_data: bytes | None = None
    ) -> int:
        """Hand a message over and return its number; it leaves with `flush`. Raises `ConnectionGone`."""
        properties: Any = None if correlation_data is None else Correlated(correlation_data)
        told = self._open_client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        if told.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise ConnectionGone(f"{self._name} takes nothing any more ({paho.error_string(told.rc)})")
        return told.mid

    @property
    def backlog(self) -> bool:
        """Whether something that was handed over still waits for the network."""
        return self._client is not None and self._client.want_write()

    def flush(self) -> None:
        """Write what the network takes now; the rest follows by itself."""
        client = self._client
        if client is None or self.gone.done():
            return
        self._guarded(client.loop_write)
        wanted = client.want_write() and self._reading
        if wanted == self._writing:
            return
        sock = client.socket()
        if sock is None:
            return
        self._writing = wanted
        if wanted:
            self._loop.add_writer(sock.fileno(), self._writable)
        else:
            self._loop.remove_writer(sock.fileno())

    def ping(self) -> None:
        """Ask the broker for a sign of life; `heard_mono_s` tells when the last one came."""
        self._open_client.ping()
        self.flush()

    def disconnect(self) -> None:
        """Take leave, so that no last will is sent; it leaves as far as the network takes it now."""
        if self._client is not None and not self.gone.done():
            self._client.disconnect()
            self.flush()

    def close(self) -> None:
        """Let go of the socket; legal at any time and twice."""
        client, self._client = self._client, None
        if client is None:
            return
        sock = client.socket()
        if sock is not None:
            self._unwatch(sock.fileno())
            with contextlib.suppress(OSError):
                sock.close()
        if not self.gone.done():
            self.gone.set_result(f"{self._name} was left")

    @property
    def _open_client(self) -> _Paho:
        if self._client is None:
            raise ConnectionGone(f"{self._name} was left")
        return self._client

    async def _or_gone(self, wanted: "asyncio.Future[Any]") -> Any:
        await asyncio.wait({wanted, self.gone}, return_when=asyncio.FIRST_COMPLETED)
        if wanted.done():
            return wanted.result()
        raise ConnectionGone(self.gone.result())

    def _readable(self) -> None:
        self.heard_mono_s = self._loop.time()
        client = self._client
        if client is None:
            return
        self._guarded(client.loop_read)
        sock = client.socket()
        while isinstance(sock, ssl.SSLSocket) and not self.gone.done() and sock.pending():
            self._guarded(client.loop_read)
            sock = client.socket()
        if self.backlog:
            self._on_writable()  # whoever sends flushes: an acknowledgement goes along with the reply

    def _writable(self) -> None:
        self.flush()
        if not self.backlog:
            self._on_writable()

    def _guarded(self, step: Callable[[], object]) -> None:
        """Whatever a broker sends, even no MQTT at all, is at most the end of this connection."""
        try:
            step()
        except Exception as error:  # noqa: BLE001 - paho raises what it runs into
            self.reason = UNREADABLE
            self._lost(f"{self._name} sends what is no sound MQTT 5 ({type(error).__name__}: {error})")

    def _lost(self, sentence: str) -> None:
        if not self.gone.done():
            self.gone.set_result(sentence)
        self._on_writable()

    def _unwatch(self, handle: int) -> None:
        if handle >= 0:
            self._loop.remove_reader(handle)
            self._loop.remove_writer(handle)
        self._reading = self._writing = False

    def _on_socket_close(self, _client: paho.Client, _: object, sock: Any) -> None:
        self._unwatch(sock.fileno())

    def _on_connect(
        self, _client: paho.Client, _: object, _flags: object, code: ReasonCode, properties: Properties | None
    ) -> None:
        if code.is_failure:
            self._lost(f"{self._name} refuses the connection ({code})")
            return
        self.window = getattr(properties, "ReceiveMaximum", self.window)
        self.longest_bytes = min(self.longest_bytes, getattr(properties, "MaximumPacketSize", self.longest_bytes))
        if not self._accepted.done():
            self._accepted.set_result(None)

    def _on_disconnect(
        self, _client: paho.Client, _: object, flags: paho.DisconnectFlags, code: ReasonCode, _properties: object
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self.reason = code.value
            self._lost(f"{self._name} ended the connection ({code})")
        elif code.value == UNREADABLE:
            self.reason = UNREADABLE
            self._lost(f"{self._name} sends what is no sound MQTT 5")
        else:
            self._lost(f"{self._name} closed the connection")

    def _on_subscribed(
        self, _client: paho.Client, _: object, mid: int, codes: list[ReasonCode], _properties: object
    ) -> None:
        answer = self._subscribed.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(codes[0].value)

    def _on_arrived(self, header: int, packet: bytearray) -> None:
        try:
            arrived, _, _ = arrived_in(header, packet)
        except UnicodeDecodeError:
            self.unreadable += 1
            return
        self._on_message(arrived)


def _properties(of: int) -> Any:
    make: Any = Properties  # untyped in paho
    return make(of)


def _ignore(*_: object) -> None:
    return None
