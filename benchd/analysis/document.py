"""Results as a plain document for JSON: stable order, nine significant digits. No clock in it."""

import math
from collections.abc import Mapping
from typing import Any

from benchd.analysis.decision import Decision
from benchd.analysis.propagation import expanded
from benchd.analysis.results import PointResult, RecordResults, TestResults
from benchd.rules.quantities import Quantity

SCHEMA = 2  # of results.json, marked as in every other file of a run folder


def nine_digits(number: float | None) -> float | None:
    """The number rounded to nine significant digits; None for what is not finite (JSON has no word for it)."""
    if number is None or not math.isfinite(number):
        return None
    return float(f"{number:.9g}") + 0.0  # no negative zero


def results_document(results: RecordResults, decision: Decision | None = None) -> dict[str, object]:
    """A dict for JSON. A null value has a `reason`; null degrees of freedom beside a value means infinitely many.

    `decision` is null where nothing was required. A quantity with an interval by propagation of distributions carries
    `interval_low`, `interval_high`, and with which `draws` and `seed` they come out again.
    """
    return {
        "schema": SCHEMA,
        "notes": list(results.notes),
        "decision": None if decision is None else _decision(decision),
        "tests": {name: _test(results.tests[name]) for name in sorted(results.tests)},
    }


def as_present_schema(document: Mapping[str, Any]) -> dict[str, Any]:
    """A results document of this or an older schema, with what older ones did not have yet: no decision, no points.

    Raises `ValueError` in one sentence for a document of a newer release.
    """
    schema = document.get("schema")
    if not isinstance(schema, int) or isinstance(schema, bool) or not 1 <= schema <= SCHEMA:
        raise ValueError(
            f"results of schema {schema!r} are not known here (1 to {SCHEMA}): evaluate the run folder again, or read "
            "it with the release that wrote it"
        )
    tests = {name: {"points": [], "units": {}, **test} for name, test in document["tests"].items()}
    return {"decision": None, **document, "schema": SCHEMA, "tests": tests}


def _decision(decision: Decision) -> dict[str, object]:
    return {
        "verdict": decision.verdict,
        "sentence": decision.sentence,
        "rule": {"kind": decision.rule.kind, "r": nine_digits(decision.rule.r), "sentence": decision.rule.sentence()},
        "requirements": [
            {
                "quantity": finding.requirement.quantity,
                "low": nine_digits(finding.requirement.low),
                "high": nine_digits(finding.requirement.high),
                "unit": finding.requirement.unit,
                "value": nine_digits(finding.value),
                "expanded_uncertainty": nine_digits(finding.expanded_uncertainty),
                "verdict": finding.verdict,
                "sentence": finding.sentence,
            }
            for finding in decision.findings
        ],
    }


def _test(test: TestResults) -> dict[str, object]:
    return {
        "kind": test.kind,
        "index": test.index,
        "notes": list(test.notes),
        "quantities": [_quantity(q) for q in test.quantities],
        "units": dict(test.units),
        "points": [_point(p) for p in test.points],
    }


def _point(point: PointResult) -> dict[str, object]:
    return {
        "number": point.number,
        "direction": point.direction,
        "asked": {name: nine_digits(point.asked[name]) for name in sorted(point.asked)},
        "values": {
            name: {
                "value": nine_digits(measured.value),
                "standard_uncertainty": nine_digits(measured.standard_uncertainty),
            }
            for name, measured in point.values.items()
        },
    }


def _quantity(quantity: Quantity) -> dict[str, object]:
    if quantity.value is None:
        return {"name": quantity.name, "unit": quantity.unit, "value": None, "reason": quantity.reason}
    expanded_uncertainty, k = expanded(quantity)
    plain: dict[str, object] = {
        "name": quantity.name,
        "unit": quantity.unit,
        "value": nine_digits(quantity.value),
        "standard_uncertainty": nine_digits(quantity.standard_uncertainty),
        "degrees_of_freedom": nine_digits(quantity.degrees_of_freedom),
        "expanded_uncertainty": nine_digits(expanded_uncertainty),
        "coverage_factor": nine_digits(k),
    }
    if quantity.interval is not None:
        low, high = quantity.interval
        plain |= {
            "interval_low": nine_digits(low),
            "interval_high": nine_digits(high),
            "draws": quantity.draws,
            "seed": quantity.seed,
        }
    return plain | {
        "how": quantity.how,
        "budget": {name: nine_digits(quantity.budget[name]) for name in sorted(quantity.budget)},
    }
