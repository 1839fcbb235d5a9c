"""The pages of a rehearsal: what it is, what it would trip on, peaks against limits, energies. It must never judge."""

from collections.abc import Mapping
from typing import Any

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, heading, pairs, paragraphs, remarks, rows, section
from benchd.report.material import Material
from benchd.report.numbers import plain, with_unit
from benchd.report.words import sentence_words, words

TITLE = "Rehearsal"
MARK = "REHEARSAL"
RUNNING = "REHEARSAL on a simulated bench, no specimen was tested"
WATT_SECONDS_A_WATT_HOUR = 3600.0
SIDES = {"low": "least", "high": "greatest", "stale": "oldest"}
WHAT_IT_IS = (
    "The programme was played by the same code that plays it on the bench, on a simulated bench and in virtual time. "
    "What it shows is a plan: a real specimen, a real bench and their faults may do otherwise, and nothing here "
    "replaces the limits, the hardware safety chain or the people who watch both."
)
OF_THE_TICKS = (
    "Peaks are those of the recorded ticks, since the limits were in force. Share is the part of the way from zero to "
    "the limit. A limit with a delay trips only what stays beyond it for as long."
)
PEOPLE = (
    "People were stood in for: the safety chain was reset, the start released and each question answered with the "
    "first answer that does not end the run, two seconds after each was asked for."
)


def mark_of(run: Mapping[str, Any]) -> str:
    """What every page of this run's report is marked with; "" for a real run."""
    return "" if run.get("rehearsal") is None else MARK


def plate(material: Material) -> dict[str, Any] | None:
    """In place of the decision: whether the programme completes; None for a real run."""
    if not mark_of(material.description):
        return None
    found = soft.table(soft.table(material.results).get("rehearsal"))
    completes = found.get("completes")
    headline = "Rehearsal: not evaluated"
    if found:
        headline = "Rehearsal: it completes" if completes is True else "Rehearsal: it would not complete"
        headline = "Rehearsal: it would trip" if soft.table(found.get("trip")) else headline
    verdict = "none" if not found or completes is True else "rejected"
    said = soft.text(found.get("sentence"))
    return {
        "verdict": verdict,
        "headline": headline,
        "sentences": [
            *([sentence_words(said)] if said else []),
            "Nothing is decided on a specimen that was not there.",
        ],
    }


def rehearsal(material: Material) -> dict[str, Any]:
    """The section of what the rehearsal found."""
    found = soft.table(soft.table(material.results).get("rehearsal"))
    if not found:
        return section(TITLE, paragraphs(WHAT_IT_IS, "It could not be evaluated."))
    return section(
        TITLE,
        paragraphs(WHAT_IT_IS, PEOPLE),
        _conditions(found),
        *_assumed(found),
        *_out_of_reach(found),
        heading("Peaks against limits"),
        _limits(found),
        heading("Tests"),
        _tests(found),
        heading("Energies and powers"),
        _energies(found),
        heading("Temperatures"),
        _temperatures(found),
        page=True,
    )


def _conditions(found: Mapping[str, Any]) -> Block:
    entries = [
        ("Simulated bench", soft.text(found.get("twin"), "not recorded")),
        ("Simulated specimen", soft.text(found.get("specimen"), "not recorded")),
        ("Seed of its noise", _number(found, "seed", "")),
        ("Bench time", _number(found, "duration_s", "s")),
        ("Starts at", "all at ambient temperature, shaft at rest"),
        ("Earlier runs", _earlier(found)),
    ]
    return pairs(entries)


def _earlier(found: Mapping[str, Any]) -> str:
    used = soft.tables(found.get("earlier"))
    if not used:
        return "none was used: the values are those of the files"
    return "; ".join(
        f"{words(soft.text(one.get('name')))} {_number(one, 'value', soft.text(one.get('unit')))} from "
        f"{soft.text(one.get('file'))}"
        for one in used
    )


def _assumed(found: Mapping[str, Any]) -> list[Block]:
    told = soft.sentences(found.get("assumed"))
    if not told:
        return []
    said = " ".join(sentence_words(one) for one in told)
    return [heading("Taken for granted"), paragraphs(said, size_pt=SMALL_PT)]


