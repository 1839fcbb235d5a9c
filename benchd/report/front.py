"""The first page: title block, decision, cause of a trip, what is missing. It must never decide, only repeat."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import Block, heading, pairs, remarks
from benchd.report.happenings import first_cause
from benchd.report.local_time import NOT_RECORDED, LocalTime, parsed
from benchd.report.material import Material
from benchd.report.numbers import plain, stated, with_unit
from benchd.report.words import capital, sentence_words, small, title_words, words

VERDICTS = {"accepted": "Accepted", "rejected": "Rejected", "undecided": "Undecided"}
KINDS = {"brushed_dc": "brushed DC motor", "brushless": "brushless motor on a converter"}
SETTLED = frozenset({"accepted", "rejected"})
NO_DECISION = "none"
INTERRUPTED = "interrupted"  # its ending was written when the folder was closed afterwards, whenever that was
MOST_LETTERS = 40  # of one part of the identifier, which stands on every page


def identifier(material: Material) -> str:
    """What tells this report from any other: order, serial number, start and the raw data's hash."""
    run = material.description
    start = parsed(run.get("started_utc"))
    stamp = "" if start is None else f"{start:%Y%m%dT%H%M%SZ}"
    raw = raw_data(material)
    parts = (soft.text(run.get("order")), soft.text(run.get("serial")), stamp, "" if raw is None else raw[1][:8])
    return " / ".join(shortened(part) for part in parts if part) or shortened(material.folder)


def shortened(text: str) -> str:
    """The text, cut where it is too long for the head and foot of every page."""
    return text if len(text) <= MOST_LETTERS else f"{text[: MOST_LETTERS - 1]}…"


def raw_data(material: Material) -> tuple[str, str] | None:
    """Name and SHA-256 of the raw data's file; None where no sum is listed."""
    for name in ("samples.parquet", "samples.arrows"):
        if name in material.sums:
            return name, material.sums[name]
    return None


def masthead(material: Material, at: LocalTime) -> dict[str, Any]:
    """The report's title with what a reader looks for first."""
    run = material.description
    motor = soft.table(soft.table(run.get("configuration")).get("motor"))
    maker = [soft.text(motor.get("manufacturer")), soft.text(motor.get("type_designation"))]
    kind = KINDS.get(soft.text(motor.get("kind")), "")
    subtitle = ", ".join(part for part in (" ".join(filter(None, maker)), kind) if part)
    return {
        "title": "Rehearsal" if at.virtual else "Test report",
        "subtitle": subtitle or "specimen not described",
        "corner": [
            f"Order {soft.text(run.get('order'), NOT_RECORDED)}",
            f"Serial number {soft.text(run.get('serial'), NOT_RECORDED)}",
            at.day(run.get("started_utc")),
        ],
    }


def title_block(material: Material, at: LocalTime) -> Block:
    """Order, specimen, serial number, operator, times, software."""
    run = material.description
    ending = soft.table(material.ending)
    software = soft.table(run.get("software"))
    entries = [
        ("Order", soft.text(run.get("order"), NOT_RECORDED)),
        ("Serial number", soft.text(run.get("serial"), NOT_RECORDED)),
        ("Programme", soft.text(run.get("programme"), NOT_RECORDED)),
        ("Operator", soft.text(run.get("operator"), NOT_RECORDED)),
        ("Bench", soft.text(run.get("bench"), NOT_RECORDED)),
        ("Started", at.second(run.get("started_utc"))),
        ("Ended", NOT_RECORDED if ending.get("ending") == INTERRUPTED else at.second(ending.get("utc"))),
        ("Duration", _duration(run, ending)),
        ("How it ended", soft.text(ending.get("ending"), "the folder has no ending")),
        ("Software", f"benchd {soft.text(software.get('benchd'), 'of unknown version')}"),
    ]
    return pairs(entries, double=True)


def _duration(run: Mapping[str, Any], ending: Mapping[str, Any]) -> str:
    start, end = parsed(run.get("started_utc")), parsed(ending.get("utc"))
    if start is None or end is None or ending.get("ending") == INTERRUPTED:
        return NOT_RECORDED
    seconds = (end - start).total_seconds()
    if seconds < 120.0:
        return with_unit(plain(round(seconds, 1)), "s")
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return (with_unit(str(hours), "h") + " " if hours else "") + f"{with_unit(str(minutes), 'min')} {rest}\u202fs"


def alarms(material: Material) -> list[dict[str, Any]]:
    """What must stand above everything else: a trip, a run without a regular end, missing or changed data."""
    found = []
    if material.description.get("rehearsal") is not None:
        sentence = (
            "No specimen was tested and no bench was touched: every value in it is computed by a simulated bench."
        )
        found.append({"title": "REHEARSAL on a simulated bench", "sentences": [sentence]})
    cause = first_cause(material.events)
    ending = soft.table(material.ending)
    how = soft.text(ending.get("ending"))
    why = soft.text(ending.get("why"))
    if cause is not None:
        told = [sentence_words(cause)]
        if why and cause not in why:
            told.append(sentence_words(f"The run was {how}: {why}"))
        found.append({"title": "The run was tripped", "sentences": told})
    elif how and how != "complete":
        found.append(
            {"title": f"The run did not complete: it was {how}", "sentences": [sentence_words(why)] if why else []}
        )
    elif not how:
        found.append({"title": "The run has no ending", "sentences": ["It was interrupted, or its ending is lost."]})
    missing = [*material.missing, *soft.sentences(ending.get("missing"))]
    if missing:
        found.append({"title": "Missing or changed data", "sentences": list(dict.fromkeys(missing))})
    return found


