"""The kinds of blocks that a section is made of, as plain values for the pages. It must never hold markup."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Block = dict[str, Any]
TEXT_PT, BODY_PT, SMALL_PT, SMALLEST_PT = 9.5, 9.0, 8.5, 8.0
MOST_LINES, LINE_LETTERS = 40, 25  # of what must not break; letters of a line in a narrow column
WHOLE_ROWS = 8  # a table of no more rows stands on one page


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A table's column; `wide` 0 is as wide as its content, else its share of what is left."""

    title: str
    unit: str = ""
    right: bool = False
    wide: float = 0.0


def heading(text: str) -> Block:
    """A heading within a section."""
    return {"kind": "heading", "text": text}


def paragraphs(*sentences: str, sticky: bool = False, size_pt: float = TEXT_PT) -> Block:
    """Plain paragraphs; `sticky` ones stand on the page of what follows them."""
    return {"kind": "words", "paragraphs": list(sentences), "sticky": sticky, "size": size_pt}


def remarks(sentences: Sequence[str]) -> Block:
    """Sentences that a reader must not overlook, each with a bar at its side."""
    return {"kind": "remarks", "remarks": list(sentences)}


def pairs(entries: Sequence[tuple[str, str]], *, double: bool = False, sticky: bool = False) -> Block:
    """Names and values side by side; `double` sets two pairs a line, the first half left; `sticky` as paragraphs."""
    listed = [list(pair) for pair in entries]
    if double:
        half = (len(listed) + 1) // 2
        right = [*listed[half:], *([["", ""]] if len(listed) % 2 else [])]
        listed = [pair for two in zip(listed[:half], right, strict=True) for pair in two]
    return {"kind": "pairs", "pairs": listed, "double": double, "sticky": sticky}


def rows(
    columns: Sequence[Column],
    cells: Sequence[Sequence[str]],
    *,
    size_pt: float = BODY_PT,
    caption: str = "",
    strong: Sequence[int] = (),
    whole: bool = False,
) -> Block:
    """A table that may run over pages, its head repeated, unless it is short or `whole`; `strong` rows are bold."""
    return {
        "kind": "rows",
        "size": size_pt,
        "caption": caption,
        "whole": (whole or len(cells) <= WHOLE_ROWS) and _lines(cells) <= MOST_LINES,
        "kept": _lines([*cells[:3], *cells[-2:]]) <= MOST_LINES,
        "columns": [{"title": one.title, "unit": one.unit, "right": one.right, "wide": one.wide} for one in columns],
        "rows": [{"cells": list(row), "strong": at in set(strong)} for at, row in enumerate(cells)],
    }


def _lines(cells: Sequence[Sequence[str]]) -> int:
    """About how many lines the rows take, rather too many than too few: what stands on one page must fit there."""
    return sum(1 + max((len(cell) for cell in row), default=0) // LINE_LETTERS for row in cells)


def picture(chart: Mapping[str, Any], caption: str = "") -> Block:
    """A chart with what must be said about it."""
    return {"kind": "picture", "chart": dict(chart), "caption": caption}


def section(title: str, *blocks: Block, whole: bool = False, page: bool = False) -> dict[str, Any]:
    """A numbered section; a `whole` one stands on one page, one with a `page` of its own begins there."""
    return {"title": title, "blocks": list(blocks), "whole": whole, "page": page}
