"""One settings file as read: its parsed data and the line of every key. It must never judge what the data mean."""

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from benchd.settings.errors import Problem, SettingsError, key_name, origin, refuse, unreadable
from benchd.settings.toml_lines import KeyPath, TomlLines, locate

KNOWN_SCHEMA = 1
_LINE = re.compile(r"\(at line (\d+), column \d+\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A TOML file's data, without its schema number, and where each key of it stands."""

    file: Path
    data: Mapping[str, object]
    lines: TomlLines

    def origin(self, path: KeyPath) -> str:
        """Where this key stands, such as "configs/motors/vent_flap_24v.toml:14 max_current_a"."""
        return origin(self.file, self.lines.line(path), path)

    def problem(self, path: KeyPath, says: str) -> Problem:
        """A problem at this key; `says` continues a sentence that begins with the key."""
        return Problem(path=path, line=self.lines.line(path), says=says)


def read_document(file: Path) -> Document:
    """The file's data with their lines, all numbers finite and its schema known.

    Raises `SettingsError` for a file that is missing, a directory, not readable, not UTF-8, not TOML or of another
    schema.
    """
    text = text_of(file)
    try:
        data = tomllib.loads(text)
        lines = locate(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(file, text, str(error)) from error
    except ValueError as error:  # tomllib hands on what int() and date() refuse
        raise unreadable(file, f"holds a number or date that cannot be read ({error}); correct it") from error
    except RecursionError as error:
        raise unreadable(file, "nests lists or tables too deeply; flatten them") from error
    document = Document(file=file, data=data, lines=lines)
    _check_schema(document)
    not_finite = [
        document.problem(path, f"is {number} and must be a finite number; write the number that is meant")
        for path, number in _numbers(data, ())
        if not math.isfinite(number)
    ]
    if not_finite:
        refuse(file, not_finite)
    return Document(file=file, data={key: value for key, value in data.items() if key != "schema"}, lines=lines)


def text_of(file: Path) -> str:
    """The whole file as text; raises `SettingsError` where it is no readable UTF-8 without a byte order mark."""
    try:
        raw = file.read_bytes()
    except FileNotFoundError as error:
        raise unreadable(file, "does not exist; check the name, or copy an example from configs") from error
    except IsADirectoryError as error:
        raise unreadable(file, "is a directory; name a file inside it") from error
    except NotADirectoryError as error:
        raise unreadable(file, "lies below something that is not a directory; check the name") from error
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise unreadable(file, f"cannot be read ({reason}); check its name and permissions") from error
    except ValueError as error:  # a zero character in the name
        raise unreadable(file, "is not a file name; check the name") from error
    if raw.startswith(b"\xef\xbb\xbf"):
        raise unreadable(file, "begins with a byte order mark; save it as UTF-8 without one", line=1)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise unreadable(file, "is not UTF-8 text; save it in the UTF-8 encoding", line=line) from error


def _syntax_error(file: Path, text: str, message: str) -> SettingsError:
    lines = locate(text)
    if lines.repeats:
        repeat = min(lines.repeats, key=lambda one: one.second_line)
        name = key_name(repeat.path)
        return _at(
            file,
            repeat.second_line,
            f"{name} is there a second time (first in line {repeat.first_line}); keep one",
            name,
        )
    if lines.unfinished is not None:
        what = lines.unfinished.what
        return _at(file, lines.unfinished.line, f"begins {what} that does not end; close it")
    found = _LINE.search(message)
    line = int(found.group(1)) if found else text.count("\n") + 1
    reason = _LINE.sub("", message).removesuffix("(at end of document)").strip()
    return _at(file, line, f"is not valid TOML ({reason[:1].lower()}{reason[1:]}); correct this line")


def _at(file: Path, line: int, says: str, key: str = "") -> SettingsError:
    error = unreadable(file, says, line=line)
    error.key = key
    return error


def _check_schema(document: Document) -> None:
    schema = document.data.get("schema")
    if schema is None:
        says = f"is missing; begin the file with schema = {KNOWN_SCHEMA}"
    elif isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        says = f"must be a whole number from 1, which counts the file format; write schema = {KNOWN_SCHEMA}"
    elif schema > KNOWN_SCHEMA:
        says = (
            f"is {schema}, but this benchd reads files up to schema {KNOWN_SCHEMA}; update benchd or take an older file"
        )
    else:
        return
    refuse(document.file, [document.problem(("schema",), says)])


def _numbers(value: object, path: KeyPath) -> Iterator[tuple[KeyPath, float]]:
    if isinstance(value, float):
        yield path, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _numbers(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _numbers(inner, (*path, place))
