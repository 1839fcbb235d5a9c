"""What a programme requires of its results, and by which rule that is decided. It must never know a result."""

from collections.abc import Iterator, Sequence

from benchd.settings.bench import DecisionRule, Requirement
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.specimen_files import ProgrammeFile


def decision_problems(document: Document, file: ProgrammeFile, kinds: Sequence[str]) -> Iterator[Problem]:
    """Requirements that bound nothing or the impossible, that name a test the programme has not, or without a rule.

    `kinds` are those of the tests in their order: results are named by kind, and by kind and place where a kind occurs
    more than once.
    """
    names = [kind if kinds.count(kind) == 1 else f"{kind}_{place}" for place, kind in enumerate(kinds)]
    seen: set[str] = set()
    for place, one in enumerate(file.requirement):
        path = ("requirement", place)
        test, _, _ = one.quantity.partition(".")
        if test not in names:
            says = f'is "{one.quantity}", but the programme has no test {test}; {nearest(test, names)}'
            yield document.problem((*path, "quantity"), says)
        elif one.quantity in seen:
            says = f'is "{one.quantity}" a second time; put low and high into one [[requirement]]'
            yield document.problem((*path, "quantity"), says)
        seen.add(one.quantity)
        if one.low is None and one.high is None:
            yield document.problem(path, "requires nothing; add low, high or both")
        elif one.low is not None and one.high is not None and one.low >= one.high:
            says = f"is {one.low:g} and must stay below high, which is {one.high:g}; correct one of them"
            yield document.problem((*path, "low"), says)
    if file.requirement and file.decision is None:
        says = (
            "is missing, but the file has requirements; add a table [decision] with the rule that was agreed, "
            '"simple acceptance" or "guard band"'
        )
        yield document.problem(("decision",), says)
    if file.decision is not None and not file.requirement:
        says = "has nothing to decide on; add a [[requirement]] or leave the table out"
        yield document.problem(("decision",), says)
    if (
        file.decision is not None
        and file.decision.rule == "simple acceptance"
        and "guard_band_ratio" in file.decision.model_fields_set
    ):
        says = 'has no effect with rule = "simple acceptance"; leave it out or write rule = "guard band"'
        yield document.problem(("decision", "guard_band_ratio"), says)


def decision_of(file: ProgrammeFile) -> DecisionRule | None:
    """The rule, None where nothing is required; simple acceptance has no guard band."""
    if file.decision is None:
        return None
    ratio = file.decision.guard_band_ratio if file.decision.rule == "guard band" else 0.0
    return DecisionRule(rule=file.decision.rule, guard_band_ratio=ratio)


def requirements_of(file: ProgrammeFile) -> tuple[Requirement, ...]:
    """The requirements in the order of the file."""
    return tuple(
        Requirement(quantity=one.quantity, low=one.low, high=one.high, unit=one.unit) for one in file.requirement
    )
