"""Keeps the bench connected to its MQTT broker: publishes what waits in the outbox, hands over what is asked.

It must never make anything in the daemon wait, whatever the broker does, and never decide what a command means.
"""

import asyncio
import contextlib
import math
import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from benchd.outside.admission import Arrived
from benchd.outside.bounded import Bounded
from benchd.outside.commands import FREE_STOPS
from benchd.outside.connection import FAILURE, UNREADABLE, Connection, ConnectionGone
from benchd.outside.outbox import Outbox, Outgoing
from benchd.outside.topics import Topics

SHORTEST_WAIT_S, LONGEST_WAIT_S = 0.2, 5.0
STEADY_S = 30.0  # a connection that lasted so long was a good one: the next wait is short again
OPEN_WITHIN_S = 3.0
LEAVE_WITHIN_S = 0.5
LOOK_EVERY_S = 0.25
REPLIES_ON_THE_WAY = 8  # unacknowledged at a time; of meta and state one, of the spool one
FRAMES_A_STEP = 4
ARRIVED, ARRIVED_BYTES = 256, 2**20
STOPS, STOPS_BYTES = 64, 2**18
COMMANDS_PER_S, COMMANDS_AT_ONCE = 500.0, 100.0  # more than any person and tool; the rest of a flood is dropped
# What a broker refuses for the message itself (MQTT 5, 3.4.2.1 and 4.13): it would refuse it for ever.
TOPIC_INVALID = 0x90
HOPELESS = frozenset({TOPIC_INVALID, 0x95, 0x99})
# These may be taken another time; anything else is given up after so many attempts, not to keep the rest for ever.
NOT_YET = frozenset({0x87, 0x97})  # not authorised, quota exceeded
ATTEMPTS = 10
PROPERTIES_BYTES = 64  # of a packet, beside topic, payload and correlation data


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Where the broker is. A broker that was silent for `keepalive_s` is given up."""

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | str | None = None
    keepalive_s: float = 5.0


class Broker:
    """The bench's one client of the broker. `run` it as a task; cancelled, it says "offline" and takes leave.

    `last_will` is the retained state that the broker publishes when the daemon is gone; `offline` makes the one for
    leaving in order. `on_command` gets each message of `topics.commands`; Stop and Abort go before others. What it
    raises ends `run`. `on_state` gets what others publish as this bench's state. `on_change` hears once that the
    connection is lost (False) and once that it is back (True), `on_refused` once that the broker does not take a kind
    of message, each with a sentence.

    Raises OSError (also `ssl.SSLError`) when the settings' CA file cannot be used.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        topics: Topics,
        outbox: Outbox,
        last_will: bytes,
        client_id: str,
        on_command: Callable[[Arrived], None],
        on_change: Callable[[bool, str], None],
        on_refused: Callable[[str], None] = lambda _sentence: None,
        offline: Callable[[], bytes] | None = None,
        on_state: Callable[[bytes], None] = lambda _payload: None,
    ) -> None:
        self.connected = False
        self.connections = 0
        self.arrived = 0
        self.unreadable = 0
        self.unacknowledged = 0  # attempts that the broker refused; what is in the spool is sent again
        self.name = f"The broker at {settings.host}:{settings.port}"
        self._settings = settings
        self._tls = None if settings.ca_file is None else ssl.create_default_context(cafile=settings.ca_file)
        self._topics = topics
        self._outbox = outbox
        self._last_will = last_will
        self._client_id = client_id
        self._on_command = on_command
        self._on_change = on_change
        self._on_refused = on_refused
        self._offline = offline
        self._on_state = on_state
        self._wake = asyncio.Event()
        self._arrival = asyncio.Event()
        self._stops: Bounded[Arrived] = Bounded(at_most=STOPS, at_most_bytes=STOPS_BYTES)
        self._others: Bounded[Arrived] = Bounded(at_most=ARRIVED, at_most_bytes=ARRIVED_BYTES)
        self._stop_topics = frozenset(topics.command(name) for name in FREE_STOPS)
        self._on_the_way: dict[int, tuple[Outgoing, float]] = {}
        self._told: bool | None = None
        self._told_refused: set[str] = set()
        self._kept_attempts = 0
        self._kept_wait_s = SHORTEST_WAIT_S
        self._kept_again_mono_s = 0.0
        self._pinged_mono_s = 0.0
        outbox.wake = self._wake.set

    @property
    def arrivals_dropped(self) -> int:
        """Commands that were not considered: more came at once than can be."""
        return self._stops.dropped + self._others.dropped

    async def run(self) -> None:
        """Connect, forward, connect again, for ever."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._hand_over(), name="commands")
            group.create_task(self._look_again(), name="broker's silence")
            group.create_task(self._stay_connected(), name="broker")

    async def _stay_connected(self) -> None:
        wait_s = SHORTEST_WAIT_S
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            sentence = await self._one_connection()
            self._tell(well=False, sentence=sentence)
            if loop.time() - began_s > STEADY_S:
                wait_s = SHORTEST_WAIT_S
            await asyncio.sleep(wait_s)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)

    async def _one_connection(self) -> str:
        """From connecting to the loss, which is told in a sentence."""
        wire = Connection(
            name=self.name, on_message=self._on_arrived, on_confirmed=self._on_confirmed, on_writable=self._wake.set
        )
        settings = self._settings
        try:
            async with asyncio.timeout(OPEN_WITHIN_S):
                await wire.open(
                    settings.host,
                    settings.port,
                    client_id=self._client_id,
                    username=settings.username,
                    password=settings.password,
                    tls=self._tls,
                    keepalive_s=math.ceil(settings.keepalive_s),
                    will=(self._topics.state, self._last_will),
                )
                await wire.subscribe(self._topics.commands, self._topics.state)
            self.connected = True
            self.connections += 1
            self._outbox.connected()
            self._tell(well=True, sentence=f"{self.name} is there.")
            await self._forward(wire)
        except TimeoutError:
            return f"{self.name} does not answer; events are kept until it does."
        except ConnectionGone as gone:
            return f"{gone}; events are kept until it is there."
        except UnicodeError as error:
            return f"{self.name} cannot be reached ({error}): mend its name."
        except asyncio.CancelledError:
            if self.connected:
                await self._leave(wire)
            raise
        finally:
            self.connected = False
            self.unreadable += wire.unreadable
            self._take_back(wire.reason)
            wire.close()

    async def _forward(self, wire: Connection) -> NoReturn:
        """Send whatever waits until the connection is lost. Raises `ConnectionGone`."""
        while True:
            self._look_after(wire)
            self._send_all(wire)
            await self._wake.wait()
            self._wake.clear()

    async def _look_again(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self._wake.set()

    def _look_after(self, wire: Connection) -> None:
        now = asyncio.get_running_loop().time()
        if wire.gone.done():
            raise ConnectionGone(wire.gone.result())
        silent_s = now - wire.heard_mono_s
        if silent_s > self._settings.keepalive_s:
            raise ConnectionGone(f"{self.name} was silent for {silent_s:.0f} s")
        oldest = next(iter(self._on_the_way.values()), None)
        if oldest is not None and now - oldest[1] > 2.0 * self._settings.keepalive_s:
            raise ConnectionGone(f"{self.name} acknowledges nothing")
        if now - self._pinged_mono_s > 0.4 * self._settings.keepalive_s:
            self._pinged_mono_s = now
            wire.ping()

    def _send_all(self, wire: Connection) -> None:
        outbox = self._outbox
        ways = [_way(one) for one, _ in self._on_the_way.values()]
        replies, retained, kept = (ways.count(way) for way in ("reply", "retained", "kept"))
        room = wire.window - len(ways)
        while replies < REPLIES_ON_THE_WAY and room > 0 and (reply := outbox.take_reply()) is not None:
            self._send(wire, reply)
            replies += 1
            room -= 1
        if not retained and room > 0 and (newest := outbox.take_retained()) is not None:
            self._send(wire, newest)
            room -= 1
        head = outbox.spool.head
        if head is not None and not kept and room > 0 and self._kept_again_mono_s <= asyncio.get_running_loop().time():
            self._send(wire, Outgoing(topic=head.topic, payload=head.payload, kept=head))
        wire.flush()
        for _ in range(FRAMES_A_STEP):
            if wire.backlog or (frame := outbox.take_data()) is None:
                return
            wire.publish(frame.topic, frame.payload, qos=0)
            outbox.data_sent += 1
            wire.flush()
        self._wake.set()

    def _send(self, wire: Connection, one: Outgoing) -> None:
        size = len(one.topic) + len(one.payload) + len(one.correlation_data or b"") + PROPERTIES_BYTES
        if size > wire.longest_bytes:
            self._refused(one, 0x95)
            return
        try:
            mid = wire.publish(one.topic, one.payload, qos=1, retain=one.retain, correlation_data=one.correlation_data)
        except ValueError:  # no topic at all: it would come back for ever
            self._refused(one, TOPIC_INVALID)
            return
        self._on_the_way[mid] = (one, asyncio.get_running_loop().time())

    def _on_confirmed(self, mid: int, code: int) -> None:
        one, _ = self._on_the_way.pop(mid, (None, 0.0))
        if one is None:
            return
        self._wake.set()
        if code >= FAILURE:
            self._refused(one, code)
            return
        self._told_refused.discard(_way(one))
        if one.kept is not None:
            self._kept_attempts = 0
            self._kept_wait_s = SHORTEST_WAIT_S
            self._outbox.spool.forget(one.kept)
        elif one.retain:
            self._outbox.retained_sent += 1
        else:
            self._outbox.replies_sent += 1

    def _refused(self, one: Outgoing, code: int) -> None:
        """Not taken. What may be taken another time stays in the spool; the rest is gone, and counted."""
        self.unacknowledged += 1
        if one.kept is not None:
            self._kept_attempts += code not in NOT_YET
            if code in HOPELESS or self._kept_attempts >= ATTEMPTS:
                self._kept_attempts = 0
                self._outbox.spool.forget(one.kept, refused=True)
                self._wake.set()
            self._kept_again_mono_s = asyncio.get_running_loop().time() + self._kept_wait_s
            self._kept_wait_s = min(2.0 * self._kept_wait_s, LONGEST_WAIT_S)
        elif one.retain:
            self._outbox.retained_refused += 1
        else:
            self._outbox.replies_refused += 1
        way = _way(one)
        if way not in self._told_refused:
            self._told_refused.add(way)
            self._on_refused(f"{self.name} does not take a message on {one.topic} (reason code {code}).")

    def _take_back(self, reason: int) -> None:
        """What was on the way when the connection was lost may have arrived or not: replies go once more."""
        ways = [one for one, _ in self._on_the_way.values()]
        self._on_the_way.clear()
        # a broker may end the connection for one message, and would do it every time: mosquitto 2.0.11 refuses what is
        # beyond its message_size_limit with a reason code that an acknowledgement cannot have
        blamed = ways[0] if ways and reason in HOPELESS | {UNREADABLE} else None
        for one in reversed(ways):
            if one is blamed and one.kept is not None:
                self._refused(one, reason)
            elif one is not blamed and one.kept is None and not one.retain:
                self._outbox.return_reply(one)

    async def _leave(self, wire: Connection) -> None:
        """Say that nobody is there any more, as far as the broker takes it soon."""
        payload = self._last_will if self._offline is None else self._offline()
        with contextlib.suppress(TimeoutError, ConnectionGone):
            async with asyncio.timeout(LEAVE_WITHIN_S):
                while (reply := self._outbox.take_reply()) is not None:
                    self._send(wire, reply)
                self._send(wire, Outgoing(topic=self._topics.state, payload=payload, retain=True))
                wire.flush()
                while self._on_the_way and not wire.gone.done():
                    self._wake.clear()
                    await self._wake.wait()
        wire.disconnect()

    def _on_arrived(self, message: Arrived) -> None:
        if message.topic == self._topics.state:
            self._on_state(message.payload)
            return
        self.arrived += 1
        queue = self._stops if message.topic in self._stop_topics else self._others
        queue.put(message, size_bytes=len(message.payload))
        self._arrival.set()

    async def _hand_over(self) -> None:
        """Hand commands over, one in a turn of the event loop, and no more of them than a flood may cost."""
        loop = asyncio.get_running_loop()
        allowed, at_mono_s = COMMANDS_AT_ONCE, loop.time()
        while True:
            await self._arrival.wait()
            self._arrival.clear()
            while (message := self._stops.take() or self._others.take()) is not None:
                self._on_command(message)
                now = loop.time()
                allowed = min(allowed + (now - at_mono_s) * COMMANDS_PER_S, COMMANDS_AT_ONCE) - 1.0
                at_mono_s = now
                await asyncio.sleep(0.0 if allowed > 0.0 else 0.005)

    def _tell(self, *, well: bool, sentence: str) -> None:
        if well != self._told:
            self._told = well
            self._on_change(well, sentence)


def _way(one: Outgoing) -> str:
    if one.kept is not None:
        return "kept"
    return "retained" if one.retain else "reply"
