"""The paper of a campaign: says what was measured, bold where it was not as wanted, and repeats byte for byte."""

from typing import Any

import pytest

from benchd.report.commissioning import commissioning, render_commissioning

from .pdf_text import Pdf


def answer(what: str, *, order_s: float | None = 0.012, as_wanted: bool = True, **more: Any) -> dict[str, Any]:
    return {
        "what": what,
        "kind": "limit",
        "origin": "bench.toml:7 limits",
        "reaction": "cut",
        "delay_s": 0.002,
        "expected_within_s": 0.022,
        "seen_s": 0.011,
        "order_s": order_s,
        "order": "load_drive.axis follow_speed",
        "obeyed_s": 0.3,
        "rest_s": 0.5,
        "state": "Aborted",
        "cause": f"{what}: it was.",
        "permit_withdrawn": False,
        "standstill_measured": True,
        "trouble": [],
        "as_wanted": as_wanted,
        **more,
    }


def record(*answers: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "schema": 1,
        "bench": "vineyard",
        "bench_file": "benches/vineyard.toml",
        "utc": "2026-11-28T19:42:35Z",
        "operator": "Odile Brandvold",
        "times": 3,
        "trouble": "",
        "programme": "pump acceptance",
        "motor": "Farnholt WP48",
        "software": {"benchd": "0.4.0", "python": "3.11"},
        "tick_hz": 100.0,
        "poll_hz": {"load_drive": 50.0},
        "limits": [],
        "answers": list(answers),
        "not_provoked": [{"title": "guard opened", "origin": "", "why": "a person has to do it"}],
        **more,
    }


SPEED = [answer("shaft_speed above 4000 r/min", order_s=seconds) for seconds in (0.012, 0.022, 0.062)]


def test_times_are_medians_with_the_worst_and_the_delay_is_taken_off_in_the_histogram() -> None:
    text = Pdf(render_commissioning(record(*SPEED), paper="a4")).text
    assert "All 1 were answered as wanted" in text
    assert "22 (62)" in text
    assert "median 20 ms, worst 60 ms" in text
    assert "guard opened" in text
    assert "2026-11-28 19:42:35 UTC" in text


def test_what_was_not_as_wanted_is_named_at_the_top_and_never_accepted() -> None:
    made = commissioning(
        record(*SPEED, answer("dc_current above 36 A", as_wanted=False, trouble=["It stayed on."])), paper="a4"
    )
    assert made["decision"]["verdict"] == "rejected"
    assert "dc_current above 36 A" in made["decision"]["sentences"][0]
    assert "It stayed on." in str(made["sections"][0])


@pytest.mark.parametrize("answers", [[], SPEED])
def test_a_campaign_that_ended_early_says_so_and_accepts_nothing(answers: list[dict[str, Any]]) -> None:
    made = commissioning(record(*answers, trouble="The chain was not reset."), paper="letter")
    assert made["decision"]["verdict"] == "none"
    assert made["alarms"][0]["sentences"] == ["The chain was not reset."]


def test_the_same_record_gives_the_same_bytes() -> None:
    assert render_commissioning(record(*SPEED), paper="a4") == render_commissioning(record(*SPEED), paper="a4")
