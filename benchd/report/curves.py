"""A test's operating points as curves on one axis. It must never fit, smooth or extrapolate: it joins points."""

import re
from collections.abc import Sequence
from typing import Any

import numpy as np

from benchd.report.findings import PointFound, TestFound
from benchd.report.numbers import unit_text
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.words import split_unit, title_words, words

LEAST_POINTS = 3  # fewer are told by the table alone
MOST_PANELS = 6
MOST_BESIDE = 4  # in tests that are not about torque: half a page
MOST_LINES = 4  # of one panel; more cannot be told apart
TORQUES = ("torque", "shaft_torque", "shaft_torque_narrow")
SPEEDS = ("speed", "shaft_speed", "motor_speed")
VOLTAGES = ("voltage", "dc_voltage", "link_voltage")
PANEL_MM = 25.0
PANELS: Sequence[tuple[str, Sequence[str]]] = (  # what is looked at together, in the order of its interest
    ("Speed", SPEEDS),
    ("Current", ("current", "motor_current", "dc_current")),
    ("Power", ("converter_input_power", "input_power", "output_power", "shaft_power")),
    ("Efficiency", ("efficiency", "converter_efficiency", "system_efficiency")),
    ("Losses", ("losses", "converter_losses")),
    ("Voltage", ("voltage", "motor_voltage", "motor_voltage_fundamental", "dc_voltage")),
    ("Power factor", ("power_factor",)),
)
NOT_SHOWN = {  # what says nothing in a test without load; the table has it
    "no_load": ("Efficiency", "Power factor"),
    "back_emf": ("Efficiency", "Power factor", "Power", "Current"),
}
CAPTION = "Bars show the standard uncertainty where it is larger than the mark."
BRANCHES = "Filled marks and full lines: rising; hollow marks and broken lines: falling."
_SINGLE = re.compile(r".*_[123]$")  # one phase of three


def curves(test: TestFound) -> tuple[dict[str, Any], str] | None:
    """Chart and caption of a test with at least three different points, else None."""
    found = _axis(test)
    if found is None:
        return None
    axis, axis_unit, places = found
    falling = any(point.direction == "down" for point in test.points)
    panels = _panels(test, places, without=axis)
    if not panels:
        return None
    name = title_words(axis)
    chart = stacked(
        panels,
        x=scale(float(places.min()), float(places.max()), most=8, room=0.03),
        x_title=_titled(name, axis_unit),
        alt=f"Curves over {words(axis)}: {'; '.join(panel.title for panel in panels)}.",
    )
    return chart, f"{BRANCHES} {CAPTION}" if falling else CAPTION


def _axis(test: TestFound) -> tuple[str, str, Any] | None:
    """Name, unit and places of the axis: the measured torque of a load test, else what was varied."""
    if len(test.points) < LEAST_POINTS:
        return None
    for name in _candidates(test.points):
        if name in test.units:
            places = _column(test.points, name)
            unit = test.units[name]
        else:
            places = np.array([float(point.asked.get(name, np.nan)) for point in test.points])
            unit = split_unit(name)[1]
        known = places[np.isfinite(places)]
        if known.size == places.size and np.unique(known).size >= LEAST_POINTS:
            return name if name in test.units else split_unit(name)[0].replace(" ", "_"), unit, places
    return None


def _candidates(points: Sequence[PointFound]) -> list[str]:
    asked = {key for point in points for key, value in point.asked.items() if isinstance(value, int | float)}
    names: list[str] = []
    for key, measured in (("torque_nm", TORQUES), ("voltage_v", VOLTAGES), ("speed_rpm", SPEEDS)):
        if key in asked:
            names += [*measured, key]
    return names or [*TORQUES, *SPEEDS]


def _column(points: Sequence[PointFound], name: str) -> Any:
    return np.array([point.values[name].value if name in point.values else np.nan for point in points])


def _bars(points: Sequence[PointFound], name: str) -> Any:
    return np.array(
        [
            uncertainty if (found := point.values.get(name)) and (uncertainty := found.standard_uncertainty) else 0.0
            for point in points
        ]
    )


def _panels(test: TestFound, places: Any, *, without: str) -> list[Panel]:
    """The panels that have lines: the known ones in their order, then the rest by unit; no single phases."""
    rest = [name for name in test.units if name != without and not _SINGLE.fullmatch(name)]
    rest = [name for name in rest if np.isfinite(_column(test.points, name)).sum() >= LEAST_POINTS]
    panels = []
    for title, names in PANELS:
        if title in NOT_SHOWN.get(test.kind, ()):
            rest = [name for name in rest if name not in names]
            continue
        there = [name for name in names if name in rest]
        if there:
            panels.append(_panel(test, places, there[:MOST_LINES], title=title if len(there) > 1 else ""))
        rest = [name for name in rest if name not in names]
    by_unit: dict[str, list[str]] = {}
    for name in rest:
        by_unit.setdefault(test.units[name], []).append(name)
    panels += [
        _panel(test, places, names[:MOST_LINES], title=_family(names[:MOST_LINES])) for names in by_unit.values()
    ]
    return panels[: MOST_PANELS if test.kind == "load" else MOST_BESIDE]


def _panel(test: TestFound, places: Any, names: Sequence[str], *, title: str) -> Panel:
    lines: list[Line] = []
    for ink, name in enumerate(names):
        values, bars = _column(test.points, name), _bars(test.points, name)
        for falling in (False, True):
            of_branch = np.array([(point.direction == "down") == falling for point in test.points])
            if not of_branch.any():
                continue
            rows = np.flatnonzero(of_branch)
            rows = rows[np.argsort(places[rows], kind="stable")]
            first = not any(line.ink == ink for line in lines)
            lines.append(
                Line(
                    label=_short(name, title) if first and len(names) > 1 else "",
                    x=places[rows],
                    y=values[rows],
                    half_bars=bars[rows],
                    ink=ink,
                    marks=True,
                    broken=falling,
                )
            )
    unit = test.units[names[0]]
    return Panel(title=_titled(title or title_words(names[0]), unit), lines=lines, height_mm=PANEL_MM)


def _short(name: str, title: str) -> str:
    """The name without the word that the panel's title says already."""
    said = words(name)
    rest = " ".join(part for part in said.split() if part.lower() != title.lower())
    return rest or said


def _family(names: Sequence[str]) -> str:
    """The word that all names end in, such as "Power"; else the names themselves."""
    ends = {name.rpartition("_")[2] for name in names}
    return title_words(ends.pop()) if len(ends) == 1 else title_words(", ".join(words(name) for name in names))


def _titled(name: str, unit: str) -> str:
    return f"{name} in {unit_text(unit)}" if unit_text(unit) else name
