"""Tells at which line of a TOML text each key stands. Pure.

`tomllib` is the parser and stays it: this module finds positions, and must never decide what a value is or whether a
text is valid. It reads no file.
"""

import bisect
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NoReturn

KeyPath = tuple[str | int, ...]
"""Where a value sits in a parsed document: table keys as text, places in a list as numbers from 0."""

_Mention = Literal["implied", "table", "dotted", "value", "list"]


@dataclass(frozen=True, slots=True)
class Repeat:
    """A key or table that the text defines twice."""

    path: KeyPath
    first_line: int
    second_line: int


@dataclass(frozen=True, slots=True)
class Unfinished:
    """Where something begins that the text never ends, such as "a list" or "a text in triple quotes"."""

    what: str
    line: int


@dataclass(frozen=True, slots=True)
class TomlLines:
    """The line of every key path of one text, counted from 1.

    In an invalid text `of` holds what stands before the first mistake, and `repeats` and `unfinished` what is known
    about that mistake.
    """

    of: Mapping[KeyPath, int]
    repeats: tuple[Repeat, ...]
    unfinished: Unfinished | None

    def line(self, path: KeyPath) -> int:
        """The line of `path`, or of the nearest table around it where the text does not hold it; else 1."""
        for length in range(len(path), 0, -1):
            found = self.of.get(path[:length])
            if found is not None:
                return found
        return 1


def locate(text: str) -> TomlLines:
    """The line of every key, table and list item of `text`.

    A table's line is its header's, or where it has none the first line that mentions it. Complete for a text that
    `tomllib` accepts; for any other text it stops at the first mistake and never raises because of it. Raises
    `RecursionError` for lists nested some hundreds deep, as `tomllib` does. Syntax: TOML 1.0.0.
    """
    scanner = _Scanner(text)
    unfinished: Unfinished | None = None
    try:
        scanner.document()
    except _Stopped as stop:
        unfinished = stop.unfinished
    return TomlLines(
        of=MappingProxyType({path: line for path, (line, _) in scanner.mentions.items()}),
        repeats=tuple(scanner.repeats),
        unfinished=unfinished,
    )


class _Stopped(Exception):
    """The scanner can go no further."""

    def __init__(self, unfinished: Unfinished | None) -> None:
        super().__init__()
        self.unfinished = unfinished


