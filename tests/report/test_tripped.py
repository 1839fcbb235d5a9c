"""The page on a trip: cause, steps of the stop, coasting time and the readings about it, read back from the PDF."""

from dataclasses import replace

import numpy as np
import pytest

from benchd.report import Fault, FaultSeries, render
from benchd.report.local_time import LocalTime
from benchd.report.material import Material
from benchd.report.numbers import NARROW
from benchd.report.tripped import what_tripped

from .conftest import Printed
from .made_up import CLOCK
from .pdf_text import Pdf

TRIP_S = CLOCK.mono_s + 40.0
SENTENCE = "shaft_torque above 3 N·m: 3.2 N·m was read (limit from benches/vineyard.toml:88 limits.high)."
CAUSE = {
    "cause": SENTENCE,
    "reaction": "cut",
    "doubted": ["measuring_unit"],
    "seen_first": "",
    "channel": "shaft_torque",
    "bound": "high",
    "limit": 3.0,
}


def event(name: str, after_s: float, **fields: object) -> dict:
    return {"event": name, "time_mono_s": TRIP_S + after_s, "utc": "2026-05-04T06:58:52.250000Z", **fields}


EVENTS = [
    event("test_started", -30.0, test=4, title="Load test"),
    event("made_safe", -29.0, port="supply.output"),  # long before: no step of this stop
    event("crossed", -0.001, cause=SENTENCE, reaction="cut"),
    event("tripped", 0.002, **{key: CAUSE[key] for key in ("cause", "reaction", "doubted")}),
    event("without_torque", 0.1, port="load_drive.axis"),
    event("made_safe", 0.125, port="supply.output"),
    event("made_safe", 0.25, port="motor_drive.axis"),
    event("permit_withdrawn", 0.3, because="The motor drive did not confirm."),
    event("coasting_down", 0.5, from_rpm=2890.0, predicted_s=3.25, sentence="The shaft coasts."),
    event("standstill", 4.0, measured=True, told_by=["load_drive"], untold=[], only_doubted=False),
    event("coasted", 4.0, from_rpm=2890.0, took_s=3.5, predicted_s=3.25),
    event("discharged", 4.5, link_v=12.04),
    event("state", 6.2, before="Aborting", after="Aborted"),
    event("state", 99.0, before="Idle", after="Starting"),
    event("made_safe", 99.5, port="sink.input"),  # the next run's
]


def series(unit: str, value: float) -> FaultSeries:
    time_s = np.arange(-2.0, 5.0, 0.01)
    return FaultSeries(unit=unit, time_s=time_s, value=np.full(time_s.size, value), good=np.ones(time_s.size, bool))


CHANNELS = {
    "shaft_speed": series("r/min", 2900.0),
    "shaft_torque": series("N·m", 2.5),
    "dc_current": series("A", 12.0),
    "dc_voltage": series("V", 48.0),
}


NOTHING = FaultSeries(unit="r/min", time_s=np.zeros(0), value=np.zeros(0), good=np.zeros(0, bool))


def fault(**changed) -> Fault:
    values = {"cause": CAUSE, "trip_mono_s": TRIP_S, "from_s": -2.0, "until_s": 5.0, "whole": True}
    return Fault(**{**values, "channels": CHANNELS, "states": [(-2.0, 6), (0.0, 8)], **changed})


def page_of(pdf: Pdf) -> str:
    (page,) = [page for page in pdf.pages if "What tripped" in page]
    return page


def test_the_page_says_cause_time_reaction_doubts_and_coasting_time(printed: Printed) -> None:
    page = page_of(printed(events=EVENTS, fault=fault()))
    for told in (
        "shaft torque above 3 N·m",
        "08:58:52.250",
        "in test 4, load test",
        "cut: energy is taken away",
        "measuring unit",
        f"predicted 3.25{NARROW}s; measured 3.5{NARROW}s, from 2890{NARROW}r/min",
    ):
        assert told in page, told


def test_the_steps_stand_in_their_order_with_their_times_after_the_cause(printed: Printed) -> None:
    page = page_of(printed(events=EVENTS, fault=fault()))
    steps = ["cause seen", "stop begun", "relieved", "supply off", "stage off", "permit withdrawn", "standstill",
             "discharged", "Aborted"]  # fmt: skip
    rest = page[page.index("How the bench came to rest") :]
    at = [rest.index(step) for step in steps]
    assert at == sorted(at)
    for time in ("+0.100", "+0.125", "+0.250", "+4.000", "+4.500", "+6.200"):
        assert time in rest, time
    assert f"12.0{NARROW}V" in rest
    assert "−29" not in page
    assert "+99" not in page


def panels(material: Material) -> list[dict]:
    return next(block for block in _blocks(material) if block["kind"] == "picture")["chart"]["panels"]


