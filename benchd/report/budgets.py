"""Uncertainty budgets of the headline quantities. It must never leave out a share without saying how much it was."""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.blocks import paragraphs, section
from benchd.report.findings import TestFound
from benchd.report.glance import Chosen, at_a_glance, is_decided
from benchd.report.numbers import stated, two_digits, unit_text
from benchd.report.words import name_of_test, title_words, words

HEADLINES: Mapping[str, Sequence[str]] = {  # by kind of test; a test proves that the evaluation names the same
    "winding_resistance": (
        "resistance_between_terminals",
        "resistance_between_terminals_20",
        "terminal_resistance",
        "terminal_resistance_20",
    ),
    "torque_zero": ("torque_zero",),
    "no_load": ("no_load_speed", "no_load_current", "no_load_losses"),
    "back_emf": ("voltage_constant", "torque_constant"),
    "load": (
        "efficiency_at_rated_torque",
        "system_efficiency_at_rated_torque",
        "shaft_power_at_rated_torque",
        "output_power_at_rated_torque",
        "losses_at_rated_torque",
        "voltage_constant",
        "torque_constant",
        "winding_resistance_20",
    ),
    "duty_cycle": ("cycle_efficiency", "electrical_energy_in", "mechanical_energy_out", "rms_torque"),
    "rated_point": ("efficiency", "system_efficiency", "shaft_power", "losses"),
}
ELSE_FIRST = 4  # of a test none of whose quantities is a headline
MOST = 32
SMALLEST_SHARE = 0.01  # of u²; smaller ones are summed in one line


def budgets(tests: Sequence[TestFound], decided: Collection[str]) -> dict[str, Any]:
    """The section; `decided` names the quantities that a decision rests on, which come first."""
    chosen = with_budget(tests, decided)
    if not chosen:
        return section("Uncertainty budgets", paragraphs("No quantity with a budget was determined."))
    said = paragraphs(
        "Each contribution as a standard uncertainty in the quantity's unit, and its share of the combined variance "
        "u² (JCGM 100, 5). Contributions below 1 % of u² are summed.",
        sticky=True,
    )
    told = _side_by_side([_budget(test, one) for test, one in chosen[:MOST]])
    blocks = [said, {"kind": "budgets", "budgets": told}]
    if len(chosen) > MOST:
        blocks.append(paragraphs(f"{len(chosen) - MOST} further budgets stand in results.json."))
    return section("Uncertainty budgets", *blocks)


def with_budget(tests: Sequence[TestFound], decided: Collection[str]) -> list[Chosen]:
    """What a decision rests on, then what the first page shows, then the other headlines; each once."""
    known = [
        (test, one)
        for test in tests
        for one in test.quantities
        if soft.table(one.get("budget")) and soft.number(one.get("value")) is not None
    ]
    bearing = [(test, one) for test, one in known if is_decided(test, one, decided)]
    shown = [(test, one) for test, one in at_a_glance(tests, decided) if (test, one) in known]
    rest = [(test, one) for test in tests for one in _headlines(test, [it for of, it in known if of is test])]
    chosen: list[Chosen] = []
    seen = set()
    for test, one in (*bearing, *shown, *rest):
        mark = (str(one["name"]), one["value"])  # a quantity of two tests that were evaluated together
        if mark not in seen:
            seen.add(mark)
            chosen.append((test, one))
    return chosen


def _side_by_side(told: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The budgets in about their order, such as are equally long beside each other."""
    left = list(told)
    ordered = []
    while left:
        one = left.pop(0)
        ordered.append(one)
        if left:
            nearest = min(range(len(left)), key=lambda at: (abs(len(left[at]["rows"]) - len(one["rows"])), at))
            ordered.append(left.pop(nearest))
    return ordered


def _headlines(test: TestFound, known: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    names = HEADLINES.get(test.kind, ())
    return [one for one in known if one["name"] in names] or list(known[:ELSE_FIRST])


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
