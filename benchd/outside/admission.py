"""Lets commands in or refuses them: from bytes on a topic to a command that may be obeyed. It obeys nothing itself.

Whatever the bytes are, the answer is a command, a refusal with a code and one sentence, or the first answer again; what
is refused is counted. It knows no client library, so that any bytes can be tried on it.
"""

import datetime as dt
import hashlib
import json
from collections import Counter, OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field

from pydantic import ValidationError

from benchd.outside.commands import (
    FENCED,
    FREE_STOPS,
    LONGEST_COMMAND_BYTES,
    MODELS,
    OPEN_TO_ALL_THEN,
    AnyCommand,
    Code,
    CommandName,
    Reply,
)
from benchd.outside.lease import ControlHeld, Lease, NotInControl
from benchd.outside.topics import Topics, is_name

CLOCKS_APART_S = 5.0  # how far ahead a client's clock may be
REMEMBERED = 1024  # answers that are kept however old they are
REMEMBERED_AT_MOST = 8192  # commands that are still valid; more than that at once is no person and no tool
REFUSALS_REMEMBERED = 1024  # whoever was told no must not be obeyed when the broker delivers the same message again
LONGEST_ECHO = 64  # characters of what a client wrote that an answer repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """One message as it came from the broker."""

    topic: str
    payload: bytes
    retained: bool = False
    response_topic: str | None = None
    correlation_data: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """Where an answer goes: nowhere for a message that says of no client whom to answer."""

    topic: str | None
    correlation_data: bytes | None = None


@dataclass(slots=True, kw_only=True)
class _Known:
    digest: bytes
    valid_until: dt.datetime
    reply: Reply | None = None

    def over(self, now: dt.datetime) -> bool:
        return self.valid_until < now or (self.reply is not None and self.reply.last)


