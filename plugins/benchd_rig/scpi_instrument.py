"""A SCPI instrument's message parser, dispatcher, error queue and status registers.

Its one job is one programme message in, at most one response message out, text or with blocks of bytes in it. It knows
no socket, no time and no plant; what a command does is in the handler given for it. It never raises for anything a
client sends.

Source: IEEE 488.2 (common commands, standard event status register), SCPI-99 volume 1 clauses 6.2 (header path rules)
and 9, volume 2 clause 21 (SYSTem:ERRor).
"""

import re
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import product

from benchd_rig.scpi_parameters import ERROR_TEXTS, ScpiRefusal, number, short_form

OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128

_QUEUE_LENGTH = 16
_LONGEST_MNEMONIC = 12
_NOT_PRINTABLE = re.compile(r"[^\t\x20-\x7e]")
_HEADER = re.compile(r"\*[A-Za-z]+\??|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*\??", re.ASCII)
_PATTERN_NODE = re.compile(r"(\[)?:?([A-Za-z*]+):?(\])?")
_OPENING = {"(": ")", '"': '"', "'": "'"}

Parameters = Sequence[str]
Reply = str | bytes  # bytes where a block of binary data is in it
Handler = Callable[[Parameters], Reply | None]


def spellings(pattern: str) -> Iterator[tuple[str, ...]]:
    """Each way to write a header pattern such as `[SOURce:]VOLTage[:LEVel]`, as upper-case nodes without `?`."""
    nodes: list[tuple[tuple[str, ...], ...]] = []
    for optional, name, _ in _PATTERN_NODE.findall(pattern.removesuffix("?")):
        forms = {(name.upper(),), (short_form(name),)}
        nodes.append((*forms, ()) if optional else tuple(forms))
    for picked in product(*nodes):
        yield tuple(word for part in picked for word in part)


def split_outside(text: str, separator: str) -> list[str]:
    """Split at a separator outside quotes and parentheses; parts without surrounding blanks."""
    if not any(mark in text for mark in _OPENING):
        return [part.strip() for part in text.split(separator)]
    parts: list[str] = []
    start = 0
    closing = ""
    for index, letter in enumerate(text):
        if closing:
            if letter == closing:
                closing = ""
        elif letter in _OPENING:
            closing = _OPENING[letter]
        elif letter == separator:
            parts.append(text[start:index].strip())
            start = index + 1
    parts.append(text[start:].strip())
    return parts


