"""A section a test: what was asked, picture, points, quantities. It must never compute a result."""

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, heading, pairs, paragraphs, picture, remarks, rows, section
from benchd.report.course_words import PARTS, parts_told
from benchd.report.curves import curves
from benchd.report.findings import TestFound
from benchd.report.material import Window
from benchd.report.numbers import plain, stated, with_unit
from benchd.report.point_tables import point_tables
from benchd.report.sayings import told_once
from benchd.report.waves import waves
from benchd.report.words import capital, name_of_test, pairs_of, sentence_words, title_words, words

TEXT_LETTERS = 82  # of a quantity's name and how it came about, in one row
QUANTITIES_CAPTION = (
    "U: expanded uncertainty for a coverage of 95 %; k: its coverage factor, Student's t at the effective degrees of "
    "freedom (JCGM 100, G.3 and G.4)."
)


def test_section(test: TestFound, windows: Sequence[Window]) -> dict[str, Any]:
    """The section of one test."""
    blocks: list[Block] = []
    alone = {key: value for key, value in test.settings.items() if key != PARTS or not soft.tables(value)}
    asked = [*pairs_of(alone), *parts_told(test.settings)]
    if asked:
        short = all(len(name) < 26 and len(value) < 44 for name, value in asked)
        told = [(capital(name), value) for name, value in asked]
        blocks += [heading("Asked"), pairs(told, double=short, sticky=True)]
    else:
        blocks.append(paragraphs("What was asked for is not recorded."))
    drawn = curves(test)
    if drawn is not None:
        blocks.append(picture(*drawn))
    for window in windows:
        shown = waves(window)
        if shown is not None:
            blocks += [heading(f"Waveforms at point {window.point}"), picture(*shown)]
    blocks += point_tables(test)
    blocks += _quantities(test)
    if test.notes:
        blocks += [heading("Remarks"), remarks([sentence_words(note) for note in test.notes])]
    return section(name_of_test(test.kind, test.title), *blocks)


def _quantities(test: TestFound) -> list[Block]:
    determined = [one for one in test.quantities if soft.number(one.get("value")) is not None]
    missing = [one for one in test.quantities if soft.number(one.get("value")) is None]
    blocks = [*([_determined(determined)] if determined else []), *([_missing(missing)] if missing else [])]
    return [heading("Quantities"), *blocks] if blocks else []


def _determined(quantities: Sequence[Mapping[str, Any]]) -> Block:
    longest = max(len(_name(one)) for one in quantities)
    name_wide = min(max(longest, 16), 32)
    columns = [
        Column(title="quantity", wide=name_wide),
        Column(title="value", right=True),
        Column(title="± U", right=True),
        Column(title="unit"),
        Column(title="k", right=True),
        Column(title="how it came about", wide=TEXT_LETTERS - name_wide),
    ]
    hows, notes = told_once([capital(sentence_words(soft.text(one.get("how"), "not stated"))) for one in quantities])
    cells = [[*_numbers(one), _with_interval(how, one)] for one, how in zip(quantities, hows, strict=True)]
    return rows(columns, cells, size_pt=SMALL_PT, caption=" ".join([*notes, QUANTITIES_CAPTION]))


def _missing(quantities: Sequence[Mapping[str, Any]]) -> Block:
    """The quantities without a number, those with one reason in one row."""
    by_reason: dict[str, list[str]] = {}
    for one in quantities:
        reason = capital(sentence_words(soft.text(one.get("reason"), "no reason is stated")))
        by_reason.setdefault(reason, []).append(words(soft.text(one.get("name"), "?")))
    columns = [Column(title="not determined", wide=1.0), Column(title="because", wide=1.0)]
    cells = [[capital(", ".join(names)), reason] for reason, names in by_reason.items()]
    return rows(columns, cells, size_pt=SMALL_PT)


def _name(one: Mapping[str, Any]) -> str:
    return title_words(soft.text(one.get("name"), "?"))


def _numbers(one: Mapping[str, Any]) -> list[str]:
    """Name, value, ± U, unit, k."""
    shown = stated(
        soft.number(one.get("value")) or 0.0, soft.number(one.get("expanded_uncertainty")), soft.text(one.get("unit"))
    )
    factor = soft.number(one.get("coverage_factor"))
    return [_name(one), shown.value, shown.uncertainty, shown.unit, "–" if factor is None else f"{factor:.2f}"]


def _with_interval(how: str, one: Mapping[str, Any]) -> str:
    """How the value came about, and behind it the interval by propagation of distributions."""
    low, high = soft.number(one.get("interval_low")), soft.number(one.get("interval_high"))
    if low is None or high is None:
        return how
    told = with_unit(f"{plain(low, 5)} to {plain(high, 5)}", soft.text(one.get("unit")))
    return f"{how}{'' if how.endswith(('.', ']')) else '.'} 95 % interval: {told}."
