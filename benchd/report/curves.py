"""A test's operating points as curves on one axis. It must never fit, smooth or extrapolate: it joins points."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.report.findings import PointFound, TestFound
from benchd.report.numbers import unit_text
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.words import capital, split_unit, title_words, words

LEAST_POINTS = 3  # fewer are told by the table alone
MOST_PANELS = 5
MOST_LINES = 4  # of one panel; more cannot be told apart
FLAT = 3.0  # standard uncertainties; two points differ by less than about 2·√2 of them by chance alone
TORQUES = ("torque", "shaft_torque", "shaft_torque_narrow")
SPEEDS = ("speed", "shaft_speed", "motor_speed")
VOLTAGES = ("voltage", "dc_voltage", "link_voltage")
PANEL_MM = 24.0
STACKED = ("load", "duty_cycle")  # panels below each other; those of other kinds stand in two columns
NO_PICTURE = ("winding_resistance", "torque_zero", "rated_point")  # their points lie on no curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """What is looked at together: names with the label that each has beside the others; `one` shows the first only."""

    title: str
    labels: Mapping[str, str]
    one: bool = False


_SPEED = Family(title="Speed", labels=dict.fromkeys(SPEEDS, "speed"), one=True)
_EFFICIENCY = Family(
    title="Efficiency",
    labels={"efficiency": "motor", "converter_efficiency": "converter", "system_efficiency": "system"},
)
_POWER = Family(
    title="Power",
    labels={
        "converter_input_power": "converter input",
        "input_power": "motor input",
        "output_power": "output",
        "shaft_power": "shaft",
    },
)
_LOSSES = Family(title="Losses", labels={"losses": "motor", "converter_losses": "converter"})
_CURRENT = Family(title="Current", labels={"current": "motor", "motor_current": "phase, rms", "dc_current": "DC"})
_PER_AMPERE = Family(title="Torque per ampere", labels={"torque_per_ampere": ""})
_FACTOR = Family(title="Power factor", labels={"power_factor": ""})
_VOLTAGE = Family(
    title="Voltage", labels={"motor_voltage": "true rms", "motor_voltage_fundamental": "fundamental", "voltage": ""}
)
FAMILIES: Mapping[str, Sequence[Family]] = {  # by kind of test, in the order of their interest
    "load": (_SPEED, _EFFICIENCY, _POWER, _LOSSES, _CURRENT, _PER_AMPERE, _FACTOR),
    "no_load": (_SPEED, _CURRENT, _POWER, _LOSSES, _VOLTAGE),
    "duty_cycle": (
        Family(title="Speed", labels={"speed": "measured", "speed_asked": "asked"}),
        Family(title="Torque", labels={"torque": "measured", "torque_asked": "asked"}),
        _POWER,
    ),
    "back_emf": (
        Family(
            title="Voltage between lines, fundamental",
            labels={"motor_voltage_fundamental": "", "motor_voltage": ""},
            one=True,
        ),
        Family(title="Drag torque", labels={"drag_torque": ""}),
    ),
}
CAPTION = "Bars show the standard uncertainty where it is larger than the mark."
BRANCHES = "Filled marks and full lines: rising; hollow marks and broken lines: falling."
LEFT_OUT = "What changed by no more than its uncertainty is not drawn: the table has it."
_SINGLE = re.compile(r".*_[123]$")  # one phase of three


def curves(test: TestFound, *, first: int = MOST_PANELS) -> tuple[dict[str, Any], str] | None:
    """Chart and caption of a test with at least three different points, else None; only the `first` panels of it."""
    found = None if test.kind in NO_PICTURE else _axis(test)
    if found is None:
        return None
    axis, axis_unit, places = found
    panels = _panels(test, places, without=axis)[:first]
    if not panels:
        return None
    beside = test.kind not in STACKED or first < MOST_PANELS
    chart = stacked(
        panels,
        x=scale(float(places.min()), float(places.max()), most=5 if beside else 8, room=0.03),
        x_title=_titled(title_words(axis), axis_unit),
        alt=f"Curves over {words(axis)}: {'; '.join(panel.title for panel in panels)}.",
        beside=beside,
    )
    falling = any(point.direction == "down" for point in test.points)
    return chart, f"{BRANCHES} {CAPTION} {LEFT_OUT}" if falling else f"{CAPTION} {LEFT_OUT}"


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
    names: list[str] = ["time_s"] if "time_s" in asked else []
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
    """The panels in which something changes: the kind's own, else one a unit; no single phases."""
    names = [
        name
        for name in test.units
        if name != without
        and not _SINGLE.fullmatch(name)
        and np.isfinite(_column(test.points, name)).sum() >= LEAST_POINTS
    ]
    panels = []
    for family in FAMILIES.get(test.kind) or _by_unit(test, names):
        there = [name for name in family.labels if name in names][: 1 if family.one else MOST_LINES]
        if there and not all(flat(_column(test.points, name), _bars(test.points, name)) for name in there):
            panels.append(_panel(test, places, {name: family.labels[name] for name in there}, title=family.title))
    return panels


def flat(values: Any, standard_uncertainties: Any) -> bool:
    """Whether the values differ by no more than their uncertainties explain."""
    known = np.isfinite(values)
    span = float(np.ptp(values[known]))
    return span <= max(FLAT * float(standard_uncertainties[known].max()), 1e-9 * float(np.abs(values[known]).max()))


def _by_unit(test: TestFound, names: Sequence[str]) -> list[Family]:
    """For a kind of test that is not known here: one panel for each unit, named after its quantities."""
    by_unit: dict[str, list[str]] = {}
    for name in names:
        by_unit.setdefault(test.units[name], []).append(name)
    return [Family(title=_family(some), labels={name: words(name) for name in some}) for some in by_unit.values()]


def _panel(test: TestFound, places: Any, labels: Mapping[str, str], *, title: str) -> Panel:
    lines: list[Line] = []
    for ink, (name, label) in enumerate(labels.items()):
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
                    label=label if first and len(labels) > 1 else "",
                    x=places[rows],
                    y=values[rows],
                    half_bars=bars[rows],
                    ink=ink,
                    marks=True,
                    broken=falling,
                )
            )
    return Panel(title=_titled(title, test.units[next(iter(labels))]), lines=lines, height_mm=PANEL_MM)


def _family(names: Sequence[str]) -> str:
    """The word that all names end in, such as "Power"; else the names themselves."""
    ends = {name.rpartition("_")[2] for name in names}
    return title_words(ends.pop()) if len(ends) == 1 else capital(", ".join(map(words, names[:MOST_LINES])))


def _titled(name: str, unit: str) -> str:
    return f"{name} in {unit_text(unit)}" if unit_text(unit) else name
