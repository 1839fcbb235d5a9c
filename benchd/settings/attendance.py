"""What a programme may ask the operator, and that somebody must be there then. It must never ask anything itself."""

from collections.abc import Iterator, Sequence
from typing import Annotated

from pydantic import AfterValidator, Field

from benchd.settings.bench import ProgrammeTest
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.pieces import Table
from benchd.settings.specimen_files import ProgrammeFile

LONGEST_TEXT = 200  # characters of what is asked: it must be read on a terminal


def _one_line(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise ValueError("must be one line of text that can be shown")
    return text.strip()


class ConfirmTable(Table):
    """What any test may carry: a sentence that the operator confirms before it begins."""

    confirm: Annotated[str, Field(min_length=1, max_length=LONGEST_TEXT), AfterValidator(_one_line)] | None = None


CONFIRM_KEYS = frozenset(ConfirmTable.model_fields)


def attendance_problems(document: Document, file: ProgrammeFile, tests: Sequence[ProgrammeTest]) -> Iterator[Problem]:
    """Tests that ask the operator in a programme that nobody attends."""
    if file.attended:
        return
    for number, test in enumerate(tests):
        if test.confirm is not None:
            yield document.problem(("test", number, "confirm"), f"asks the operator, {unattended(document)}")


def unattended(document: Document) -> str:
    """Why a question cannot be asked, and what to do."""
    said = f"but {document.origin(('attended',))} is false" if "attended" in document.data else "but nobody attends it"
    return f"{said}: write attended = true above the first [[test]], or take the question out"