def _out_of_reach(found: Mapping[str, Any]) -> list[Block]:
    listed = soft.tables(found.get("unreachable"))
    if not listed:
        return [paragraphs("Every point was reached.")]
    told = []
    for one in listed:
        point = soft.whole(one.get("point"))
        where = soft.text(one.get("title")) + ("" if point is None else f", point {point}")
        told.append(f"{where}: {sentence_words(soft.text(one.get('sentence')))}")
    return [heading("Points out of reach"), remarks(list(dict.fromkeys(told)))]


def _limits(found: Mapping[str, Any]) -> Block:
    listed = soft.tables(found.get("limits"))
    if not listed:
        return paragraphs("No limit was in force: the rehearsal ended before.")
    columns = [
        Column(title="channel", wide=1.2),
        Column(title="peak", right=True),
        Column(title="limit", right=True),
        Column(title="share", right=True),
        Column(title="at", unit="s", right=True),
        Column(title="delay", unit="s", right=True),
        Column(title="reaction"),
        Column(title="said by", wide=1.5),
    ]
    cells, strong = [], []
    for number, one in enumerate(listed):
        share, unit = soft.number(one.get("share")), soft.text(one.get("unit"))
        bound = soft.text(one.get("bound"))
        if share is not None and share > 1.0:
            strong.append(number)
        cells.append(
            [
                f"{words(soft.text(one.get('channel')))}, {SIDES.get(bound, bound)}",
                _number(one, "peak", unit),
                _number(one, "limit", unit),
                "–" if share is None else f"{share * 100.0:.0f}\u202f%",
                _number(one, "at_s", "", digits=6),
                _number(one, "delay_s", ""),
                words(soft.text(one.get("reaction"))),
                soft.text(one.get("origin")).rpartition("/")[2],
            ]
        )
    return rows(columns, cells, size_pt=SMALL_PT, strong=strong, caption=OF_THE_TICKS)


def _tests(found: Mapping[str, Any]) -> Block:
    columns = [
        Column(title="test", wide=1.0),
        Column(title="from", unit="s", right=True),
        Column(title="until", unit="s", right=True),
        Column(title="played to its end"),
    ]
    cells = [
        [
            soft.text(one.get("title")),
            _number(one, "from_s", "", digits=6),
            _number(one, "until_s", "", digits=6),
            "yes" if one.get("ended") is True else "no",
        ]
        for one in soft.tables(found.get("tests"))
    ]
    return rows(columns, cells, size_pt=SMALL_PT) if cells else paragraphs("No test was begun.")


def _energies(found: Mapping[str, Any]) -> Block:
    columns = [
        Column(title="at", wide=1.0),
        Column(title="taken", unit="W·h", right=True),
        Column(title="given back", unit="W·h", right=True),
        Column(title="greatest power", unit="W", right=True),
        Column(title="least power", unit="W", right=True),
    ]
    cells = [
        [
            soft.text(one.get("where")),
            _watt_hours(one, "given_ws"),
            _watt_hours(one, "back_ws"),
            _number(one, "highest_w", ""),
            _number(one, "lowest_w", ""),
        ]
        for one in soft.tables(found.get("energies"))
    ]
    if not cells:
        return paragraphs("No channels of this bench tell a power.")
    caption = "Powers are positive where the specimen motors; each integrated over the recorded ticks."
    return rows(columns, cells, size_pt=SMALL_PT, caption=caption)


def _watt_hours(one: Mapping[str, Any], key: str) -> str:
    energy_ws = soft.number(one.get(key))
    return "–" if energy_ws is None else plain(energy_ws / WATT_SECONDS_A_WATT_HOUR, 3)


def _temperatures(found: Mapping[str, Any]) -> Block:
    columns = [
        Column(title="place", wide=1.0),
        Column(title="at the start", unit="°C", right=True),
        Column(title="highest", unit="°C", right=True),
        Column(title="at", unit="s", right=True),
        Column(title="at the end", unit="°C", right=True),
    ]
    cells = [
        [
            words(soft.text(one.get("channel"))),
            _number(one, "first_degc", ""),
            _number(one, "highest_degc", ""),
            _number(one, "at_s", "", digits=6),
            _number(one, "last_degc", ""),
        ]
        for one in soft.tables(found.get("temperatures"))
    ]
    return rows(columns, cells, size_pt=SMALL_PT) if cells else paragraphs("No temperature was read.")


def _number(one: Mapping[str, Any], key: str, unit: str, *, digits: int = 4) -> str:
    value = soft.number(one.get(key))
    if value is None:
        return "–"
    return with_unit(plain(value, digits), unit) if unit else plain(value, digits)