def _blocks(material: Material) -> list[dict]:
    section = what_tripped(material, LocalTime.of(material.description))
    assert section is not None
    return section["blocks"]


def changed(pump: Material, **parts) -> Material:
    return replace(pump, **parts)


def test_the_panels_have_the_cause_at_zero_and_the_tripped_channel_its_limit(pump: Material) -> None:
    found = panels(changed(pump, events=EVENTS, fault=fault()))
    assert [panel["title"] for panel in found] == [
        "Speed in r/min",
        "Torque in N·m",
        "DC current in A",
        "DC voltage in V",
        "Shaft torque, which tripped, in N·m",
    ]
    for panel in found:
        assert panel["moments"] == [pytest.approx(2.0 / 7.0, abs=1e-6)]
    torque, limit = found[-1]["series"]
    assert limit["broken"]
    ticks = {float(tick["text"].replace("−", "-")): tick["at"] for tick in found[-1]["ticks"]}
    (low, at_low), (high, at_high) = min(ticks.items()), max(ticks.items())

    def value(place: float) -> float:
        return low + (place - at_low) * (high - low) / (at_high - at_low)

    assert value(limit["runs"][0][0][1]) == pytest.approx(3.0, abs=1e-3)
    assert value(torque["runs"][0][0][1]) == pytest.approx(2.5, abs=1e-3)


@pytest.mark.parametrize("bound", ["stale", None])
def test_a_cause_that_is_no_bound_on_a_value_draws_no_limit(pump: Material, bound: str | None) -> None:
    cause = {**CAUSE, "bound": bound, "limit": 0.5}
    found = panels(changed(pump, events=EVENTS, fault=fault(cause=cause)))
    assert all(not line["broken"] for panel in found for line in panel["series"])


def test_a_chain_that_explained_the_cause_is_named_with_what_was_seen_first(printed: Printed) -> None:
    explained = event("explained", 0.02, cause="The emergency stop is pressed.", seen_first=SENTENCE)
    page = page_of(printed(events=[*EVENTS[:4], explained, *EVENTS[4:]], fault=fault()))
    assert page.index("The emergency stop is pressed") < page.index("shaft torque above 3 N·m")
    assert "Seen first" in page


def test_a_shaft_that_was_braked_did_not_coast_and_an_unknown_friction_predicts_nothing(printed: Printed) -> None:
    braked = [one for one in EVENTS if one["event"] not in {"coasting_down", "coasted"}]
    assert "the shaft did not coast" in page_of(printed(events=braked, fault=fault()))
    unknown = [{**one, "predicted_s": None} if one["event"] == "coasting_down" else one for one in EVENTS]
    assert "not predicted" in page_of(printed(events=unknown, fault=fault()))


def test_a_record_that_was_closed_early_says_how_far_it_reaches(printed: Printed) -> None:
    assert "The record ends 1.25 s after the cause" in page_of(
        printed(events=EVENTS, fault=fault(whole=False, until_s=1.25))
    )


def test_a_trip_without_a_record_has_its_page_and_says_so(printed: Printed) -> None:
    page = page_of(printed(events=EVENTS))
    assert "There is no fault record" in page
    assert "permit withdrawn" in page


def test_a_run_that_did_not_trip_has_no_such_page(printed: Printed) -> None:
    assert not any("What tripped" in page for page in printed().pages)


def test_the_page_repeats_byte_for_byte_and_is_pdf_a(pump: Material) -> None:
    material = changed(pump, samples=None, events=EVENTS, fault=fault())
    first = render(material, paper="a4")
    assert render(material, paper="a4") == first
    assert b"<pdfaid:part>2</pdfaid:part>" in first
    assert b"<pdfaid:conformance>B</pdfaid:conformance>" in first
    assert len(Pdf(render(material, paper="letter")).pages) == len(Pdf(first).pages)


def test_the_page_stands_on_one_sheet_of_either_paper(printed: Printed) -> None:
    for paper in ("a4", "letter"):
        page = page_of(printed(paper=paper, events=EVENTS, fault=fault()))
        assert "Time after the first cause" in page


@pytest.mark.parametrize(
    "spoilt",
    [
        {"cause": {}},
        {"cause": {"cause": 3, "doubted": "all", "channel": ["x"], "limit": "much", "bound": "high"}},
        {"channels": {}},
        {"channels": {"shaft_speed": NOTHING}},
        {"until_s": -2.0},
        {"states": [(0.0, 99)]},
    ],
)
def test_a_spoilt_record_costs_no_more_than_what_is_spoilt(printed: Printed, spoilt: dict) -> None:
    pdf = printed(events=EVENTS, fault=fault(**spoilt))
    assert "could not be made" not in pdf.text
    assert "How the bench came to rest" in page_of(pdf)
