"""Uncertainty budgets of the headline quantities. It must never leave out a share without saying how much it was."""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import paragraphs, section
from benchd.report.findings import TestFound
from benchd.report.numbers import stated, two_digits, unit_text
from benchd.report.words import name_of_test, title_words, words

HEADLINES = frozenset(
    {
        "winding_resistance",
        "winding_resistance_20",
        "phase_resistance_20",
        "no_load_speed",
        "no_load_current",
        "no_load_power",
        "voltage_constant",
        "voltage_constant_per_1000_rpm",
        "back_emf_constant",
        "torque_constant",
        "friction_torque_at_no_load",
        "friction_torque_coulomb",
        "brush_drop",
        "stall_torque",
        "maximum_output_power",
        "maximum_efficiency",
        "speed_at_rated_torque",
        "current_at_rated_torque",
        "efficiency_at_rated_torque",
        "efficiency",
        "motor_efficiency",
        "output_power",
        "torque_zero",
    }
)
ELSE_FIRST = 4  # of a test none of whose quantities is a headline
MOST = 24
SMALLEST_SHARE = 0.01  # of u²; smaller ones are summed in one line


def budgets(tests: Sequence[TestFound], decided: Collection[str]) -> dict[str, Any]:
    """The section; `decided` names the quantities that a decision rests on, which come first."""
    chosen = headline_quantities(tests, decided)
    if not chosen:
        return section("Uncertainty budgets", paragraphs("No quantity with a budget was determined."))
    said = paragraphs(
        "Each contribution as a standard uncertainty in the quantity's unit, and its share of the combined variance "
        "u² (JCGM 100, 5). Contributions below 1 % of u² are summed.",
        sticky=True,
    )
    told = [_budget(test, one) for test, one in chosen[:MOST]]
    blocks = [said, {"kind": "budgets", "budgets": told}]
    if len(chosen) > MOST:
        blocks.append(paragraphs(f"{len(chosen) - MOST} further budgets stand in results.json."))
    return section("Uncertainty budgets", *blocks)


def headline_quantities(
    tests: Sequence[TestFound], decided: Collection[str]
) -> list[tuple[TestFound, Mapping[str, Any]]]:
    """The quantities that stand for a run, those that a decision rests on first, each once."""
    first: list[tuple[TestFound, Mapping[str, Any]]] = []
    then: list[tuple[TestFound, Mapping[str, Any]]] = []
    seen = set()
    for test in tests:
        known = [
            one
            for one in test.quantities
            if soft.table(one.get("budget")) and soft.number(one.get("value")) is not None
        ]
        names = HEADLINES & {str(one["name"]) for one in known} or {str(one["name"]) for one in known[:ELSE_FIRST]}
        for one in known:
            mark = (str(one["name"]), one["value"])  # a quantity of two tests that were evaluated together
            if mark in seen:
                continue
            if {str(one["name"]), f"{test.kind}.{one['name']}"} & set(decided):
                first.append((test, one))
            elif one["name"] in names:
                then.append((test, one))
            else:
                continue
            seen.add(mark)
    return [*first, *then]


def _budget(test: TestFound, one: Mapping[str, Any]) -> dict[str, Any]:
    unit = soft.text(one.get("unit"))
    value = soft.number(one.get("value")) or 0.0
    shares = {str(name): size for name, share in soft.table(one.get("budget")).items() if (size := soft.number(share))}
    total = sum(size**2 for size in shares.values())
    large = [name for name in shares if shares[name] ** 2 >= SMALLEST_SHARE * total]
    large.sort(key=lambda name: (-shares[name], name))
    told = [[words(name), _size(shares[name]), _percent(shares[name] ** 2 / total)] for name in large]
    rest = sum(size**2 for name, size in shares.items() if name not in large)
    if rest > 0.0:
        count = len(shares) - len(large)
        name = "one other" if count == 1 else f"{count} others"
        told.append([name, _size(math.sqrt(rest)), _percent(rest / total)])
    combined = soft.number(one.get("standard_uncertainty"))
    if combined is not None:
        told.append(["combined", _size(combined), "100"])
    degrees = soft.number(one.get("degrees_of_freedom"))
    effective = "∞" if degrees is None or degrees > 9999 else f"{degrees:.0f}"
    result = stated(value, soft.number(one.get("expanded_uncertainty")), unit).whole
    factor = soft.number(one.get("coverage_factor"))
    return {
        "title": f"{title_words(str(one['name']))} ({name_of_test(test.kind, test.title)})",
        "result": result + ("" if factor is None else f", k = {factor:.2f}, ν = {effective}"),
        "unit": f"u in {unit_text(unit)}" if unit_text(unit) else "u",
        "rows": told,
    }


def _size(size: float) -> str:
    return two_digits(size)


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f}" if share >= 0.01 else "< 1"
