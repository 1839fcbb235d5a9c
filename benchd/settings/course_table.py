"""A course's table from a CSV file, as RFC 4180 with LF alone: a header whose names carry units, then numbers.

It reads and refuses; it must never guess, mend, sort or fill in.
"""

import itertools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from benchd.rules.course_pieces import Between, Table
from benchd.settings.document import text_of
from benchd.settings.errors import Problem, refuse, unreadable
from benchd.settings.explain import nearest

TIME = "time_s"
QUANTITIES = ("speed_rpm", "torque_nm", "voltage_v", "current_a")  # that a table can tell, in the only units
MOST_ROWS = 100_000
_MOST_BYTES_A_ROW = 1_000
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_A_NUMBER = {"nan", "na", "n/a", "#n/a", "null", "none"}
_INFINITE = {"inf", "infinity", "∞"}
_MOST_PROBLEMS = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseTable:
    """The rows of one file: seconds from 0 on, and of each quantity as many values."""

    file: Path
    times_s: tuple[float, ...]
    values: Mapping[str, tuple[float, ...]]

    def piece(self, quantity: str, between: Between) -> Table:
        """One quantity's course, such as that of "speed_rpm"."""
        return Table(times_s=self.times_s, values=self.values[quantity], between=between)


def read_course_table(file: Path, quantities: Sequence[str], *, most_rows: int = MOST_ROWS) -> CourseTable:
    """The file's rows; it must have `time_s` and exactly these quantities (of `QUANTITIES`), in any order.

    Raises `SettingsError`, with file and row, for a file that cannot be read as UTF-8 or is empty, a byte order mark,
    a CR without LF, semicolons or decimal commas, a column that is missing, unknown, repeated or in another
    unit, a gap, anything that is no finite number, times that do not begin with 0 and rise, fewer than two or more than
    `most_rows` rows.
    """
    _refuse_too_large(file, most_rows)
    text = text_of(file)
    if not text.strip():
        raise unreadable(file, f"is empty; begin it with a header such as {','.join((TIME, *quantities))}")
    lines = text.replace("\r\n", "\n").removesuffix("\n").split("\n")  # RFC 4180 ends lines with CR LF
    for number, row in enumerate(lines, start=1):
        if not row.isprintable():
            says = "holds a tab or a character that cannot be shown; write commas between the columns and nothing else"
            raise unreadable(file, says, line=number)
    names = _header(file, lines[0], quantities)
    if len(lines) - 1 > most_rows:
        says = f"is row {most_rows + 1}, and a table has up to {most_rows} rows; thin it out or divide it"
        raise unreadable(file, says, line=most_rows + 2)
    if len(lines) < 3:
        raise unreadable(file, "has fewer than two rows below its header; add them", line=len(lines))
    rows = _rows(file, lines, names)
    columns = {name: tuple(values[place] for values in rows) for place, name in enumerate(names)}
    _judge_times(file, columns[TIME])
    return CourseTable(file=file, times_s=columns[TIME], values={name: columns[name] for name in quantities})


def _refuse_too_large(file: Path, most_rows: int) -> None:
    """Before it is read: what is far larger than its rows can be must not fill the memory."""
    try:
        size = file.stat().st_size
    except (OSError, ValueError):
        return  # reading it tells why
    most = (most_rows + 1) * _MOST_BYTES_A_ROW
    if size > most:
        raise unreadable(file, f"is larger than {most_rows} rows can be; name a table of that many rows at most")


def _header(file: Path, line: str, quantities: Sequence[str]) -> Sequence[str]:
    if ";" in line:
        _refuse_semicolons(file, 1)
    names = [name.strip() for name in line.split(",")]
    wanted = (TIME, *quantities)
    if _NUMBER.fullmatch(names[0]):
        raise unreadable(file, f"has no header; write {','.join(wanted)} above the numbers", line=1)
    problems = [
        Problem(path=(name[:40] or f"column {place + 1}",), line=1, says=_unwanted(name, wanted, repeated=repeated))
        for place, name in enumerate(names)
        if (repeated := name in names[:place]) or name not in wanted
    ]
    told = {_quantity(name) for name in names}
    problems += [
        Problem(path=(name,), line=1, says=f"is missing; the header must be {','.join(wanted)}, in any order")
        for name in wanted
        if name not in names and _quantity(name) not in told
    ]
    if problems:
        refuse(file, problems)
    return names


