"""A run held against its rehearsal: what is beyond the measurement's doubt, in which order, drawn over each other."""

from typing import Any

import numpy as np
import pytest

from benchd.report.against import Difference, against, overlaid, suggestion
from benchd.report.material import Material, Samples


def found(name: str, measured: float, rehearsed: float, doubt: float | None, unit: str = "Ω") -> Difference:
    return Difference(
        test="Load test",
        name=name,
        place="",
        unit=unit,
        measured=measured,
        rehearsed=rehearsed,
        expanded_uncertainty=doubt,
    )


def test_a_difference_counts_beyond_the_measurements_doubt_alone() -> None:
    assert found("a", 1.05, 1.0, 0.04).beyond is True
    assert found("a", 1.05, 1.0, 0.06).beyond is False
    assert found("a", 0.95, 1.0, 0.04).beyond is True
    assert found("a", 1.05, 1.0, None).beyond is None


def test_its_share_is_that_of_the_rehearsed_value() -> None:
    assert found("a", 0.60, 0.80, 0.01).ratio == pytest.approx(-0.25)
    assert found("a", -0.60, -0.80, 0.01).ratio == pytest.approx(0.25)
    assert found("a", 0.60, 0.005, 0.01).ratio is None  # the doubt could hide the whole rehearsed value
    assert found("a", 30.0, 20.0, 0.01, unit="°C").ratio is None


def test_what_is_absent_in_one_of_both_ranks_first_and_what_is_within_its_doubt_last() -> None:
    assert found("brush_drop", 0.8, 0.0, 0.01).rank == pytest.approx(1.0)
    assert found("a", 0.60, 0.80, 0.01).rank == pytest.approx(0.25)
    assert found("a", 0.001, -0.002, 0.01).rank == 0.0
    assert found("a", 30.0, 20.0, 0.01, unit="°C").rank == 0.0


RESISTANCE = found("winding_resistance_20", 0.62, 0.50, 0.01)


def test_what_is_plain_is_said_in_one_sentence() -> None:
    drag = found("no_load_losses", 9.0, 10.0, 0.1, "W")
    assert suggestion([RESISTANCE, drag]) == (
        "Measured against rehearsed, the winding's resistance is higher (+24 %) and what friction and iron take is "
        "lower (−10 %)."
    )


@pytest.mark.parametrize(
    "differences",
    [
        [],
        [found("winding_resistance_20", 0.62, 0.50, 0.20)],  # the doubt explains it
        [found("winding_resistance_20", 0.505, 0.50, 0.001)],  # 1 %
        [found("winding_resistance_20", 0.62, 0.50, None)],
        [found("efficiency", 0.7, 0.8, 0.001, "1")],
        [RESISTANCE, found("brush_drop", 0.8, 0.0, 0.01, "V")],  # the brushes took part of it
    ],
)
def test_what_is_not_plain_is_not_said(differences: list[Difference]) -> None:
    assert suggestion(differences) == ""


def test_the_winding_measured_by_itself_decides_before_what_a_load_test_makes_of_it() -> None:
    same = found("resistance_between_terminals_20", 0.500, 0.500, 0.001)
    assert suggestion([RESISTANCE, same]) == ""


def samples(speed_rpm: float, *, begin_s: float, seconds: float, good: bool = True) -> Samples:
    """One test, after a second outside of it."""
    time_s = begin_s + np.arange(0.0, 1.0 + seconds, 0.1)
    inside = time_s - begin_s >= 1.0 - 1e-9
    values = {"shaft_speed": np.where(inside, speed_rpm, 0.0), "dc_current": np.full(time_s.size, 2.0)}
    return Samples(
        time_mono_s=time_s,
        test=np.where(inside, 0, -1).astype(np.int16),
        point=np.full(time_s.size, -1, np.int16),
        values=values,
        good={name: np.full(time_s.size, good) for name in values},
        units={"shaft_speed": "r/min", "dc_current": "A"},
    )


