"""Stacked panels on one axis as plain values for the pages: lines, marks, labels at the lines' ends. Geometry only."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchd.report.material import Numbers
from benchd.report.scales import Scale, scale, spread

LABEL_MM = 3.7  # height of a label beside a panel
LONGEST_BARS = 1.0  # of the span of the values; a bar beyond it ends at the panel's frame


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a panel in the axes' own units; NaN in `y` breaks it. `ink` numbers its look."""

    label: str
    x: Numbers
    y: Numbers
    ink: int
    half_bars: Numbers | None = None  # an uncertainty to draw about every y
    marks: bool = False
    broken: bool = False  # dashed with hollow marks: the falling branch
    plain: bool = False  # without marks, told from others by its dashes
    thick_pt: float = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel: its title with the unit, its lines, its height; `bands` and `moments` are places on the x axis."""

    title: str
    lines: Sequence[Line]
    height_mm: float
    bands: Sequence[tuple[float, float]] = ()
    moments: Sequence[float] = field(default=())


def stacked(
    panels: Sequence[Panel],
    *,
    x: Scale,
    x_title: str,
    alt: str,
    top: Sequence[tuple[float, float, Sequence[str]]] = (),
    beside: bool = False,
) -> dict[str, Any]:
    """The chart as the pages want it, in one column or in two `beside` each other.

    `top` are words above the first panel, each over its part of the x axis: the first of them that finds room.
    """
    return {
        "alt": alt,
        "x": {"title": x_title, "ticks": x.plain()},
        "top": [[_within(x.at(start)), _within(x.at(end)), list(texts)] for start, end, texts in top],
        "beside": beside,
        "panels": [_panel(panel, x) for panel in panels],
    }


def _within(place: float) -> float:
    return min(max(place, 0.0), 1.0)


def _panel(panel: Panel, x: Scale) -> dict[str, Any]:
    low, high = _ends(panel.lines)
    y = scale(low, high, most=max(4, round(panel.height_mm / 4.5)))
    wanted = [(line, y.at(end)) for line in panel.lines if line.label and (end := _last(line)) is not None]
    gap = LABEL_MM / panel.height_mm
    places = spread([place for _, place in wanted], gap=gap, low=gap / 2, high=1.0 - gap / 2)
    return {
        "title": panel.title,
        "height": panel.height_mm,
        "ticks": y.plain(),
        "bands": [[_within(x.at(start)), _within(x.at(end))] for start, end in panel.bands],
        "moments": [_within(x.at(moment)) for moment in panel.moments],
        "series": [_series(line, x, y) for line in panel.lines],
        "labels": [
            {"text": line.label, "ink": line.ink, "from": start, "at": place}
            for (line, start), place in zip(wanted, places, strict=True)
        ],
    }


def _ends(lines: Sequence[Line]) -> tuple[float, float]:
    """Lowest and highest y with the bars, as far as these do not dwarf what the lines tell."""
    values = np.concatenate([line.y[np.isfinite(line.y)] for line in lines])
    low, high = float(values.min()), float(values.max())
    most = LONGEST_BARS * (high - low)
    reach = [values]
    for line in lines:
        if line.half_bars is not None:
            half = np.minimum(line.half_bars, most)
            reach += [line.y - half, line.y + half]
    ends = np.concatenate(reach)
    ends = ends[np.isfinite(ends)]
    return float(ends.min()), float(ends.max())


def _last(line: Line) -> float | None:
    """The y at the line's right end, where its label belongs."""
    known = np.flatnonzero(np.isfinite(line.y))
    return float(line.y[known[np.argmax(line.x[known])]]) if known.size else None


def _series(line: Line, x: Scale, y: Scale) -> dict[str, Any]:
    known = np.isfinite(line.y) & np.isfinite(line.x)
    every = np.split(np.arange(line.y.size), np.flatnonzero(np.diff(known)) + 1)
    runs = [run for run in every if run.size and known[run[0]]]
    bars: list[list[float]] = []
    if line.half_bars is not None:
        least = 0.008 * (y.high - y.low)  # shorter ones would hide behind the mark
        bars = [
            [x.at(float(line.x[at])), _within(y.at(float(line.y[at] - half))), _within(y.at(float(line.y[at] + half)))]
            for at in np.flatnonzero(known)
            if (half := float(line.half_bars[at])) > least
        ]
    return {
        "ink": line.ink,
        "runs": [[[x.at(float(line.x[at])), y.at(float(line.y[at]))] for at in run] for run in runs],
        "bars": bars,
        "marks": line.marks,
        "broken": line.broken,
        "plain": line.plain,
        "thick": line.thick_pt,
    }