# Possessive quantifiers keep an unfinished string from being tried in every possible split.
_SPACE = re.compile(r"[ \t]*+")
_BLANK = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
_COMMENT = re.compile(r"[ \t]*+(?:#[^\n]*+)?+\r?")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]++")
_BARE_VALUE = re.compile(r"[^,\]}#\n]++")  # a date and a time may be joined by a space
_BASIC = re.compile(r'"(?:[^"\\\n]++|\\[^\n])*+"')
_LITERAL = re.compile(r"'[^'\n]*+'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]++|\\.|"{1,2}(?!"))*+"{3,5}', re.DOTALL)  # one or two quotes may precede the end
_LONG_LITERAL = re.compile(r"'''(?:[^']++|'{1,2}(?!'))*+'{3,5}")


class _Scanner:
    """Walks once through the text and notes where keys stand."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.newlines = [match.start() for match in re.finditer("\n", text)]
        self.mentions: dict[KeyPath, tuple[int, _Mention]] = {}
        self.repeats: list[Repeat] = []
        self.items: dict[KeyPath, int] = {}  # arrays of tables: how many so far

    def document(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip(_BLANK)
            if self.at >= len(self.text):
                return
            if self._peek("[["):
                table = self._list_header()
            elif self._peek("["):
                table = self._table_header()
            else:
                self._key_and_value(table)
            self._skip(_COMMENT)
            if self.at < len(self.text):
                self._expect("\n")

    # --- statements

    def _table_header(self) -> KeyPath:
        line = self._line()
        self._expect("[")
        *above, last = self._dotted_key()
        self._expect("]")
        path = (*self._enter(above, line), last)
        known = self.mentions.get(path)
        if known is not None and known[1] != "implied":
            self.repeats.append(Repeat(path, known[0], line))
        self.mentions[path] = (line, "table")
        return path

    def _list_header(self) -> KeyPath:
        line = self._line()
        self._expect("[[")
        *above, last = self._dotted_key()
        self._expect("]]")
        path = (*self._enter(above, line), last)
        known = self.mentions.get(path)
        if known is None:
            self.mentions[path] = (line, "list")
        elif known[1] != "list":
            self.repeats.append(Repeat(path, known[0], line))
        place = self.items.get(path, 0)
        self.items[path] = place + 1
        self.mentions[*path, place] = (line, "table")
        return (*path, place)

    def _enter(self, keys: list[str], line: int) -> KeyPath:
        """The path of the table that a header's leading keys name: in an array of tables its last item."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            known = self.mentions.setdefault(path, (line, "implied"))
            if known[1] == "value":
                self.repeats.append(Repeat(path, known[0], line))
            if path in self.items:
                path = (*path, self.items[path] - 1)
        return path

    def _key_and_value(self, table: KeyPath) -> None:
        line = self._line()
        *above, last = self._dotted_key()
        path = table
        for key in above:
            path = (*path, key)
            known = self.mentions.setdefault(path, (line, "dotted"))
            if known[1] in {"value", "list"}:
                self.repeats.append(Repeat(path, known[0], line))
        path = (*path, last)
        if path in self.mentions:
            self.repeats.append(Repeat(path, self.mentions[path][0], line))
        else:
            self.mentions[path] = (line, "value")
        self._expect("=")
        self._skip(_SPACE)
        self._value(path)

    # --- keys

    def _dotted_key(self) -> list[str]:
        """The parts of a key and the space around it."""
        parts: list[str] = []
        while True:
            self._skip(_SPACE)
            parts.append(self._simple_key())
            self._skip(_SPACE)
            if not self._peek("."):
                return parts
            self.at += 1

    def _simple_key(self) -> str:
        for pattern in (_BASIC, _LITERAL):
            match = pattern.match(self.text, self.at)
            if match is not None:
                self.at = match.end()
                return self._unquoted(match.group())
        match = _BARE_KEY.match(self.text, self.at)
        if match is None:
            self._stop()
        self.at = match.end()
        return match.group()

    def _unquoted(self, quoted: str) -> str:
        try:
            key: str = tomllib.loads(f"key = {quoted}")["key"]
        except tomllib.TOMLDecodeError:
            self._stop()
        return key

    # --- values

    def _value(self, path: KeyPath) -> None:
        if self._peek("["):
            self._list(path)
        elif self._peek("{"):
            self._inline_table(path)
        elif self._peek('"""'):
            self._take(_LONG_BASIC, "a text in triple quotes")
        elif self._peek("'''"):
            self._take(_LONG_LITERAL, "a text in triple quotes")
        elif self._peek('"'):
            self._take(_BASIC, "a text in quotes")
        elif self._peek("'"):
            self._take(_LITERAL, "a text in quotes")
        else:
            self._take(_BARE_VALUE, None)

    def _list(self, path: KeyPath) -> None:
        begin = Unfinished("a list", self._line())
        self.at += 1
        place = 0
        while True:
            self._skip(_BLANK)
            if self._closes("]", begin):
                return
            self.mentions[*path, place] = (self._line(), "value")
            self._value((*path, place))
            place += 1
            self._skip(_BLANK)
            if not self._closes("]", begin):
                self._expect(",")
            else:
                return

    def _inline_table(self, path: KeyPath) -> None:
        begin = Unfinished("an inline table", self._line())
        self.at += 1
        while True:
            self._skip(_BLANK)
            if self._closes("}", begin):
                return
            self._key_and_value(path)
            self._skip(_BLANK)
            if not self._closes("}", begin):
                self._expect(",")
            else:
                return

    # --- steps

    def _line(self) -> int:
        return bisect.bisect_left(self.newlines, self.at) + 1

    def _peek(self, mark: str) -> bool:
        return self.text.startswith(mark, self.at)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def _expect(self, mark: str) -> None:
        if not self._peek(mark):
            self._stop()
        self.at += len(mark)

    def _take(self, pattern: re.Pattern[str], what: str | None) -> None:
        match = pattern.match(self.text, self.at)
        if match is None:
            self._stop(None if what is None else Unfinished(what, self._line()))
        self.at = match.end()

    def _closes(self, mark: str, begin: Unfinished) -> bool:
        if self.at >= len(self.text):
            self._stop(begin)
        if self._peek(mark):
            self.at += 1
            return True
        return False

    def _stop(self, unfinished: Unfinished | None = None) -> NoReturn:
        raise _Stopped(unfinished)
