"""How a settings file says what is wrong with it. It words sentences; it must never look for mistakes itself."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from benchd.settings.toml_lines import KeyPath


class SettingsError(Exception):
    """A settings file cannot be used.

    `sentence` tells a person what is wrong, where (file, line, key) and what to do; `key` is empty where the file as a
    whole is meant, `line` counts from 1 and is 0 where the file could not be read.
    """

    def __init__(self, sentence: str, file: Path, key: str, line: int) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.file = file
        self.key = key
        self.line = line


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One mistake: where it stands and the rest of the sentence that begins with its key."""

    path: KeyPath
    line: int
    says: str


def key_name(path: KeyPath) -> str:
    """The key as a person writes it: places in arrays of tables are left out, because the line tells which."""
    keys = ".".join(step for step in path if isinstance(step, str))
    if path and isinstance(path[-1], int) and len(path) > 1 and keys:
        return f"{keys} item {path[-1] + 1}"
    return keys


def shown(file: Path) -> str:
    """The file's name as a person at this prompt would type it."""
    absolute = file.absolute()
    here = Path.cwd()
    return str(absolute.relative_to(here)) if absolute.is_relative_to(here) else str(absolute)


def origin(file: Path, line: int, path: KeyPath) -> str:
    """Where something was said, such as "configs/motors/vent_flap_24v.toml:14 max_current_a"."""
    return f"{shown(file)}:{line} {key_name(path)}".rstrip()


def refuse(file: Path, problems: Iterable[Problem]) -> NoReturn:
    """Raise the `SettingsError` of the first problem by line, saying how many more the file has."""
    distinct: dict[tuple[int, KeyPath], Problem] = {}
    for problem in problems:
        distinct.setdefault((problem.line, problem.path), problem)
    ordered = sorted(distinct.values(), key=lambda problem: problem.line)
    first = ordered[0]
    more = len(ordered) - 1
    tail = f" (and {more} more problem{'s' if more > 1 else ''} in this file)" if more else ""
    raise SettingsError(
        _ended(f"{origin(file, first.line, first.path)} {first.says}{tail}"), file, key_name(first.path), first.line
    )


def unreadable(file: Path, says: str, *, line: int = 0) -> SettingsError:
    """The error of a file that as a whole cannot be read."""
    place = f"{shown(file)}:{line}" if line else shown(file)
    return SettingsError(_ended(f"{place} {says}"), file, "", line)


def _ended(sentence: str) -> str:
    return sentence if sentence.endswith("?") else f"{sentence}."
