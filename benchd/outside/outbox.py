"""What waits to be published: replies, bench, state, events and data, each with its own bound. It sends nothing.

Nothing here ever waits: what does not fit is dropped and counted.

Whoever sends takes in this order: replies, meta and state (only the newest of each), the spool's head, data. Messages
become JSON when they are put, in some 10 to 50 microseconds; data only when they are sent.
"""

from collections.abc import Callable
from dataclasses import dataclass

from benchd.outside.admission import Return
from benchd.outside.bounded import Bounded
from benchd.outside.commands import Reply
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement
from benchd.outside.spool import Spool
from benchd.outside.spool_files import Kept
from benchd.outside.topics import Topics

REPLIES = 256
REPLIES_BYTES = 4 * 2**20
FRAMES = 64  # of all data groups together: what is older than a second says nothing about now


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outgoing:
    """One message as it goes to the broker."""

    topic: str
    payload: bytes
    retain: bool = False
    correlation_data: bytes | None = None
    kept: Kept | None = None


class Outbox:
    """The way out of the daemon. `wake` is called whenever something is put; whoever sends sets it."""

    def __init__(self, topics: Topics, spool: Spool) -> None:
        self.wake: Callable[[], None] = lambda: None
        self.spool = spool
        self.replies_sent = 0  # acknowledged
        self.replies_refused = 0
        self.retained_sent = 0
        self.retained_refused = 0
        self.data_sent = 0  # handed to the network: nobody acknowledges data
        self._topics = topics
        self._replies: Bounded[Outgoing] = Bounded(at_most=REPLIES, at_most_bytes=REPLIES_BYTES)
        self._newest: dict[str, bytes] = {}  # by topic
        self._unsent: list[str] = []
        self._frames: Bounded[tuple[str, Data]] = Bounded(at_most=FRAMES, at_most_bytes=0)
        spool.on_ready = self._woken

    @property
    def replies_dropped(self) -> int:
        """Replies that nobody will get: too many waited."""
        return self._replies.dropped

    @property
    def data_dropped(self) -> int:
        """Frames that were too old by the time they could be sent."""
        return self._frames.dropped

    @property
    def waiting(self) -> int:
        """Everything that waits here, the spool's messages not counted."""
        return len(self._replies) + len(self._unsent) + len(self._frames)

    def meta(self, meta: Meta) -> None:
        """What the bench is, from now on; sent again after every connection."""
        self._retain(self._topics.meta, meta.model_dump_json().encode())

    def state(self, state: BenchState) -> None:
        """How the bench is, from now on; sent again after every connection."""
        self._retain(self._topics.state, state.model_dump_json().encode())

    def data(self, group: str, data: Data) -> None:
        """The latest values of a group."""
        self._frames.put((group, data))
        self._woken()

    def event(self, event: Event) -> None:
        """Something that happened; kept until the broker has it."""
        self.spool.put(self._topics.event, event.id, event.model_dump_json().encode())

    def run(self, announcement: RunAnnouncement) -> None:
        """Something about a run; kept until the broker has it."""
        payload = announcement.model_dump_json().encode()
        self.spool.put(self._topics.run(announcement.run), announcement.id, payload)

    def reply(self, to: Return, reply: Reply) -> None:
        """An answer to whoever can be answered."""
        if to.topic is None:
            return
        payload = reply.model_dump_json().encode()
        one = Outgoing(topic=to.topic, payload=payload, correlation_data=to.correlation_data)
        self._replies.put(one, size_bytes=len(payload))
        self._woken()

    def connected(self) -> None:
        """A broker is there anew: it needs meta and state, and nobody needs the values of the past."""
        self._unsent = [topic for topic in (self._topics.meta, self._topics.state) if topic in self._newest]
        self._frames.drop_all()

    def take_reply(self) -> Outgoing | None:
        """The next reply."""
        return self._replies.take()

    def return_reply(self, reply: Outgoing) -> None:
        """One that was not acknowledged before the connection was lost: first in the queue again."""
        self._replies.put_back(reply, size_bytes=len(reply.payload))

    def take_retained(self) -> Outgoing | None:
        """The newest meta or state that was not sent yet."""
        if not self._unsent:
            return None
        topic = self._unsent.pop(0)
        return Outgoing(topic=topic, payload=self._newest[topic], retain=True)

    def take_data(self) -> Outgoing | None:
        """The oldest frame that waits."""
        frame = self._frames.take()
        if frame is None:
            return None
        group, data = frame
        return Outgoing(topic=self._topics.data(group), payload=data.model_dump_json().encode())

    def _retain(self, topic: str, payload: bytes) -> None:
        self._newest[topic] = payload
        if topic not in self._unsent:
            self._unsent.append(topic)
        self._woken()

    def _woken(self) -> None:
        self.wake()
