"""Writes and checks SHA256SUMS, in the form that `sha256sum --check` of GNU coreutils reads.

It must never renew the sum of a file that was summed before without being told to: that would hide damage.
"""

import hashlib
import re
from collections.abc import Collection
from pathlib import Path

from benchd.records.durable import write_whole
from benchd.records.errors import RecordsError
from benchd.records.formats import REPORT, RESULTS, SCHEMA, SUMS, check_schema

_HEADER = re.compile(r"# schema (\d+)")
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")
RENEWABLE = frozenset({RESULTS, REPORT})  # made anew whenever the folder is evaluated again


def _sum_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _files_of(folder: Path) -> list[str]:
    return sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and path.name != SUMS and path.suffix != ".partial"
    )


def read_sums(folder: Path) -> dict[str, str]:
    """SHA-256 by file name; raises `RecordsError` when SHA256SUMS is missing, damaged or of a newer schema."""
    path = folder / SUMS
    try:
        lines = path.read_bytes().decode().split("\n")
    except FileNotFoundError:
        raise RecordsError(f"{path} is missing: the run was not finished; recover the folder.") from None
    except (OSError, UnicodeDecodeError):
        raise RecordsError(f"{path} is damaged: take it from a copy.") from None
    head = _HEADER.fullmatch(lines[0])
    found = [_LINE.fullmatch(text) for text in lines[1:-1]]
    if head is None or lines[-1] or any(match is None for match in found):
        raise RecordsError(f"{path} is damaged: take it from a copy.")
    check_schema(int(head[1]), where=str(path))
    return {match[2]: match[1] for match in found if match is not None}


def seal(folder: Path, *, renewed: Collection[str] = RENEWABLE) -> None:
    """Sum every file of the folder. Files summed before keep their sum, except those named in `renewed`.

    Raises `RecordsError` when the old SHA256SUMS is damaged or the new one cannot be written.
    """
    before = read_sums(folder) if (folder / SUMS).exists() else {}
    kept = {name: value for name, value in before.items() if name not in renewed}
    for name in _files_of(folder):
        if name not in kept:
            kept[name] = _sum_of(folder / name)
    text = f"# schema {SCHEMA}\n" + "".join(f"{kept[name]}  {name}\n" for name in sorted(kept))
    write_whole(folder / SUMS, text.encode())


def check_sums(folder: Path) -> list[str]:
    """One sentence for each file that differs from its sum, is gone, or has none; empty when all fit."""
    try:
        sums = read_sums(folder)
    except RecordsError as error:
        return [str(error)]
    present = set(_files_of(folder))
    sentences = [
        f"{name} is listed in {SUMS} and missing: take it from a copy." for name in sums if name not in present
    ]
    sentences += [f"{name} is not listed in {SUMS}: it was added later." for name in sorted(present - set(sums))]
    sentences += [
        f"{name} differs from its sum in {SUMS}: it was changed or is damaged; take it from a copy."
        for name in sorted(present & set(sums))
        if _sum_of(folder / name) != sums[name]
    ]
    return sentences


def fits_its_sum(path: Path, *, folder: Path | None = None) -> bool | None:
    """Whether a file is there with the sum that is listed for it; None where none is listed.

    `folder` is the run's, where the file does not stand in it directly.
    """
    folder = path.parent if folder is None else folder
    try:
        listed = read_sums(folder).get(path.relative_to(folder).as_posix())
    except RecordsError:
        return None
    if listed is None:
        return None
    return path.exists() and listed == _sum_of(path)
