"""The whole run over time, thinned so that no peak is lost. It must never average: every extreme stays in sight."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchd.report import soft
from benchd.report.material import Numbers, Samples
from benchd.report.numbers import unit_text
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.words import words

BINS = 420  # about one for each 0.3 mm of the picture
PANEL_MM = 17.0
PANELS: Sequence[tuple[str, Sequence[str]]] = (  # what belongs together, by the channels' names
    ("Speed", ("shaft_speed",)),
    ("Torque", ("shaft_torque",)),
    ("Voltage", ("dc_voltage", "link_voltage", "motor_voltage")),
    ("Current", ("dc_current", "motor_current")),
    ("Power", ("motor_power",)),
    ("Temperature", ("winding_temperature", "housing_temperature", "magnet_temperature", "ambient_temperature")),
)
CAPTION = (
    "All recorded frames; each strip of the picture shows its lowest and highest value. "
    "Grey bands are operating points that were averaged"
)


def time_record(
    samples: Samples, events: Sequence[Mapping[str, Any]], titles: Mapping[int, str]
) -> tuple[dict[str, Any], str] | None:
    """Chart and caption, or None where there is nothing to draw. `titles` are the tests' by index."""
    if samples.time_mono_s.size < 2:
        return None
    start = float(samples.time_mono_s[0])
    time_s = samples.time_mono_s - start
    bands = _bands(samples.point, samples.test, time_s)
    trips = [moment - start for event in events if (moment := _trip(event)) is not None]
    panels = []
    for title, names in PANELS:
        lines = [line for ink, name in enumerate(names) if (line := _line(samples, time_s, name, ink)) is not None]
        if lines:
            unit = unit_text(samples.units.get(next(name for name in names if name in samples.values), ""))
            panels.append(
                Panel(title=f"{title} in {unit}", lines=lines, height_mm=PANEL_MM, bands=bands, moments=trips)
            )
    if not panels:
        return None
    last = float(time_s[-1])
    chart = stacked(
        panels,
        x=scale(0.0, last, most=9, room=0.0),
        x_title="Time since the first frame in s",
        alt=f"Time record of {last:.0f} s: {'; '.join(panel.title for panel in panels)}.",
        top=_tops(samples.test, time_s, titles),
    )
    tests = ", ".join(f"{index} {title}" for index, title in sorted(titles.items()))
    said = f"{CAPTION}; broken upright lines are trips." if trips else f"{CAPTION}."
    return chart, f"{said} Numbers above are tests: {tests}." if tests else said


def _trip(event: Mapping[str, Any]) -> float | None:
    return soft.number(event.get("time_mono_s")) if event.get("event") == "tripped" else None


def _line(samples: Samples, time_s: Numbers, name: str, ink: int) -> Line | None:
    values = samples.values.get(name)
    if values is None:
        return None
    seen = np.where(samples.good[name] & (np.abs(values) < soft.ABSURD), values, np.nan)
    x, y = thinned(time_s, seen)
    if not np.isfinite(y).any():
        return None
    return Line(label=words(name), x=x, y=y, ink=ink, plain=True, thick_pt=0.6)


def thinned(x: Numbers, y: Numbers, *, bins: int = BINS) -> tuple[Numbers, Numbers]:
    """At most two rows a bin of equal time: its lowest and highest value in the order in which they came.

    A bin without a value gives NaN, which breaks the line.
    """
    if x.size <= 2 * bins:
        return x, y
    edges = np.searchsorted(x, np.linspace(x[0], x[-1], bins + 1)[1:-1])
    kept_x: list[float] = []
    kept_y: list[float] = []
    for rows in np.split(np.arange(x.size), edges):
        known = rows[np.isfinite(y[rows])]
        if known.size == 0:
            if rows.size:
                kept_x.append(float(x[rows[0]]))
                kept_y.append(float("nan"))
            continue
        for row in sorted({int(known[np.argmin(y[known])]), int(known[np.argmax(y[known])])}):
            kept_x.append(float(x[row]))
            kept_y.append(float(y[row]))
    return np.array(kept_x), np.array(kept_y)


def _bands(point: Any, test: Any, time_s: Numbers) -> list[tuple[float, float]]:
    """Start and end of every stretch of rows that belong to one point."""
    changes = np.flatnonzero((np.diff(point) != 0) | (np.diff(test) != 0)) + 1
    return [
        (float(time_s[rows[0]]), float(time_s[rows[-1]]))
        for rows in np.split(np.arange(point.size), changes)
        if rows.size and point[rows[0]] >= 0
    ]


def _tops(test: Any, time_s: Numbers, titles: Mapping[int, str]) -> list[tuple[float, float, list[str]]]:
    """Where each test was played, with its number and title or, where these find no room, its number alone."""
    changes = np.flatnonzero(np.diff(test) != 0) + 1
    stretches = [rows for rows in np.split(np.arange(test.size), changes) if rows.size]
    return [
        (float(time_s[rows[0]]), float(time_s[rows[-1]]), [f"{index} {titles[index]}", str(index)])
        for rows in stretches
        if (index := int(test[rows[0]])) in titles
    ]
