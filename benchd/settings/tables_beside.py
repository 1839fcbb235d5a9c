"""Tables that a programme names: CSV files beside it, by name alone. It must never read anywhere else."""

from collections.abc import Callable, Sequence
from pathlib import Path

from benchd.settings.course_table import CourseTable, read_course_table
from benchd.settings.errors import shown

MOST_ROWS = 20_000  # more take the best part of a minute to be held against a bench
_ENDING = ".csv"


def tables_beside(programme: Path) -> Callable[[str, Sequence[str]], CourseTable]:
    """What reads a table by its name and the quantities that it must have.

    It raises `ValueError`, for the place that names it, where the name is none of a file beside the programme; and
    `SettingsError` with file and row for what the file holds.
    """

    def read(name: str, quantities: Sequence[str]) -> CourseTable:
        plain = name.isprintable() and "\\" not in name and Path(name).name == name
        if not plain or not name.endswith(_ENDING) or name == _ENDING:
            told = " ".join(name.split())[:60]
            raise ValueError(
                f'"{told}" is not the name of a CSV file beside the programme, such as "duty{_ENDING}"; a table is '
                "read from there and from nowhere else"
            )
        file = programme.parent / name
        if not file.is_file():
            raise ValueError(f"there is no file {shown(file)}: put the table beside the programme")
        return read_course_table(file, quantities, most_rows=MOST_ROWS)

    return read
