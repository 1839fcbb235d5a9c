"""A section a test: what was asked, picture, points, quantities. It must never compute a result."""

from collections.abc import Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import (
    SMALL_PT,
    SMALLEST_PT,
    Block,
    Column,
    heading,
    pairs,
    paragraphs,
    picture,
    remarks,
    rows,
    section,
)
from benchd.report.curves import curves
from benchd.report.findings import Found, PointFound, TestFound
from benchd.report.material import Window
from benchd.report.numbers import between, plain, stated, unit_text
from benchd.report.waves import waves
from benchd.report.words import capital, name_of_test, pairs_of, split_unit, words

PAGE_LETTERS = 112  # digits that a table row holds in the small type
ASKED_LETTERS, DIRECTION_LETTERS = 11, 9
POINTS_CAPTION = "Means over each point. ± is the standard uncertainty (k = 1) to two significant digits."
QUANTITIES_CAPTION = (
    "U is the expanded uncertainty for a coverage of 95 %, k its coverage factor (Student's t at the effective degrees "
    "of freedom, JCGM 100, G.3 and G.4)."
)


def test_section(test: TestFound, windows: Sequence[Window]) -> dict[str, Any]:
    """The section of one test."""
    blocks: list[Block] = []
    asked = list(pairs_of(test.settings))
    if asked:
        short = all(len(name) < 26 and len(value) < 44 for name, value in asked)
        blocks += [
            heading("Asked"),
            pairs([(capital(name), value) for name, value in asked], double=short, sticky=True),
        ]
    else:
        blocks.append(paragraphs("What was asked for is not recorded."))
    drawn = curves(test)
    if drawn is not None:
        blocks += [heading("Curves"), picture(*drawn)]
    for window in windows:
        shown = waves(window)
        if shown is not None:
            blocks += [heading(f"Waveforms at point {window.point}"), picture(*shown)]
    blocks += _points(test)
    blocks += _quantities(test)
    if test.notes:
        blocks += [heading("Remarks"), remarks(test.notes)]
    return section(name_of_test(test.kind, test.title), *blocks)


def _points(test: TestFound) -> list[Block]:
    if not test.points:
        if not test.evaluated:
            return [paragraphs("This test was not evaluated: there are no results of it.")]
        return []
    asked_names = list(dict.fromkeys(str(key) for point in test.points for key in point.asked))
    names = list(test.units)
    with_direction = any(point.direction for point in test.points)
    blocks: list[Block] = [heading("Operating points")]
    pieces = _pieces(test, names, taken=ASKED_LETTERS * len(asked_names) + (DIRECTION_LETTERS if with_direction else 0))
    wide = 0.0 if len(pieces[0]) < 4 else 1.0  # few columns stand closer together than the page is wide
    for number, piece in enumerate(pieces):
        asked = asked_names
        columns = [
            Column(title="no.", right=True),
            *([Column(title="branch")] if with_direction else []),
            *(Column(title=f"asked {split_unit(name)[0]}", unit=split_unit(name)[1], right=True) for name in asked),
            *(Column(title=words(name), unit=unit_text(test.units[name]), right=True, wide=wide) for name in piece),
        ]
        cells = [_point(point, with_direction=with_direction, asked=asked, names=piece) for point in test.points]
        last = number == len(pieces) - 1
        blocks.append(rows(columns, cells, size_pt=SMALLEST_PT, caption=POINTS_CAPTION if last and names else ""))
    return blocks


def _point(point: PointFound, *, with_direction: bool, asked: Sequence[str], names: Sequence[str]) -> list[str]:
    branch = {"up": "rising", "down": "falling"}.get(point.direction, point.direction or "–")
    return [
        str(point.number),
        *([branch] if with_direction else []),
        *(_asked(point.asked.get(name)) for name in asked),
        *(_found(point.values.get(name)) for name in names),
    ]


def _asked(value: object) -> str:
    number = soft.number(value)
    return plain(number) if number is not None else soft.text(value, "–")


def _found(found: Found | None) -> str:
    if found is None:
        return "–"
    shown = stated(found.value, found.standard_uncertainty, "1")
    numbers = between(shown.value, shown.uncertainty)
    return f"({numbers})·{shown.unit}" if shown.unit else numbers  # too small or too large for plain digits


def _pieces(test: TestFound, names: Sequence[str], *, taken: int) -> list[list[str]]:
    """The columns of the tables, as few tables as the page's width allows, about equally full."""
    widths = {name: 3 + max(6, *(len(_found(point.values.get(name))) for point in test.points)) for name in names}
    room = max(PAGE_LETTERS - taken, 20)
    count = max(1, -(-sum(widths.values()) // room))
    while True:
        each = -(-len(names) // count) or 1
        pieces = [list(names[at : at + each]) for at in range(0, len(names), each)] or [[]]
        if each == 1 or all(sum(widths[name] for name in piece) <= room for piece in pieces):
            return pieces
        count += 1


def _quantities(test: TestFound) -> list[Block]:
    if not test.quantities:
        return []
    columns = [
        Column(title="quantity", wide=1.35),
        Column(title="value", right=True),
        Column(title="± U", right=True),
        Column(title="unit"),
        Column(title="k", right=True),
        Column(title="how it came about", wide=2.2),
    ]
    cells = [_quantity(one) for one in test.quantities]
    return [heading("Quantities"), rows(columns, cells, size_pt=SMALL_PT, caption=QUANTITIES_CAPTION)]


def _quantity(one: Any) -> list[str]:
    name, unit = words(soft.text(one.get("name"), "?")), soft.text(one.get("unit"))
    value = soft.number(one.get("value"))
    if value is None:
        reason = soft.text(one.get("reason"), "no reason is stated")
        return [name, "–", "", unit_text(unit), "", f"Not determined: {reason}"]
    shown = stated(value, soft.number(one.get("expanded_uncertainty")), unit)
    factor = soft.number(one.get("coverage_factor"))
    how = soft.text(one.get("how"), "not stated")
    low, high = soft.number(one.get("interval_low")), soft.number(one.get("interval_high"))
    if low is not None and high is not None:
        how += f"; 95 % interval {plain(low, 5)} to {plain(high, 5)} {unit_text(unit)}".rstrip()
    return [name, shown.value, shown.uncertainty, shown.unit, "–" if factor is None else f"{factor:.2f}", how]
