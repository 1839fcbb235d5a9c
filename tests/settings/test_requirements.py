"""What a programme requires of its results and the rule for deciding; impossible ones are told with file and line."""

from typing import Any

import pytest

from benchd.settings.bench import DecisionRule, Requirement
from benchd.settings.load import Registry, SettingsError, load_programme

DECIDED = """\
[decision]
rule = "guard band"
guard_band_ratio = 0.5
[[requirement]]
quantity = "load.efficiency_at_rated_torque"
low = 0.8
high = 1
unit = "1"
[[requirement]]
quantity = "no_load.no_load_current"
high = 0.6
unit = "A"
"""


@pytest.fixture
def decided(site: Any) -> Any:
    site.add(site.programme, DECIDED)
    return site


def test_a_programme_without_requirements_decides_nothing(site: Any, registry: Registry) -> None:
    programme = load_programme(site.programme, registry)
    assert programme.decision is None
    assert programme.requirements == ()


def test_rule_and_requirements_are_plain_values_in_the_order_of_the_file(decided: Any, registry: Registry) -> None:
    programme = load_programme(decided.programme, registry)
    assert programme.decision == DecisionRule(rule="guard band", guard_band_ratio=0.5)
    assert programme.requirements == (
        Requirement(quantity="load.efficiency_at_rated_torque", low=0.8, high=1.0, unit="1"),
        Requirement(quantity="no_load.no_load_current", low=None, high=0.6, unit="A"),
    )


def test_a_guard_band_is_the_expanded_uncertainty_unless_told_otherwise(decided: Any, registry: Registry) -> None:
    decided.change(decided.programme, "guard_band_ratio = 0.5\n", "")
    assert load_programme(decided.programme, registry).decision == DecisionRule(rule="guard band", guard_band_ratio=1.0)


def test_simple_acceptance_has_no_guard_band(decided: Any, registry: Registry) -> None:
    decided.change(decided.programme, 'rule = "guard band"\nguard_band_ratio = 0.5\n', 'rule = "simple acceptance"\n')
    decision = load_programme(decided.programme, registry).decision
    assert decision == DecisionRule(rule="simple acceptance", guard_band_ratio=0.0)


def test_tests_of_one_kind_are_told_apart_by_their_place(decided: Any, registry: Registry) -> None:
    decided.change(decided.programme, '[[test]]\nkind = "no_load"', '[[test]]\nkind = "load"\nsupply_voltage_v = 12\n'
                   'torques_nm = [0.1]\ntorque_slope_nm_per_s = 0.1\n[[test]]\nkind = "no_load"')  # fmt: skip
    with pytest.raises(SettingsError) as caught:
        load_programme(decided.programme, registry)
    assert "the programme has no test load; did you mean load_" in caught.value.sentence
    decided.change(decided.programme, '"load.efficiency', '"load_2.efficiency')
    assert load_programme(decided.programme, registry).requirements[0].quantity.startswith("load_2.")


MISTAKES = [
    ('"guard band"', '"guardband"', "decision.rule", 'must be "simple acceptance" or "guard band", not the text'),
    ("guard_band_ratio = 0.5", "guard_band_ratio = -1", "decision.guard_band_ratio", "must be at least 0, not -1"),
    ("guard_band_ratio", "guard_band", "decision.guard_band", "did you mean guard_band_ratio?"),
    ('rule = "guard band"\n', "", "decision.rule", "is missing; add it to [decision]"),
    ('rule = "guard band"', 'rule = "simple acceptance"', "decision.guard_band_ratio", "has no effect with rule"),
    ("low = 0.8\nhigh = 1\n", "", "requirement item 1", "requires nothing; add low, high or both"),
    ("low = 0.8", "low = 1.2", "requirement.low", "is 1.2 and must stay below high, which is 1"),
    ("low = 0.8", "low = 1", "requirement.low", "must stay below high"),
    ("low = 0.8", 'low = "0.8"', "requirement.low", 'must be a number, not the text "0.8"'),
    ('unit = "A"\n', "", "requirement.unit", "is missing; add it to [[requirement]]"),
    ('unit = "A"', 'units = "A"', "requirement.units", "did you mean unit?"),
    ('"no_load.no_load_current"', '"back_emf.voltage_constant"', "requirement.quantity", "has no test back_emf"),
    ('"no_load.no_load_current"', '"no_load_current"', "requirement.quantity", "does not have the form"),
    ('"no_load.no_load_current"', '"load.efficiency_at_rated_torque"', "requirement.quantity", "a second time"),
    (
        '[decision]\nrule = "guard band"\nguard_band_ratio = 0.5\n',
        "",
        "decision",
        "is missing, but the file has requir",
    ),
]


@pytest.mark.parametrize("mistake", MISTAKES, ids=[f"{key}-{says[:24]}" for _, _, key, says in MISTAKES])
def test_a_mistake_is_one_sentence_with_file_line_and_key(
    decided: Any, registry: Registry, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    decided.change(decided.programme, old, new)
    with pytest.raises(SettingsError) as caught:
        load_programme(decided.programme, registry)
    error = caught.value
    assert error.key == key
    assert says in error.sentence
    assert error.sentence.startswith(f"programmes/acceptance.toml:{error.line} {key} ")
    assert "more problem" not in error.sentence


def test_a_rule_that_has_nothing_to_decide_is_told(site: Any, registry: Registry) -> None:
    site.add(site.programme, '[decision]\nrule = "simple acceptance"\n')
    with pytest.raises(SettingsError, match=r"decision has nothing to decide on; add a \[\[requirement\]\]"):
        load_programme(site.programme, registry)
