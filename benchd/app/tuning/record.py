"""Writes a tuning file: TOML of plain values, read back before anybody relies on it."""

import datetime as dt
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from typing import Any

from benchd.app.tuned_loops import sha256_of
from benchd.records import RecordsError
from benchd.records.durable import write_whole
from benchd.records.errors import cause_of
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.tuning_file import LoopTable, Tuning, load_tuning, tuning_directory

HEAD = """\
# Outer loops as `benchd tune` found them. Runs of this motor on this bench use the newest file here as long as bench,
# motor and set-up file are the ones whose sums stand below. Gains are in set-point units per channel unit; low and
# high bound what a loop may add to its set-point.
"""


def write_tuning(
    bench: Bench, motor: Motor, setup: Setup, loops: Sequence[LoopTable], *, utc: dt.datetime, operator: str
) -> Tuning:
    """The tuning as it was stored. Raises `RecordsError` where it cannot be written."""
    directory = tuning_directory(bench.data_directory, bench.name, motor.settings.type_designation)
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError(f"{directory} could not be made: {cause_of(error)}.") from error
    content: dict[str, Any] = {
        "schema": 1,
        "made_utc": utc.astimezone(dt.UTC).replace(microsecond=0),
        "made_by": operator,
        "software": f"benchd {version('benchd')}",
        "bench": bench.name,
        "motor": motor.settings.type_designation,
        "adapter": setup.settings.adapter,
        "sources": {
            what: sha256_of(document.file)
            for what, document in (("bench", bench.document), ("motor", motor.document), ("setup", setup.document))
        },
        "loop": [one.model_dump(exclude_none=True) for one in loops],
    }
    path = directory / f"{utc.astimezone(dt.UTC):%Y%m%dT%H%M%SZ}.toml"
    write_whole(path, (HEAD + as_toml(content)).encode())
    return load_tuning(path)


def as_toml(content: Mapping[str, Any]) -> str:
    """Plain values, tables and lists of tables as TOML 1.0."""
    return "\n".join(_lines(content, ())) + "\n"


def _lines(content: Mapping[str, Any], above: tuple[str, ...]) -> list[str]:
    plain = {key: value for key, value in content.items() if not isinstance(value, Mapping | list)}
    lines = [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key, value in content.items():
        name = ".".join((*above, key))
        if isinstance(value, Mapping):
            lines += ["", f"[{name}]", *_lines(value, (*above, key))]
        elif isinstance(value, list):
            for one in value:
                lines += ["", f"[[{name}]]", *_lines(one, (*above, key))]
    return lines


def _value(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return '"' + "".join(_letter(letter) for letter in value) + '"'
        case dt.datetime():
            return f"{value:%Y-%m-%dT%H:%M:%SZ}"
        case float():
            return f"{value:.9g}" if any(letter in f"{value:.9g}" for letter in ".en") else f"{value:.9g}.0"
        case _:
            return str(value)


def _letter(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    return letter if letter.isprintable() else f"\\u{ord(letter):04x}"