def decision_plate(material: Material) -> dict[str, Any]:
    """Accepted, rejected, undecided or no decision, with the reason in a few sentences.

    A verdict of results that must not be believed now is told, and stands as undecided.
    """
    results = material.results
    decision = None if results is None else results.get("decision")
    if not isinstance(decision, Mapping):
        return {"verdict": NO_DECISION, "headline": "No decision", "sentences": [_why_none(material)]}
    verdict = soft.text(decision.get("verdict"))
    stated_rule = decision.get("rule")
    rule = soft.text(stated_rule) or soft.text(soft.table(stated_rule).get("sentence"))
    listed = soft.tables(decision.get("requirements"))
    sentences = [one for one in (_reason(decision, verdict, listed), _count(listed)) if one]
    if material.withheld and verdict in SETTLED:
        sentences.insert(0, f"The results say {verdict}, but {material.withheld}.")
        verdict = "undecided"
    if rule:
        sentences.append(f"Decision rule: {rule}")
    return {
        "verdict": verdict if verdict in VERDICTS else NO_DECISION,
        "headline": VERDICTS.get(verdict, f"Unknown verdict: {verdict or 'none is stated'}"),
        "sentences": sentences,
    }


def _reason(decision: Mapping[str, Any], verdict: str, listed: Sequence[Mapping[str, Any]]) -> str:
    """The decision's own sentence, without the verdict before it, which stands above it in large letters."""
    said = soft.text(decision.get("sentence")).removeprefix(f"{VERDICTS.get(verdict, '')}: ")
    for one in listed:
        if name := soft.text(one.get("quantity")):
            said = re.sub(rf"(?<![\w.]){re.escape(name)}(?![\w.]\w)", lambda _, name=name: small(_named(name)), said)  # type: ignore[misc]
    return capital(sentence_words(said))


def _why_none(material: Material) -> str:
    if material.results is None:
        return "There are no results to decide on."
    return "No requirement was set for this specimen, so that nothing was to be decided."


def _count(requirements: Sequence[Mapping[str, Any]]) -> str:
    if not requirements:
        return "No requirement is listed."
    counts = [
        f"{number} {word}" for word in VERDICTS if (number := sum(one.get("verdict") == word for one in requirements))
    ]
    name = "requirement" if len(requirements) == 1 else "requirements"
    return f"{len(requirements)} {name}: {', '.join(counts) or 'none of them decided'}."


def requirements(material: Material) -> list[Block]:
    """The table of requirements with what was found."""
    listed = soft.tables(soft.table(soft.table(material.results).get("decision")).get("requirements"))
    if not listed:
        return []
    return [heading("Requirements"), {"kind": "requirements", "requirements": [_requirement(r) for r in listed]}]


def remarks_of(material: Material) -> list[Block]:
    """The evaluation's sentences about the whole run, without those that stand above already."""
    notes = soft.sentences(soft.table(material.results).get("notes"))
    notes = [note for note in notes if note not in material.missing]
    if not notes:
        return []
    return [heading("Remarks of the evaluation"), remarks([sentence_words(note) for note in notes])]


def _requirement(one: Mapping[str, Any]) -> dict[str, Any]:
    unit = soft.text(one.get("unit"))
    value, uncertainty = soft.number(one.get("value")), soft.number(one.get("expanded_uncertainty"))
    low, high = soft.number(one.get("low")), soft.number(one.get("high"))
    return {
        "quantity": _named(soft.text(one.get("quantity"), "unnamed quantity")),
        "range": _range(low, high, unit),
        "found": "not determined" if value is None else stated(value, uncertainty, unit).whole,
        "strip": strip(low, high, value, uncertainty),
        "verdict": soft.text(one.get("verdict"), "no verdict"),
        "sentence": _sentence(soft.text(one.get("sentence")), soft.text(one.get("quantity"))),
    }


def _sentence(sentence: str, quantity: str) -> str:
    """The evaluation's sentence without the quantity's name before it, which stands above it in words."""
    return capital(sentence_words(sentence.removeprefix(f"{quantity}: ")))


def _named(quantity: str) -> str:
    """`load.stall_torque` as "Stall torque (load)"."""
    test, _, name = quantity.rpartition(".")
    return f"{title_words(name)} ({words(test)})" if test else title_words(name)


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"{plain(low)} to {with_unit(plain(high), unit)}"
    if low is not None:
        return f"at least {with_unit(plain(low), unit)}"
    if high is not None:
        return f"at most {with_unit(plain(high), unit)}"
    return "no bound stated"


def strip(
    low: float | None, high: float | None, value: float | None, uncertainty: float | None
) -> dict[str, Any] | None:
    """Where the required range and the value's interval stand on a line of length 1; None without bound or value."""
    bounds = [bound for bound in (low, high) if bound is not None]
    if not bounds or value is None:
        return None
    half = uncertainty or 0.0
    ends = [*bounds, value - half, value + half]
    span = (max(ends) - min(ends)) or max(abs(ends[0]) * 0.01, 1e-9)
    left, right = min(ends) - 0.2 * span, max(ends) + 0.2 * span

    def at(place: float) -> float:
        return round((place - left) / (right - left), 4)

    return {
        "low": 0.0 if low is None else at(low),
        "high": 1.0 if high is None else max(at(high), 0.0 if low is None else at(low)),
        "bounds": [at(bound) for bound in bounds],
        "value": at(value),
        "from": at(value - half),
        "to": at(value + half),
    }
