"""Accepted, rejected or undecided: results against what was required of them. It must never change a result.

The rule is the one agreed beforehand: simple acceptance, which compares the value with the limit as if it had no doubt,
or a guard band w = r·U about each limit, within which nothing is decided (ISO 14253-1; ILAC-G8:09/2019; values from
memory). U is the expanded uncertainty for 95 %.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchd.analysis.propagation import expanded
from benchd.analysis.results import RecordResults
from benchd.rules.quantities import Quantity

Verdict = Literal["accepted", "rejected", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """What one quantity has to keep: `quantity` is test and name ("load.efficiency_at_rated_torque").

    At least one of `low` and `high`, in `unit`; a value on a limit keeps it.
    """

    quantity: str
    low: float | None = None
    high: float | None = None
    unit: str = "1"

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError(f"the requirement on {self.quantity} names neither low nor high: give at least one")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"the requirement on {self.quantity} has low above high: exchange them")


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """The decision rule: simple acceptance, or a guard band of `r` times the expanded uncertainty."""

    kind: Literal["simple_acceptance", "guard_band"] = "guard_band"
    r: float = 1.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.r) and self.r >= 0.0):
            raise ValueError(f"the guard band's r is {self.r}: give a number of 0 or more")

    def sentence(self) -> str:
        """The rule in words, for whoever reads a decision."""
        if self.kind == "simple_acceptance":
            return (
                "Simple acceptance (ILAC-G8:09/2019): accepted where the value keeps the limits, rejected where it "
                "does not; the measurement's uncertainty is stated and does not enter."
            )
        return (
            f"Guard band w = {self.r:g}·U (ISO 14253-1, ILAC-G8:09/2019): accepted where the value keeps the limits by "
            "at least w, rejected where it breaks one by more than w, undecided between."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The decision on one requirement with its sentence; `value` and `expanded_uncertainty` None without a number."""

    requirement: Requirement
    verdict: Verdict
    sentence: str
    value: float | None = None
    expanded_uncertainty: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The decision on the whole and on each requirement, in the requirements' order."""

    verdict: Verdict
    sentence: str
    rule: Rule
    findings: tuple[Finding, ...]


def decide(requirements: Sequence[Requirement], results: RecordResults, rule: Rule) -> Decision:
    """The decision on these requirements: one rejected rejects the whole, else one undecided leaves it open.

    Raises `ValueError` without a requirement: then there is nothing to decide.
    """
    if not requirements:
        raise ValueError("there is no requirement to decide on: name at least one, or ask for no decision")
    findings = tuple(_finding(requirement, results, rule) for requirement in requirements)
    verdict: Verdict = "accepted"
    for kind in ("rejected", "undecided"):
        if any(finding.verdict == kind for finding in findings):
            verdict = "rejected" if kind == "rejected" else "undecided"
            break
    return Decision(verdict=verdict, sentence=_whole(verdict, findings), rule=rule, findings=findings)


def _whole(verdict: Verdict, findings: Sequence[Finding]) -> str:
    count = len(findings)
    names = ", ".join(f.requirement.quantity for f in findings if f.verdict == verdict)
    if verdict == "accepted":
        return (
            "Accepted: the one requirement is kept." if count == 1 else f"Accepted: all {count} requirements are kept."
        )
    if verdict == "rejected":
        return f"Rejected: not kept, of {count} requirements: {names}."
    return f"Undecided: none of {count} requirements is broken, but not shown to be kept: {names}."


def _finding(requirement: Requirement, results: RecordResults, rule: Rule) -> Finding:
    wanted = f"{requirement.quantity}: {_required(requirement)} required"
    found = _quantity(requirement.quantity, results)
    if isinstance(found, str):
        return Finding(requirement=requirement, verdict="undecided", sentence=f"{wanted}, {found}: undecided.")
    if found.unit != requirement.unit:
        why = f"but the quantity is in {_unit(found.unit)}; state the requirement in that unit"
        return Finding(requirement=requirement, verdict="undecided", sentence=f"{wanted}, {why}: undecided.")
    u, k = expanded(found)
    if found.value is None or not (math.isfinite(found.value) and math.isfinite(u)):
        why = f"not determined ({found.reason or 'the evaluation gives no number'})"
        return Finding(requirement=requirement, verdict="undecided", sentence=f"{wanted}, {why}: undecided.")
    verdict, why = _judged(requirement, found.value, u, rule)
    shown = f"found {stated(found.value, u)}{_after(found.unit)} (95 %, k = {k:.2f})"
    return Finding(
        requirement=requirement,
        verdict=verdict,
        sentence=f"{wanted}, {shown}: {verdict}, {why}.",
        value=found.value,
        expanded_uncertainty=u,
    )


def _quantity(name: str, results: RecordResults) -> Quantity | str:
    """The quantity of this name, or what is missing, in words."""
    test, _, rest = name.partition(".")
    if test not in results.tests:
        known = ", ".join(sorted(results.tests)) or "none"
        return f"not determined (the run has no evaluated test {test}, it has {known})"
    for quantity in results.tests[test].quantities:
        if quantity.name == rest:
            return quantity
    return f"not determined (test {test} gives no quantity {rest})"


def _judged(requirement: Requirement, value: float, u: float, rule: Rule) -> tuple[Verdict, str]:
    low = -math.inf if requirement.low is None else requirement.low
    high = math.inf if requirement.high is None else requirement.high
    inside = min(value - low, high - value)  # what is left to the nearer limit; negative where it is broken
    limit = "lower" if value - low <= high - value else "upper"
    if rule.kind == "simple_acceptance":
        if inside >= 0.0:
            return "accepted", f"it keeps the {limit} limit"
        return "rejected", f"it breaks the {limit} limit"
    w = rule.r * u
    band = f"the guard band of {_short(w)}{_after(requirement.unit)}"
    if inside >= w:
        return "accepted", f"it keeps the {limit} limit by at least {band}"
    if -inside > w:
        return "rejected", f"it breaks the {limit} limit by more than {band}"
    return "undecided", f"it is nearer to the {limit} limit than {band}"


def _required(requirement: Requirement) -> str:
    unit = _after(requirement.unit)
    if requirement.low is None:
        return f"at most {requirement.high:g}{unit}"
    if requirement.high is None:
        return f"at least {requirement.low:g}{unit}"
    return f"{requirement.low:g} to {requirement.high:g}{unit}"


def _after(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _unit(unit: str) -> str:
    return "plain numbers" if unit == "1" else unit


def _short(number: float) -> str:
    return f"{number:.2g}"


def stated(value: float, expanded_uncertainty: float) -> str:
    """Value ± expanded uncertainty, this rounded to two significant digits and the value to the same place (7.2.6)."""
    if not expanded_uncertainty > 0.0:
        return f"{value:g} ± 0"
    decimals = 1 - math.floor(math.log10(expanded_uncertainty))
    if round(expanded_uncertainty, decimals) >= 10.0 ** (2 - decimals):
        decimals -= 1  # 0.0996 rounds to 0.10
    places = max(decimals, 0)
    return f"{round(value, decimals):z.{places}f} ± {round(expanded_uncertainty, decimals):.{places}f}"
