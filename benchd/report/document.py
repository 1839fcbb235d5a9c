"""Puts a report together from a run's material: sections in their order, as plain values for the pages.

It must never let one spoilt part take the others with it: what cannot be made says so in its place.
"""

import json
from collections.abc import Callable
from typing import Any, TypeVar

from benchd.report import soft
from benchd.report.against import TITLE as AGAINST
from benchd.report.against import against
from benchd.report.blocks import paragraphs, picture, section
from benchd.report.budgets import budgets
from benchd.report.findings import TestFound, tests_of
from benchd.report.formal import closing, report_data
from benchd.report.front import (
    NO_DECISION,
    alarms,
    decision_plate,
    identifier,
    masthead,
    remarks_of,
    requirements,
    shortened,
    title_block,
)
from benchd.report.glance import at_a_glance, glance, glance_picture
from benchd.report.happenings import happenings
from benchd.report.local_time import LocalTime
from benchd.report.material import Material
from benchd.report.rehearsal import RUNNING, mark_of, rehearsal
from benchd.report.rehearsal import TITLE as REHEARSED
from benchd.report.rehearsal import plate as rehearsal_plate
from benchd.report.setting import conditions, equipment, set_up
from benchd.report.testing import test_section
from benchd.report.time_record import time_record
from benchd.report.tripped import TITLE, what_tripped
from benchd.report.words import name_of_test, small

PAPERS = {"a4": "a4", "letter": "us-letter"}
_Made = TypeVar("_Made")


def document(material: Material, *, paper: str) -> dict[str, Any]:
    """The whole report as plain values; `paper` is "a4" or "letter"."""
    at = LocalTime.of(material.description)
    run = material.description
    broken: list[str] = []

    def made(title: str, build: Callable[[], _Made], instead: _Made) -> _Made:
        try:
            return build()
        except Exception as error:  # noqa: BLE001 - a spoilt folder may spoil anything, and the rest must be readable
            broken.append(f"{title}: this part could not be made from the folder ({type(error).__name__}).")
            return instead

    def section_of(title: str, build: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        sorry = section(title, paragraphs("This part could not be made: what the folder holds for it is damaged."))
        return made(title, lambda: _plain(build()), sorry)

    no_tests: list[TestFound] = []
    tests = made("Results", lambda: tests_of(material.results, run, material.events), no_tests)
    notes = {test.index: test.notes for test in tests}
    mark = mark_of(run)
    kind = REHEARSED if mark else "Test report"
    title = f"{kind} {identifier(material)}"
    trip = made(TITLE, lambda: _plain(what_tripped(material, at)), None)
    sections = [
        *([section_of(REHEARSED, lambda: rehearsal(material))] if mark else []),
        *([] if trip is None else [trip]),
        section_of("Equipment", lambda: equipment(material)),
        section_of("Specimen, set-up and limits", lambda: set_up(material)),
        section_of("Conditions", lambda: conditions(material)),
        *(section_of(name_of_test(test.kind, test.title), lambda test=test: _test(material, test)) for test in tests),  # type: ignore[misc]
        *([] if material.against is None else [section_of(AGAINST, lambda: against(material))]),
        section_of("Events, trips, deviations", lambda: happenings(material.events, at, notes=notes)),
        section_of("Time record", lambda: _time_record(material, tests)),
        section_of("Uncertainty budgets", lambda: budgets(tests, _decided(material))),
        section_of("Report data", lambda: report_data(material, tests, at)),
        section_of("Cautions and signatures", lambda: closing(material)),
    ]
    no_plate: dict[str, Any] = {"verdict": NO_DECISION, "headline": "No decision can be read", "sentences": []}
    no_blocks: list[dict[str, Any]] = []
    front = [
        made("Title block", lambda: _plain([title_block(material, at)]), no_blocks),
        made("Requirements", lambda: _plain(requirements(material)), no_blocks),
        made("Results at a glance", lambda: _plain(glance(at_a_glance(tests, _decided(material)))), no_blocks),
        made("Remarks", lambda: _plain(remarks_of(material)), no_blocks),
    ]
    above = made("Alarms", lambda: alarms(material), no_blocks)
    plate = made("Decision", lambda: rehearsal_plate(material) or decision_plate(material), no_plate)
    if broken:
        above = [*above, {"title": "Parts that could not be made", "sentences": broken}]
    return {
        "paper": PAPERS[paper],
        "title": title,
        "author": soft.text(run.get("operator"), "unknown"),
        "mark": mark,
        "keywords": [small(kind), soft.text(run.get("programme"), "programme unknown")],
        "identifier": identifier(material),
        "running": {
            "left": f"{RUNNING if mark else kind}, order {shortened(soft.text(run.get('order'), '?'))}",
            "right": f"serial number {shortened(soft.text(run.get('serial'), '?'))}",
        },
        "masthead": masthead(material, at),
        "decision": plate,
        "alarms": above,
        "front": [block for blocks in front for block in blocks],
        "front_picture": made("Picture of the load test", lambda: _plain(glance_picture(tests)), no_blocks),
        "sections": sections,
    }


def _plain(values: _Made) -> _Made:
    """The values, proven to be such as the pages can take. Raises ValueError or TypeError."""
    json.dumps(values, allow_nan=False)
    return values


def _test(material: Material, test: TestFound) -> dict[str, Any]:
    return test_section(test, [window for window in material.windows if window.test == test.index])


def _decided(material: Material) -> set[str]:
    decision = soft.table(soft.table(material.results).get("decision"))
    return {soft.text(one.get("quantity")) for one in soft.tables(decision.get("requirements"))}


def _time_record(material: Material, tests: list[TestFound]) -> dict[str, Any]:
    title = "Time record"
    if material.samples is None:
        return section(title, paragraphs("There are no samples that can be read."))
    titles = {test.index: name_of_test(test.kind, test.title) for test in tests}
    drawn = time_record(material.samples, material.events, titles)
    if drawn is None:
        return section(title, paragraphs("The samples hold nothing that can be drawn over time."))
    return section(title, picture(*drawn))
