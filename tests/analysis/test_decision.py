"""Decisions by the stated rule, and the sentences that go with them.

ISO 14253-1 and ILAC-G8:09/2019: simple acceptance, and a guard band w = r·U (values from memory).
"""

import math

import pytest

from benchd.analysis.decision import Requirement, Rule, decide, stated
from benchd.analysis.results import RecordResults, TestResults
from benchd.rules.quantities import Quantity

NAME = "load.efficiency_at_rated_torque"
K = 1.959964  # infinitely many degrees of freedom
U = 0.0098  # expanded


def results(value, *, unit="1", u=U / K):
    quantity = (
        Quantity.not_determined("efficiency_at_rated_torque", unit, "the points do not reach rated torque")
        if value is None
        else Quantity(name="efficiency_at_rated_torque", unit=unit, value=value, standard_uncertainty=u)
    )
    other = Quantity(name="input_power", unit="W", value=100.0, standard_uncertainty=1.0)
    return RecordResults(tests={"load": TestResults(kind="load", index=0, quantities=[quantity, other])})


AT_LEAST = Requirement(quantity=NAME, low=0.85)
GUARDED, SIMPLE = Rule(), Rule(kind="simple_acceptance")


@pytest.mark.parametrize(
    ("value", "guarded", "simple"),
    [
        (0.8700, "accepted", "accepted"),
        (0.8599, "accepted", "accepted"),  # by more than U
        (0.8597, "undecided", "accepted"),  # by less than U
        (0.8500, "undecided", "accepted"),  # on the limit
        (0.8499, "undecided", "rejected"),
        (0.8403, "undecided", "rejected"),  # broken by less than U
        (0.8401, "rejected", "rejected"),  # broken by more than U
    ],
)
def test_a_lower_limit_under_both_rules(value, guarded, simple):
    assert decide([AT_LEAST], results(value), GUARDED).verdict == guarded
    assert decide([AT_LEAST], results(value), SIMPLE).verdict == simple


@pytest.mark.parametrize(("value", "verdict"), [(0.80, "rejected"), (0.86, "accepted"), (0.875, "undecided")])
def test_two_limits_are_both_kept_or_it_is_not_accepted(value, verdict):
    both = Requirement(quantity=NAME, low=0.84, high=0.88)
    assert decide([both], results(value), GUARDED).verdict == verdict
    assert decide([Requirement(quantity=NAME, high=0.88)], results(0.90), GUARDED).verdict == "rejected"


def test_a_tolerance_narrower_than_the_uncertainty_can_never_be_accepted():
    tight = Requirement(quantity=NAME, low=0.859, high=0.861)
    assert decide([tight], results(0.86), GUARDED).verdict == "undecided"
    assert decide([tight], results(0.86), SIMPLE).verdict == "accepted"


def test_a_guard_band_of_another_width_moves_the_bounds_and_none_is_simple_acceptance():
    assert decide([AT_LEAST], results(0.856), Rule(r=0.5)).verdict == "accepted"
    assert decide([AT_LEAST], results(0.856), Rule(r=1.0)).verdict == "undecided"
    assert decide([AT_LEAST], results(0.8499), Rule(r=0.0)).verdict == "rejected"


def test_the_sentence_says_what_was_required_what_was_found_and_why():
    (finding,) = decide([AT_LEAST], results(0.8712), GUARDED).findings
    assert finding.sentence == (
        "load.efficiency_at_rated_torque: at least 0.85 required, found 0.8712 ± 0.0098 (95 %, k = 1.96): accepted, "
        "it keeps the lower limit by at least the guard band of 0.0098."
    )
    assert finding.value == 0.8712
    assert finding.expanded_uncertainty == pytest.approx(U)
    assert "w = 1·U" in GUARDED.sentence()


def test_what_is_not_determined_is_undecided_and_says_why():
    (finding,) = decide([AT_LEAST], results(None), GUARDED).findings
    assert finding.verdict == "undecided"
    assert "the points do not reach rated torque" in finding.sentence
    for quantity, why in (
        ("rated_point.x", "no evaluated test rated_point, it has load"),
        ("load.x", "no quantity x"),
    ):
        (finding,) = decide([Requirement(quantity=quantity, high=1.0)], results(0.9), SIMPLE).findings
        assert finding.verdict == "undecided"
        assert why in finding.sentence


def test_a_number_that_is_none_is_undecided_under_both_rules():
    for rule in (GUARDED, SIMPLE):
        assert decide([AT_LEAST], results(math.nan), rule).verdict == "undecided"
        assert decide([AT_LEAST], results(0.9, u=math.nan), rule).verdict == "undecided"


def test_a_requirement_in_another_unit_decides_nothing():
    (finding,) = decide([Requirement(quantity=NAME, low=85.0, unit="%")], results(0.87), GUARDED).findings
    assert finding.verdict == "undecided"
    assert "the quantity is in plain numbers" in finding.sentence


def test_one_rejected_requirement_rejects_the_whole_and_one_undecided_leaves_it_open():
    power = [Requirement(quantity="load.input_power", high=high, unit="W") for high in (110.0, 101.0, 90.0)]
    kept, near, broken = power
    assert decide([AT_LEAST, kept], results(0.9), GUARDED).verdict == "accepted"
    assert decide([AT_LEAST, near], results(0.9), GUARDED).verdict == "undecided"
    whole = decide([AT_LEAST, near, broken], results(0.9), GUARDED)
    assert whole.verdict == "rejected"
    assert [f.verdict for f in whole.findings] == ["accepted", "undecided", "rejected"]
    assert whole.sentence == "Rejected: not kept, of 3 requirements: load.input_power."


def test_requirements_and_rules_that_mean_nothing_are_refused():
    with pytest.raises(ValueError, match="neither low nor high"):
        Requirement(quantity=NAME)
    with pytest.raises(ValueError, match="low above high"):
        Requirement(quantity=NAME, low=1.0, high=0.5)
    with pytest.raises(ValueError, match="0 or more"):
        Rule(r=-0.1)
    with pytest.raises(ValueError, match="no requirement"):
        decide([], results(0.9), GUARDED)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (3012.345, 1.2345, "3012.3 ± 1.2"),
        (3012.345, 123.45, "3010 ± 120"),
        (0.0123456, 0.00099612, "0.0123 ± 0.0010"),
        (5.0, 9.96, "5 ± 10"),
        (-1.4e-5, 0.0012, "0.0000 ± 0.0012"),
        (5.0, 0.0, "5 ± 0"),
    ],
)
def test_values_are_stated_to_the_place_of_two_digits_of_their_uncertainty(value, u, text):
    assert stated(value, u) == text  # JCGM 100, 7.2.6
