"""The decision that a programme asked for, and what forbids to take it. It never turns one for the better."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

from benchd.analysis.decision import Decision, Requirement, Rule, decide
from benchd.analysis.results import RecordResults
from benchd.records.formats import ENDING, EVENTS, PARQUET, RUN, SIDECAR, STREAM, SUMS, WAVEFORMS

NOT_COMPLETE = "the run did not complete"
_RAW = (RUN, ENDING, EVENTS, STREAM, SIDECAR, PARQUET, SUMS)
_RAW_FILE = re.compile(rf"(?<![\w.-])(?:{'|'.join(map(re.escape, _RAW))}|{WAVEFORMS}/[\w.=-]*\w)(?![\w-]|\.\w)")

_COMPARED = re.compile(r"has \d+ rows and \S+ \d+ readable ones")


def decision_on(
    programme: Mapping[str, Any], results: RecordResults, *, unfinished: bool, damaged: Sequence[str]
) -> Decision | None:
    """The decision on what this programme requires; None where it requires nothing.

    A run that did not complete is never accepted: what it had kept until then says nothing of what tripped it. On
    `damaged` files nothing is decided at all: neither what is kept nor what is broken need be what was measured.
    """
    requirements = [
        Requirement(
            quantity=str(one["quantity"]), low=one.get("low"), high=one.get("high"), unit=str(one.get("unit", "1"))
        )
        for one in programme.get("requirement", ())
    ]
    if not requirements:
        return None
    rule = programme.get("decision", {})
    kind: Literal["simple_acceptance", "guard_band"] = (
        "simple_acceptance" if rule.get("rule") == "simple acceptance" else "guard_band"
    )
    decision = decide(requirements, results, Rule(kind=kind, r=float(rule.get("guard_band_ratio", 1.0))))
    reasons = [NOT_COMPLETE] if unfinished and decision.verdict == "accepted" else []
    if damaged:
        reasons.append(damage_words(damaged))
    return replace(decision, verdict="undecided", sentence=_left_open(decision, reasons)) if reasons else decision


def damage_words(damaged: Sequence[str]) -> str:
    """Half a sentence on files that are not as they were recorded."""
    return f"what was recorded is damaged or incomplete ({', '.join(damaged)})"


def raw_files_in(sentences: Iterable[str]) -> list[str]:
    """The recorded file that each sentence blames, its first; a sentence about anything else names none.

    A sentence that only holds two files against each other blames its first where no other sentence blames either.
    """
    blaming = [one.replace(f" in {SUMS}", "") for one in sentences]  # what a file's sum is listed in is not to blame
    plain = [found[0] for one in blaming if not _COMPARED.search(one) and (found := _RAW_FILE.search(one)) is not None]
    compared = [_RAW_FILE.findall(one) for one in blaming if _COMPARED.search(one)]
    plain += [both[0] for both in compared if both and not set(both) & set(plain)]
    return list(dict.fromkeys(plain))


def _left_open(decision: Decision, reasons: Sequence[str]) -> str:
    count = len(decision.findings)
    why = " and ".join(reasons)
    if decision.verdict == "accepted":
        kept = "the one requirement is" if count == 1 else f"all {count} requirements are"
        return f"Undecided: {kept} kept, but {why}."
    if decision.verdict == "rejected":
        names = ", ".join(f.requirement.quantity for f in decision.findings if f.verdict == "rejected")
        return f"Undecided: not kept, of {count} requirements: {names}; but {why}."
    return f"{decision.sentence.removesuffix('.')}; besides, {why}."
