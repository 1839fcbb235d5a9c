"""What the first page and the budgets choose to show."""

import pytest

from benchd.analysis.headline import HEADLINES as EVALUATED
from benchd.report.budgets import HEADLINES
from benchd.report.findings import TestFound
from benchd.report.findings import tests_of as found_tests  # pytest would take tests_of for a test
from benchd.report.glance import at_a_glance

from .conftest import Printed
from .made_up import description, quantity, results


def test_budgets_are_shown_of_the_quantities_that_the_evaluation_calls_headlines() -> None:
    assert {kind: tuple(names) for kind, names in HEADLINES.items()} == dict(EVALUATED)


def chosen(*decided: str, without: str = "") -> list[str]:
    found = results()
    found["tests"].pop(without, None)
    tests: list[TestFound] = found_tests(found, description(), [])
    return [f"{test.kind}.{one['name']}" for test, one in at_a_glance(tests, decided)]


def test_what_the_requirements_show_is_not_repeated() -> None:
    assert chosen()[0] == "rated_point.efficiency"
    assert "rated_point.efficiency" not in chosen("rated_point.efficiency")
    assert "load.torque_constant" not in chosen("torque_constant")


def test_without_a_rated_point_the_load_test_stands_in_for_it() -> None:
    assert "load.efficiency_at_rated_torque" not in chosen()
    assert chosen(without="rated_point")[0] == "load.efficiency_at_rated_torque"


@pytest.mark.parametrize("many", [False, True])
def test_the_load_test_is_pictured_on_the_first_page_where_there_is_room(printed: Printed, *, many: bool) -> None:
    found = results(decision=None, notes=[f"Remark {number}, " + 25 * "and so on " for number in range(20 * many)])
    pdf = printed(results=found)
    assert ("Load test at a glance" in pdf.pages[0]) is not many
    assert ("Load test at a glance" in pdf.text) is not many


def test_settings_that_are_null_are_left_out(printed: Printed) -> None:
    tests = description()["tests"]
    tests[2]["settings"]["supply_voltages_v"] = None
    assert "upply voltages" not in printed(run={"tests": tests}).text
    tests[2]["settings"]["supply_voltages_v"] = [24.0, 48.0]
    assert "Supply voltages24, 48" in printed(run={"tests": tests}).text


def test_a_headline_of_an_unknown_kind_of_test_is_shown_all_the_same(printed: Printed) -> None:
    own = {
        "kind": "cogging",
        "index": 0,
        "notes": [],
        "points": [],
        "quantities": [quantity("ripple", "N·m", 1.5, 0.1)],
    }
    first = printed(results=results(tests={"cogging": own}, decision=None)).pages[0]
    assert "Ripple" in first