@dataclass(frozen=True, slots=True, kw_only=True)
class Admitted:
    """A command to be obeyed."""

    name: CommandName
    command: AnyCommand
    to: Return


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A message that is not obeyed: refused, or known already. `reply` None: the first answer is still to come."""

    to: Return
    reply: Reply | None
    code: Code


@dataclass(slots=True)
class Admission:
    """The gate of one bench. `utc_now` and `now_mono_s` are the daemon's clock, `state` its present state's title."""

    topics: Topics
    lease: Lease
    utc_now: Callable[[], dt.datetime]
    now_mono_s: Callable[[], float]
    state: Callable[[], str]
    refused: Counter[Code] = field(default_factory=Counter)
    repeated: int = 0
    admitted: int = 0
    _known: OrderedDict[tuple[str, str], _Known] = field(default_factory=OrderedDict)
    _told_no: OrderedDict[bytes, Reply] = field(default_factory=OrderedDict)

    def consider(self, arrived: Arrived) -> Admitted | Answered:
        """What becomes of a message on a command topic. Never raises, whatever the message."""
        to = self._return(arrived)
        name = self.topics.command_name(arrived.topic) or ""
        if arrived.retained:
            sentence = "A retained command is nobody asking now: publish it without the retain flag and delete it."
            return self._refuse(name, "", to, Code.RETAINED, sentence)
        if len(arrived.payload) > LONGEST_COMMAND_BYTES:
            sentence = f"A command has at most {LONGEST_COMMAND_BYTES} bytes, this one {len(arrived.payload)}."
            return self._refuse(name, "", to, Code.OVERSIZED, sentence)
        try:
            asked = CommandName(name)
        except ValueError:
            sentence = f"There is no command of that name: choose one of {', '.join(CommandName)}."
            id_, client = _who(arrived.payload)
            return self._refuse(name, id_, self._else_to(client, to), Code.UNKNOWN_COMMAND, sentence)
        try:
            command = MODELS[asked].model_validate_json(arrived.payload)
        except (ValidationError, ValueError, RecursionError) as error:
            id_, client = _who(arrived.payload)
            return self._refuse(name, id_, self._else_to(client, to), Code.MALFORMED, _what_is_wrong(asked, error))
        to = self._else_to(command.client, to)
        return self._judge(asked, command, to, hashlib.sha256(arrived.topic.encode() + arrived.payload).digest())

    def answered(self, client: str, reply: Reply) -> None:
        """Remember the latest answer to a command, for whoever asks the same again."""
        known = self._known.get((client, reply.id))
        if known is not None:
            known.reply = reply

    def _return(self, arrived: Arrived) -> Return:
        """Only a reply topic of this bench is answered on: nobody makes the daemon publish anywhere else."""
        topic = arrived.response_topic
        if topic is not None and not self.topics.is_reply(topic):
            topic = None
        return Return(topic=topic, correlation_data=arrived.correlation_data)

    def _else_to(self, client: str, to: Return) -> Return:
        """Where a client is answered that gave no topic for it."""
        if to.topic is not None or not client:
            return to
        return Return(topic=self.topics.reply(client), correlation_data=to.correlation_data)

    def _judge(self, name: CommandName, command: AnyCommand, to: Return, digest: bytes) -> Admitted | Answered:
        now = self.utc_now()
        told_no = self._told_no.get(digest)
        if told_no is not None:
            self.repeated += 1
            return Answered(to=to, reply=told_no, code=told_no.code)
        who = (command.client, command.id)
        known = self._known.get(who)
        again = name in FREE_STOPS and known is not None and (known.digest != digest or known.over(now))
        if known is not None and not again:  # a stop that was asked before is no reason not to stop now
            if known.digest != digest:
                sentence = f"The id {command.id} was used for another command: give every command a new one."
                return self._refuse(name, command.id, to, Code.ID_REUSED, sentence)
            self.repeated += 1
            return Answered(to=to, reply=known.reply, code=Code.OK if known.reply is None else known.reply.code)
        refused = self._untimely(name, command, now) or self._unfenced(name, command)
        room = refused is None and self._make_room(now)
        if refused is None and not room and name not in FREE_STOPS:
            refused = (Code.BUSY, "More commands came at once than can be remembered: wait a minute.")
        if refused is not None:
            return self._remembered(self._refuse(name, command.id, to, *refused), digest)
        if room:  # a stop is obeyed without: obeyed twice it does no harm
            self._known.pop(who, None)
            self._known[who] = _Known(digest=digest, valid_until=_plus(command.issued_at, command.ttl_s, now))
        self.admitted += 1
        return Admitted(name=name, command=command, to=to)

    def _remembered(self, refusal: Answered, digest: bytes) -> Answered:
        if refusal.reply is not None:
            self._told_no[digest] = refusal.reply
        while len(self._told_no) > REFUSALS_REMEMBERED:
            self._told_no.popitem(last=False)
        return refusal

    def _untimely(self, name: CommandName, command: AnyCommand, now: dt.datetime) -> tuple[Code, str] | None:
        if name in FREE_STOPS:
            return None
        age_s = (now - command.issued_at).total_seconds()
        if age_s > command.ttl_s:
            return Code.LATE, (
                f"It was asked {age_s:.1f} s ago and was to be obeyed within {command.ttl_s:g} s: ask again, and "
                "compare the clocks if you just did."
            )
        if age_s < -CLOCKS_APART_S:
            return Code.FUTURE, f"It was asked {-age_s:.1f} s from now: set the clocks of both computers."
        return None

    def _unfenced(self, name: CommandName, command: AnyCommand) -> tuple[Code, str] | None:
        if name not in FENCED or (name in OPEN_TO_ALL_THEN and self.lease.kept):
            return None
        try:
            self.lease.check(command.client, fence=command.fence, now_mono_s=self.now_mono_s())
        except ControlHeld as held:
            return Code.CONTROL_HELD, str(held)
        except NotInControl as error:
            return Code.NOT_IN_CONTROL, str(error)
        return None

    def _make_room(self, now: dt.datetime) -> bool:
        """Forget what is too late to be obeyed anyway; False where nothing can be forgotten."""
        while len(self._known) >= REMEMBERED:
            oldest = next(iter(self._known))
            if self._known[oldest].valid_until >= now and len(self._known) < REMEMBERED_AT_MOST:
                return True
            if self._known[oldest].valid_until >= now:
                return False
            del self._known[oldest]
        return True

    def _refuse(self, name: str, id_: str, to: Return, code: Code, sentence: str) -> Answered:
        self.refused[code] += 1
        reply = Reply(
            id=id_,
            command=_printable(name[:LONGEST_ECHO]),
            stage="rejected",
            code=code,
            sentence=_printable(sentence),
            state=self.state(),
            utc=self.utc_now(),
        )
        return Answered(to=to, reply=reply, code=code)


def _plus(issued_at: dt.datetime, ttl_s: float, now: dt.datetime) -> dt.datetime:
    """When a command is too late; for a stop, whatever its clock says, a while from now."""
    ahead_s = min(max((issued_at - now).total_seconds(), 0.0), CLOCKS_APART_S)
    return now + dt.timedelta(seconds=ahead_s + ttl_s)


def _printable(text: str) -> str:
    """Without what would move the cursor of a terminal that shows it."""
    return "".join(character if character.isprintable() else "\N{REPLACEMENT CHARACTER}" for character in text)


def _who(payload: bytes) -> tuple[str, str]:
    """The id and the client of a message that is no command, as far as it can be read, so that it can be answered."""
    try:
        read = json.loads(payload)
    except (ValueError, RecursionError):
        return "", ""
    if not isinstance(read, dict):
        return "", ""
    id_, client = (one if isinstance(one, str) and is_name(one) else "" for one in (read.get("id"), read.get("client")))
    return id_, client


def _what_is_wrong(name: CommandName, error: Exception) -> str:
    if not isinstance(error, ValidationError):
        return f"{name} could not be read ({type(error).__name__}): send one JSON object in UTF-8."
    first = error.errors(include_url=False, include_context=False)[0]
    if first["type"] == "json_invalid":
        return f"{name} is not sound JSON ({first['msg']}): send one object."
    place = ".".join(str(part)[:LONGEST_ECHO] for part in first["loc"]) or "the message"
    more = error.error_count() - 1
    rest = f" and {more} more" if more else ""
    return f"{place} of {name}: {first['msg'][:300]}{rest}; the interface document says what it must be."