def _quantity(name: str) -> str:
    return name.split("_", maxsplit=1)[0].lower()


def _unwanted(name: str, wanted: Sequence[str], *, repeated: bool) -> str:
    if not name:
        return "has no name; name it with its unit, or take it out"
    if repeated:
        return "is there a second time; keep one"
    if name in QUANTITIES:
        return f"is not asked for here, where {','.join(wanted)} is; take the column out"
    for known in wanted:
        if _quantity(name) == _quantity(known):
            stated = name.partition("_")[2]
            unit = f'has the unit "{stated}"' if stated else "has no unit"
            return f"{unit}, and only {known} is known; convert the column and name it so"
    return f"is not a column that is known here; {nearest(name, wanted)}"


def _rows(file: Path, lines: Sequence[str], names: Sequence[str]) -> Sequence[Sequence[float]]:
    problems: list[Problem] = []
    rows: list[Sequence[float]] = []
    for number, line in enumerate(lines[1:], start=2):
        if ";" in line:
            _refuse_semicolons(file, number)
        found = list(_row_problems(line, names, number))
        problems += found
        if not found:
            rows.append([float(cell) for cell in line.split(",")])
        if len(problems) > _MOST_PROBLEMS:
            break
    if problems:
        refuse(file, problems)
    return rows


def _refuse_semicolons(file: Path, line: int) -> NoReturn:
    says = "has semicolons; save it with commas between the columns, and points in the numbers"
    raise unreadable(file, says, line=line)


def _row_problems(line: str, names: Sequence[str], number: int) -> Iterator[Problem]:
    cells = [cell.strip() for cell in line.split(",")]
    if cells == [""]:
        yield Problem(path=(TIME,), line=number, says="has a gap: the row is empty; fill it or take it out")
        return
    if len(cells) > len(names):
        says = f"begins a row of {len(cells)} cells for {len(names)} columns; write one number a column, with a point"
        yield Problem(path=(names[0],), line=number, says=says)
        return
    for name, cell in zip(names, [*cells, *[""] * (len(names) - len(cells))], strict=True):
        says = _cell_refused(cell)
        if says:
            yield Problem(path=(name,), line=number, says=says)


def _cell_refused(cell: str) -> str:
    """Why a cell is no finite number; empty where it is one."""
    bare = cell.lower().lstrip("+-")
    if not cell:
        return "has a gap; write the number that is meant"
    if bare in _NOT_A_NUMBER:
        return f"is {cell}, which is not a number; write the one that is meant"
    if bare in _INFINITE or (_NUMBER.fullmatch(cell) and math.isinf(float(cell))):
        return f"is {cell[:20]}, which is infinite; write a finite number"
    if not _NUMBER.fullmatch(cell):
        return f'is "{cell[:20]}", which is not a number; write it such as 1500 or 1.5e3, without unit or quotes'
    return ""


def _judge_times(file: Path, times_s: Sequence[float]) -> None:
    if times_s[0] != 0.0:
        says = f"begins with {times_s[0]:g} s; a table begins with 0, so subtract this from every row"
        refuse(file, [Problem(path=(TIME,), line=2, says=says)])
    problems = []
    for line, (before_s, here_s) in enumerate(itertools.pairwise(times_s), start=3):
        if here_s == before_s:
            problems.append(Problem(path=(TIME,), line=line, says=f"stands at {here_s:g} s; each row must be later"))
        elif here_s < before_s:
            says = f"runs backwards, from {before_s:g} to {here_s:g} s; put the rows in order of time"
            problems.append(Problem(path=(TIME,), line=line, says=says))
    if problems:
        refuse(file, problems)