def test_curves_lie_over_each_other_on_the_tests_own_time() -> None:
    chart = overlaid(
        samples(3000.0, begin_s=100.0, seconds=4.0), samples(3300.0, begin_s=7.0, seconds=8.0), test=0, title="Load"
    )
    assert chart is not None
    assert [panel["title"] for panel in chart["panels"]] == ["Speed in r/min", "DC current in A"]
    ours, theirs = chart["panels"][0]["series"]
    assert (ours["broken"], theirs["broken"]) == (False, True)
    (mine,), (its,) = ours["runs"], theirs["runs"]
    assert mine[0][0] == its[0][0] == 0.0  # both begin with the test, whatever their clocks say
    assert mine[-1][0] / its[-1][0] == pytest.approx(3.9 / 7.9, rel=1e-6)
    assert mine[0][1] < its[0][1]  # 3000 r/min below 3300


def test_a_shaft_that_stood_and_values_that_nobody_believes_are_not_drawn() -> None:
    standing = samples(0.0, begin_s=0.0, seconds=2.0)
    turning, doubtful = (samples(3000.0, begin_s=0.0, seconds=2.0, good=good) for good in (True, False))
    assert overlaid(standing, standing, test=0, title="") is None
    assert overlaid(turning, turning, test=1, title="") is None
    assert overlaid(turning, doubtful, test=0, title="") is None


def material(resistance_ohm: float, *, speed_rpm: float = 3000.0, **more: Any) -> Material:
    quantity = {"name": "winding_resistance_20", "unit": "Ω", "value": resistance_ohm, "expanded_uncertainty": 0.01}
    point = {
        "number": 3,
        "direction": "up",
        "asked": {"torque_nm": 0.2},
        "values": {"speed": {"value": speed_rpm, "standard_uncertainty": 2.0}},
    }
    test = {"index": 0, "kind": "load", "quantities": [quantity], "points": [point], "units": {"speed": "r/min"}}
    return Material(
        folder="some_run",
        description={"tests": [{"index": 0, "kind": "load", "title": "Load test", "settings": {}}]},
        ending=None,
        events=[],
        results={"tests": {"load": test}},
        samples=None,
        **more,
    )


def rows_of(section: dict[str, Any]) -> list[list[list[str]]]:
    return [[row["cells"] for row in block["rows"]] for block in section["blocks"] if block["kind"] == "rows"]


def test_the_tables_say_measured_rehearsed_and_difference() -> None:
    made = against(material(0.62, against=material(0.50, speed_rpm=3005.0)))
    quantities, points = rows_of(made)
    assert [cell.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\xa0", " ") for cell in quantities[0]] == [
        "Load test",
        "winding resistance at 20 °C",
        "(0.620 ± 0.010) Ω",
        "0.500 Ω",
        "0.120 Ω",
        "+24 %",
        "yes",
    ]
    # 5 r/min are more than U = 2 · 2 r/min
    assert points[0][1].startswith("speed, point 3, rising")
    assert points[0][-1] == "yes"


def test_a_point_within_twice_its_standard_uncertainty_is_not_listed() -> None:
    assert len(rows_of(against(material(0.62, against=material(0.50, speed_rpm=3003.9))))) == 1


def test_the_page_says_that_a_rehearsal_states_no_uncertainty_and_what_is_damaged_in_it() -> None:
    made = str(against(material(0.62, against=material(0.50, missing=("events.jsonl is missing.",)))))
    assert "state no uncertainty of their own" in made
    assert "events.jsonl is missing." in made


def test_tests_of_another_kind_at_the_same_place_are_not_compared() -> None:
    other = material(0.50)
    swapped = {"load": {**other.results["tests"]["load"], "kind": "no_load"}}  # type: ignore[index]
    rehearsal = Material(folder="r", description={}, ending=None, events=[], results={"tests": swapped}, samples=None)
    assert rows_of(against(material(0.62, against=rehearsal))) == []
