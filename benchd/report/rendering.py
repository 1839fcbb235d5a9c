"""Sets a report in type: plain values in, PDF/A-2b bytes out. It must never use a font or clock of the machine."""

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import typst

from benchd.report.document import document
from benchd.report.letters import Printable
from benchd.report.local_time import parsed
from benchd.report.material import Material

PAGES = Path(__file__).with_name("pages")
STANDARD: Final = "a-2b"
ONE_LETTER = b'#set text(font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"))\n#sys.inputs.letter'
_WITHOUT_TIME = 0  # 1970: neither start nor end of the run are known


def render(material: Material, *, paper: str) -> bytes:
    """The report as PDF/A-2b; `paper` is "a4" or "letter". The same material gives the same bytes.

    Raises RuntimeError where the pages cannot be set.
    """
    printable = Printable(shows)
    whole = printable.all(document(material, paper=paper))
    return compiled(whole, timestamp=_timestamp(material))


def compiled(whole: Mapping[str, Any], *, timestamp: int, pages: str = "report.typ") -> bytes:
    """A document's plain values as PDF/A-2b. Raises RuntimeError where the pages cannot be set."""
    compiler = typst.Compiler(
        input=PAGES / pages,
        root=PAGES,
        ignore_system_fonts=True,
        sys_inputs={"report": json.dumps(whole, allow_nan=False)},
    )
    made = compiler.compile(format="pdf", pdf_standards=STANDARD, timestamp=timestamp)
    if not isinstance(made, bytes):
        raise TypeError("the pages were not set as one PDF")
    return made


def _timestamp(material: Material) -> int:
    """When the run ended, else when it began: the only times that a report may carry and still repeat."""
    ending = material.ending or {}
    for utc in (ending.get("utc"), material.description.get("started_utc")):
        moment: datetime | None = parsed(utc)
        if moment is not None and moment.timestamp() >= 0.0:
            return int(moment.timestamp())
    return _WITHOUT_TIME


def shows(letter: str) -> bool:
    """Whether one of the fonts has this letter, by setting it."""
    try:
        compiler = typst.Compiler(
            input=ONE_LETTER,
            ignore_system_fonts=True,
            sys_inputs={"letter": letter},
        )
        compiler.compile(format="pdf", pdf_standards=STANDARD, timestamp=_WITHOUT_TIME)
    except RuntimeError:
        return False
    return True
