"""Results as a plain document for JSON: stable order, nine significant digits. No clock in it."""

import math

from benchd.analysis.propagation import expanded
from benchd.analysis.results import RecordResults, TestResults
from benchd.rules.quantities import Quantity

SCHEMA = 1  # of results.json, marked as in every other file of a run folder


def nine_digits(number: float | None) -> float | None:
    """The number rounded to nine significant digits; None for what is not finite (JSON has no word for it)."""
    if number is None or not math.isfinite(number):
        return None
    return float(f"{number:.9g}") + 0.0  # no negative zero


def results_document(results: RecordResults) -> dict[str, object]:
    """A dict for JSON. A null value has a `reason`; null degrees of freedom beside a value means infinitely many."""
    return {
        "schema": SCHEMA,
        "notes": list(results.notes),
        "tests": {name: _test(results.tests[name]) for name in sorted(results.tests)},
    }


def _test(test: TestResults) -> dict[str, object]:
    return {
        "kind": test.kind,
        "index": test.index,
        "notes": list(test.notes),
        "quantities": [_quantity(q) for q in test.quantities],
    }


def _quantity(quantity: Quantity) -> dict[str, object]:
    if quantity.value is None:
        return {"name": quantity.name, "unit": quantity.unit, "value": None, "reason": quantity.reason}
    expanded_uncertainty, k = expanded(quantity)
    return {
        "name": quantity.name,
        "unit": quantity.unit,
        "value": nine_digits(quantity.value),
        "standard_uncertainty": nine_digits(quantity.standard_uncertainty),
        "degrees_of_freedom": nine_digits(quantity.degrees_of_freedom),
        "expanded_uncertainty": nine_digits(expanded_uncertainty),
        "coverage_factor": nine_digits(k),
        "how": quantity.how,
        "budget": {name: nine_digits(quantity.budget[name]) for name in sorted(quantity.budget)},
    }