class ScpiInstrument:
    """One instrument's command tree. `identity` is asked at each `*IDN?`, `reset` is what `*RST` does."""

    def __init__(self, *, identity: Callable[[], str], reset: Callable[[], None]) -> None:
        self._handlers: dict[tuple[tuple[str, ...], bool], tuple[Handler, int, int]] = {}
        self._errors: deque[tuple[int, str]] = deque()
        self._events = POWER_ON
        self._event_enable = 0
        self._service_enable = 0
        self._refuse_writes = False
        self._ignore_writes = False
        for header, handler in (
            ("*IDN?", lambda _: identity()),
            ("*OPC?", lambda _: "1"),
            ("*TST?", lambda _: "0"),
            ("*ESR?", self._take_events),
            ("*ESE?", lambda _: str(self._event_enable)),
            ("*SRE?", lambda _: str(self._service_enable)),
            ("*STB?", lambda _: str(self._status_byte())),
            ("SYSTem:ERRor[:NEXT]?", lambda _: self._take_error()),
            ("SYSTem:ERRor:COUNt?", lambda _: str(len(self._errors))),
            ("SYSTem:VERSion?", lambda _: "1999.0"),
            ("*CLS", self._clear),
            ("*RST", lambda _: reset()),
            ("*OPC", self._operation_complete),
            ("*WAI", lambda _: None),
        ):
            self.on(header, handler)
        self.on("*ESE", self._set_event_enable, parameters=(1, 1))
        self.on("*SRE", self._set_service_enable, parameters=(1, 1))

    def on(self, pattern: str, handler: Handler, *, parameters: tuple[int, int] = (0, 0)) -> None:
        """Call `handler` for a header; `parameters` is how many it takes at least and at most.

        A pattern that ends in `?` is a query: its handler returns the response. Handlers raise `ScpiRefusal`.
        """
        is_query = pattern.endswith("?")
        for nodes in spellings(pattern):
            self._handlers[nodes, is_query] = (handler, *parameters)

    def execute(self, message: str, *, refuse_writes: bool = False, ignore_writes: bool = False) -> Reply | None:
        """Carry out one programme message; the response message, or None where nothing was asked or answered.

        For tests, device commands (not queries, not common commands) can be refused (-200) or silently ignored.
        """
        self._refuse_writes, self._ignore_writes = refuse_writes, ignore_writes
        if _NOT_PRINTABLE.search(message):
            self.error(-101)
            return None
        replies: list[Reply] = []
        path: tuple[str, ...] = ()
        for unit in split_outside(message, ";"):
            if not unit:
                continue
            try:
                path, reply = self._one_unit(unit, path)
            except ScpiRefusal as refusal:
                self.error(refusal.number, refusal.detail)
                if -200 < refusal.number <= -100:
                    break  # the parser has lost its place: what follows is not carried out
                continue
            if reply is not None:
                replies.append(reply)
        return _joined(replies) if replies else None

    def error(self, number: int, detail: str = "") -> None:
        """Put an error into the queue and set its bit of the standard event status register."""
        self._events |= {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}[-number // 100]
        if len(self._errors) >= _QUEUE_LENGTH:
            self._errors[-1] = (-350, "")  # the newest entry tells that others are missing
            self._events |= DEVICE_ERROR
            return
        self._errors.append((number, detail))

    def _one_unit(self, unit: str, path: tuple[str, ...]) -> tuple[tuple[str, ...], Reply | None]:
        """The path for the next unit and the reply of this one."""
        header, _, rest = unit.partition(" ") if "\t" not in unit else unit.replace("\t", " ").partition(" ")
        nodes, path = _resolved(header, path)
        is_query = header.endswith("?")
        found = self._handlers.get((nodes, is_query))
        if found is None:
            raise ScpiRefusal(-113)
        handler, least, most = found
        parameters = split_outside(rest, ",") if rest.strip() else []
        if len(parameters) < least or "" in parameters:
            raise ScpiRefusal(-109)
        if len(parameters) > most:
            raise ScpiRefusal(-108)
        if not is_query and not header.startswith("*"):
            if self._refuse_writes:
                raise ScpiRefusal(-200)
            if self._ignore_writes:
                return path, None
        return path, handler(parameters)

    def _take_events(self, _: Parameters) -> str:
        events, self._events = self._events, 0
        return str(events)

    def _take_error(self) -> str:
        if not self._errors:
            return '0,"No error"'
        code, detail = self._errors.popleft()
        return f'{code},"{ERROR_TEXTS[code]}{";" if detail else ""}{detail}"'

    def _clear(self, _: Parameters) -> None:
        self._errors.clear()
        self._events = 0

    def _operation_complete(self, _: Parameters) -> None:
        self._events |= OPERATION_COMPLETE

    def _set_event_enable(self, parameters: Parameters) -> None:
        self._event_enable = round(number(parameters[0], unit="", low=0, high=255, default=0))

    def _set_service_enable(self, parameters: Parameters) -> None:
        self._service_enable = round(number(parameters[0], unit="", low=0, high=255, default=0)) & ~64

    def _status_byte(self) -> int:
        byte = (4 if self._errors else 0) | (32 if self._events & self._event_enable else 0)
        return byte | (64 if byte & self._service_enable else 0)


def _joined(replies: Sequence[Reply]) -> Reply:
    """The response message of its units (IEEE 488.2, 8.4.1)."""
    text = [reply for reply in replies if isinstance(reply, str)]
    if len(text) == len(replies):
        return ";".join(text)
    return b";".join(reply.encode("ascii") if isinstance(reply, str) else reply for reply in replies)


def _resolved(header: str, path: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The nodes that a header means after `path`, and the path for the next one."""
    if not _HEADER.fullmatch(header):
        raise ScpiRefusal(-102)
    words = header.removesuffix("?").upper()
    if words.startswith("*"):
        return (words,), path  # common commands leave the path alone
    nodes = tuple(words.removeprefix(":").split(":"))
    if any(len(node) > _LONGEST_MNEMONIC for node in nodes):
        raise ScpiRefusal(-112)
    if not words.startswith(":"):
        nodes = path + nodes
    return nodes, nodes[:-1]
