"""Results of an evaluation: quantities and sentences by test. It holds and sorts them; it must never compute one."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from benchd.analysis.propagation import Output
from benchd.rules.quantities import Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One number at one operating point with its standard uncertainty, in the unit of the point table's column."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PointResult:
    """One operating point of a test: what was asked for and what was found there, by name."""

    number: int
    direction: str  # "up", "down" or ""
    asked: Mapping[str, float]
    values: Mapping[str, Measured]


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResults:
    """What one test gave: quantities in a stable order, its points, and sentences a reader of the report must see.

    `units` gives the unit of each name in the points' `values`, in the order of a table's columns.
    """

    __test__ = False  # pytest: this is no test case

    kind: str
    index: int
    quantities: Sequence[Quantity]
    notes: Sequence[str] = ()
    points: Sequence[PointResult] = ()
    units: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordResults:
    """What a whole record gave, by test name (the kind; with its index where a kind occurs more than once)."""

    tests: Mapping[str, TestResults]
    notes: Sequence[str] = field(default=())

    def quantity(self, test: str, name: str) -> Quantity:
        """One quantity by test and name; raises `KeyError` naming what there is."""
        for quantity in self.tests[test].quantities:
            if quantity.name == name:
                return quantity
        known = ", ".join(q.name for q in self.tests[test].quantities)
        raise KeyError(f"test {test} has no quantity {name}: choose one of {known}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A quantity that a test should give, and how it comes about."""

    name: str
    unit: str
    how: str


def collect(wanted: Sequence[Wanted], outputs: Mapping[str, Output], reasons: Mapping[str, str]) -> list[Quantity]:
    """The wanted quantities in their order; what has no number is "not determined" with its reason."""
    quantities = []
    for want in wanted:
        output = outputs.get(want.name)
        if output is None or not math.isfinite(output.value):
            reason = reasons.get(want.name, "the evaluation gives no number for these points")
            quantities.append(Quantity.not_determined(want.name, want.unit, reason))
            continue
        drawn = output.drawn
        quantities.append(
            Quantity(
                name=want.name,
                unit=want.unit,
                value=output.value,
                standard_uncertainty=output.standard_uncertainty,
                degrees_of_freedom=output.degrees_of_freedom,
                how=want.how,
                budget=output.budget,
                interval=None if drawn is None else (drawn.low, drawn.high),
                draws=0 if drawn is None else drawn.draws,
                seed=0 if drawn is None else drawn.seed,
            )
        )
    return quantities
