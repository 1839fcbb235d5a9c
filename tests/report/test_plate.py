"""The decision's plate says why, and whatever the tests' remarks say is not said twice."""

from typing import Any

import pytest

from benchd.report.front import decision_plate
from benchd.report.material import Material

from .conftest import Printed
from .made_up import decision, quantity, results

SAID = "shaft_speed did not settle within 5 r/min at 48 V, 2 N·m."
IN_WORDS = SAID.replace("shaft_speed", "shaft speed")
OTHER = "The load drive was slow to follow."
LOAD = 4  # place of the load test


def plate(printed_of: Material, found: dict[str, Any], **changed: Any) -> dict[str, Any]:
    parts = {name: getattr(printed_of, name) for name in ("folder", "description", "ending", "events", "samples")}
    return decision_plate(Material(**parts | {"results": results(decision=found)} | changed))


def test_the_decision_s_own_sentence_stands_under_it_in_words(pump: Material, printed: Printed) -> None:
    found = decision() | {"sentence": "Undecided: not shown to be kept: load.efficiency_at_rated_torque."}
    shown = plate(pump, found)
    assert shown["headline"] == "Undecided"
    assert shown["sentences"][0] == "Not shown to be kept: efficiency at rated torque (load)."
    first = printed(results=results(decision=found)).pages[0]
    assert first.index("Undecided") < first.index("Not shown to be kept") < first.index("1 accepted, 2 undecided")


def test_why_a_run_whose_requirements_are_kept_is_not_accepted_can_be_read(printed: Printed) -> None:
    kept = decision("accepted") | {
        "verdict": "undecided",
        "sentence": "Undecided: the one requirement is kept, but the run did not complete.",
    }
    first = printed(results=results(decision=kept)).pages[0]
    assert "The one requirement is kept, but the run did not complete." in first
    assert "1 requirement: 1 accepted." in first


def test_a_decision_without_a_sentence_is_told_by_its_count_alone(pump: Material) -> None:
    found = decision()
    del found["sentence"]
    assert plate(pump, found)["sentences"][0] == "3 requirements: 1 accepted, 2 undecided."


@pytest.mark.parametrize("verdict", ["accepted", "rejected"])
def test_a_verdict_that_must_not_be_believed_now_is_told_and_stands_as_undecided(pump: Material, verdict: str) -> None:
    shown = plate(pump, decision(verdict), withheld="what was recorded is damaged or incomplete (events.jsonl)")
    assert (shown["verdict"], shown["headline"]) == ("undecided", "Undecided")
    why = f"The results say {verdict}, but what was recorded is damaged or incomplete (events.jsonl)."
    assert shown["sentences"][0] == why


def test_a_deviation_that_its_test_s_remarks_tell_stands_in_the_report_once(printed: Printed) -> None:
    found = results()
    found["tests"]["load"]["notes"] = [SAID]
    events = [{"event": "deviation", "test": LOAD, "sentence": one} for one in (SAID, SAID, OTHER)]
    text = printed(results=found, events=events).text
    assert text.count(IN_WORDS) == 1
    assert SAID not in text
    assert text.count(OTHER) == 1  # no remark tells it
    assert "2 deviations stand in the remarks of the tests." in text
    assert "2 in the remarks of the tests; 1 listed under events" in text


def test_a_deviation_of_another_test_is_listed_however_its_words_are(printed: Printed) -> None:
    found = results()
    found["tests"]["load"]["notes"] = [SAID]
    for elsewhere in ({"test": LOAD - 1}, {}):
        text = printed(results=found, events=[{"event": "deviation", "sentence": SAID, **elsewhere}]).text
        assert text.count(SAID) == 1
        assert "1 listed under events" in text
        assert "stands in the remarks" not in text


def test_deviations_that_remarks_tell_are_not_called_none(printed: Printed) -> None:
    found = results()
    found["tests"]["load"]["notes"] = [SAID]
    text = printed(results=found, events=[{"event": "deviation", "test": LOAD, "sentence": SAID}]).text
    assert "One deviation stands in the remarks of the tests." in text
    assert "None was recorded." not in text


def test_a_caption_never_stands_on_a_page_without_its_table(printed: Printed) -> None:
    begun = 0
    for count in range(56, 64):  # the table ends at the foot of its page with one of these
        found = results(tests={"load": results()["tests"]["load"]})
        found["tests"]["load"]["quantities"] = [quantity(f"number_{n}", "W", 1.0, 0.1) for n in range(count)]
        found["tests"]["load"]["points"] = []
        pages = printed(results=found, paper="letter").pages
        (page,) = (page for page in pages if "U: expanded uncertainty" in page)
        assert f"Number {count - 1}" in page.partition("U: expanded uncertainty")[0]
        begun += f"Number {count - 3}" not in page
    assert begun >= 1  # it was near the end of a page once
