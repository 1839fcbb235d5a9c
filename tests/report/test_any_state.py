"""Parts that are missing, spoilt or odd: the report says so and is there."""

import dataclasses
import json
from typing import Any

import numpy as np
import pytest

from benchd.report import Material, Samples
from benchd.report.document import document

from .conftest import Printed
from .made_up import results

ODD: tuple[Any, ...] = (None, "text", [None, 3], {"load": 4, "a": {"b": [1, {"c": None}]}}, 1e308)


def test_without_anything_at_all_there_is_a_report_that_says_so(printed: Printed) -> None:
    nothing = dict.fromkeys(("order", "serial", "started_utc", "configuration", "channels", "tests", "software"))
    pdf = printed(run=nothing, results=None, events=[], ending=None, samples=None, sums={}, missing=["All is lost."])
    for words in (
        "All is lost.",
        "The run has no ending",
        "There are no results to decide on.",
        "not listed in SHA256SUMS",
        "There are no samples that can be read.",
        "There are no events that can be read.",
        "The folder names no calibrated sensor.",
    ):
        assert words in pdf.text


@pytest.mark.parametrize("odd", ODD)
def test_an_odd_description_still_gives_a_report(printed: Printed, pump: Material, odd: Any) -> None:
    keys = ("configuration", "channels", "tests", "software", "started_utc", "order", "operator", "laboratory")
    for key in keys:
        plain_values(pump, description={**pump.description, key: odd})
    assert "end of report" in printed(run=dict.fromkeys(keys, odd)).pages[-1]


@pytest.mark.parametrize("odd", ODD)
def test_odd_results_still_give_a_report(printed: Printed, pump: Material, odd: Any) -> None:
    for key in ("notes", "decision", "tests"):
        plain_values(pump, results=results(**{key: odd}))
    of_test, of_quantity, of_point = results(), results(), results()
    load = of_test["tests"]["load"]
    for key in ("quantities", "points", "units", "notes", "kind"):
        plain_values(pump, results=results() | {"tests": {"load": {**load, key: odd}}})
    for key in ("name", "value", "unit", "expanded_uncertainty", "coverage_factor", "budget", "how", "interval_low"):
        of_quantity["tests"]["load"]["quantities"][0][key] = odd
        of_quantity["decision"]["requirements"][0][key] = odd
        plain_values(pump, results=of_quantity)
    of_point["tests"]["load"]["points"][2] = odd
    of_point["tests"]["load"]["points"][3]["values"] = odd
    of_point["tests"]["load"]["points"][4] |= {"asked": odd, "direction": odd, "number": odd}
    of_point["tests"]["load"]["points"][5]["values"]["speed"] = {"value": 3000.0, "standard_uncertainty": odd}
    of_point["tests"]["load"]["quantities"] = of_quantity["tests"]["load"]["quantities"]
    assert "end of report" in printed(results=of_point).pages[-1]


@pytest.mark.parametrize("odd", ODD)
def test_odd_events_still_give_a_report(printed: Printed, odd: Any) -> None:
    kinds = ("tripped", "explained", "zero", "state", "ladder", "limits_in_force", "point_started", "test_started")
    fields = ("cause", "limits", "asked", "value", "utc", "time_mono_s", "title", "number", "supply_highest_v")
    events = [{"event": kind, **dict.fromkeys(fields, odd)} for kind in kinds]
    assert "end of report" in printed(events=[*events, {"event": odd}]).pages[-1]


def plain_values(pump: Material, **changed: Any) -> None:
    """The report's values can be made and hold nothing but what JSON has."""
    json.dumps(document(dataclasses.replace(pump, **({"samples": None} | changed)), paper="a4"), allow_nan=False)


def test_channels_that_gave_nothing_leave_the_rest_of_the_record(printed: Printed) -> None:
    time_s = np.linspace(0.0, 5.0, 50)
    names = {"shaft_speed": np.full(50, np.nan), "shaft_torque": np.full(50, np.inf), "dc_voltage": np.full(50, 48.0)}
    samples = Samples(
        time_mono_s=time_s,
        test=np.full(50, -1, np.int16),
        point=np.full(50, -1, np.int16),
        values=names,
        good={name: np.ones(50, bool) for name in names},
        units={"shaft_speed": "r/min", "shaft_torque": "N·m", "dc_voltage": "V"},
    )
    text = printed(samples=samples).text
    assert "Voltage in V" in text[text.index("Time since the first frame") - 200 :]


def test_a_run_of_one_frame_has_no_time_record(printed: Printed) -> None:
    one = Samples(
        time_mono_s=np.array([1.0]),
        test=np.array([-1], np.int16),
        point=np.array([-1], np.int16),
        values={"shaft_speed": np.array([1.0])},
        good={"shaft_speed": np.array([True])},
        units={"shaft_speed": "r/min"},
    )
    assert "The samples hold nothing that can be drawn over time." in printed(samples=one).text
