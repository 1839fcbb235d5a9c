"""The page that holds a run against its rehearsal: curves over each other, differences beyond the doubt.

It must never change a result, nor say which of the two is wrong.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchd.report import soft
from benchd.report.blocks import SMALLEST_PT, Block, Column, heading, paragraphs, picture, remarks, rows, section
from benchd.report.findings import TestFound, tests_of
from benchd.report.material import Material, Numbers, Samples
from benchd.report.numbers import MINUS, plain, stated, unit_text, with_unit
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.time_record import thinned
from benchd.report.words import name_of_test, small, words

TITLE = "Rehearsed against measured"
COVERAGE = 2.0  # of an operating point's standard uncertainty: about 95 %
BINS = 160  # about one for each 0.4 mm of a panel
PANEL_MM = 20.0
TURNS_RPM = 10.0  # below it the shaft stood throughout, and there is nothing to overlay
PANELS: Sequence[tuple[str, Sequence[str]]] = (
    ("Speed", ("shaft_speed",)),
    ("Torque", ("shaft_torque",)),
    ("Current", ("motor_current", "dc_current")),
    ("Winding temperature", ("winding_temperature",)),
)
NO_RATIO = ("°C",)  # whose zero is a convention
MOST_QUANTITIES, MOST_POINTS = 40, 30  # rows; what differs less is counted
WORTH_TELLING = 0.02  # of the rehearsed value: less suggests nothing to anybody
SUGGESTED: Sequence[tuple[str, Sequence[str]]] = (  # what is plain to say, and the quantities that say it, best first
    (
        "the winding's resistance",
        (
            "resistance_between_terminals_20",
            "terminal_resistance_20",
            "winding_resistance_20",
            "winding_resistance",
        ),
    ),
    ("the voltage constant", ("voltage_constant",)),
    ("what friction and iron take", ("no_load_losses", "friction_torque_at_no_load", "drag_torque_at_rated_speed")),
)
BESIDE_BRUSHES = ("winding_resistance", "winding_resistance_20")  # of the load test: without what the brushes take
WHAT_IT_IS = (
    "The same programme was rehearsed for the same type of motor on a simulated bench. Rehearsed values are plans: "
    "they follow from plate, data sheet and bench file, and state no uncertainty of their own. So ± U is the "
    "measurement's alone, and a difference beyond U is one that the measurement's doubt does not explain. It does not "
    "say which of the two is wrong, and no result and no decision of this report rests on it."
)
CURVES = "Full line: measured. Broken line: rehearsed. Time counts from the beginning of the test."


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One number of both: `expanded_uncertainty` is that of the measured one, None where it is unknown."""

    test: str
    name: str  # of the quantity
    place: str  # such as "point 3, falling"; "" for a quantity of the whole test
    unit: str
    measured: float
    rehearsed: float
    expanded_uncertainty: float | None

    @property
    def amount(self) -> float:
        """Measured less rehearsed."""
        return self.measured - self.rehearsed

    @property
    def beyond(self) -> bool | None:
        """Whether the measurement's own doubt does not explain it; None where that is unknown."""
        return None if self.expanded_uncertainty is None else abs(self.amount) > self.expanded_uncertainty

    @property
    def ratio(self) -> float | None:
        """The difference over the rehearsed value; None where the measurement's doubt could hide that, and for °C."""
        if self.unit in NO_RATIO or abs(self.rehearsed) <= (self.expanded_uncertainty or 0.0):
            return None
        return self.amount / abs(self.rehearsed)

    @property
    def rank(self) -> float:
        """How much it differs, for sorting: over the larger of both, so that a value that is absent in one is first."""
        larger = max(abs(self.measured), abs(self.rehearsed))
        if self.unit in NO_RATIO or larger <= (self.expanded_uncertainty or 0.0):
            return 0.0
        return abs(self.amount) / larger


def against(material: Material) -> dict[str, Any]:
    """The section; `material.against` is the rehearsal. Raises ValueError where there is none."""
    if material.against is None:
        raise ValueError("there is no rehearsal to hold the run against")
    both = _both(material, material.against)
    found = sorted((one for pair in both for one in _quantities(*pair)), key=_largest_first)
    points = sorted((one for pair in both for one in _points(*pair) if one.beyond), key=_largest_first)
    said = suggestion(found)
    return section(
        TITLE,
        paragraphs(WHAT_IT_IS, f"Rehearsal: folder {material.against.folder}{_marks(material.against)}."),
        *([remarks([said])] if said else []),
        *([remarks(list(material.against.missing))] if material.against.missing else []),
        *_pictures(material, material.against, both),
        heading("Quantities"),
        _table(found, most=MOST_QUANTITIES, nothing="No quantity was determined in both."),
        heading("Operating points beyond U"),
        _table(points, most=MOST_POINTS, nothing="At no operating point does anything differ by more than U (k = 2)."),
        page=True,
    )


def _marks(rehearsal: Material) -> str:
    """What the rehearsal was played on, as far as its folder says so."""
    marks = soft.table(rehearsal.description.get("rehearsal"))
    told = [f"{small(words(key))} {value}" for key, value in marks.items() if isinstance(value, str | int) and value]
    return f" ({'; '.join(told[:4])})" if told else ""


def _both(material: Material, rehearsal: Material) -> list[tuple[TestFound, TestFound]]:
    """The tests of one place and kind in both."""
    other = {
        (test.index, test.kind): test for test in tests_of(rehearsal.results, rehearsal.description, rehearsal.events)
    }
    mine = tests_of(material.results, material.description, material.events)
    return [(test, other[key]) for test in mine if (key := (test.index, test.kind)) in other]


# --- numbers


def _quantities(mine: TestFound, its: TestFound) -> Iterator[Difference]:
    rehearsed = {str(one["name"]): one for one in its.quantities}
    for one in mine.quantities:
        name = str(one["name"])
        measured, other = soft.number(one.get("value")), soft.number(rehearsed.get(name, {}).get("value"))
        if measured is not None and other is not None and one.get("unit") == rehearsed[name].get("unit"):
            yield Difference(
                test=name_of_test(mine.kind, mine.title),
                name=name,
                place="",
                unit=soft.text(one.get("unit")),
                measured=measured,
                rehearsed=other,
                expanded_uncertainty=soft.number(one.get("expanded_uncertainty")),
            )


def _points(mine: TestFound, its: TestFound) -> Iterator[Difference]:
    rehearsed = {(point.number, point.direction): point for point in its.points}
    for point in mine.points:
        other = rehearsed.get((point.number, point.direction))
        if other is None:
            continue
        way = {"up": ", rising", "down": ", falling"}.get(point.direction, "")
        for name, found in point.values.items():
            if name in other.values and mine.units.get(name) == its.units.get(name):
                standard = found.standard_uncertainty
                yield Difference(
                    test=name_of_test(mine.kind, mine.title),
                    name=name,
                    place=f"point {point.number}{way}",
                    unit=mine.units.get(name, ""),
                    measured=found.value,
                    rehearsed=other.values[name].value,
                    expanded_uncertainty=None if standard is None else COVERAGE * standard,
                )


def _largest_first(one: Difference) -> tuple[float, str, str, str]:
    """Equal ones in the order of their names."""
    return (-one.rank, one.test, one.place, one.name)


def suggestion(found: Sequence[Difference]) -> str:
    """One sentence on what the differences suggest, only where that is plain; else ""."""
    told = []
    known = {one.name: one for one in reversed(found)}  # of several the one that differs most
    drop = known.get("brush_drop")
    if drop is not None and drop.beyond:  # part of what a data sheet calls resistance went into it
        known = {name: one for name, one in known.items() if name not in BESIDE_BRUSHES}
    for what, names in SUGGESTED:
        for name in names:
            one = known.get(name)
            if one is None or one.ratio is None:
                continue
            if one.beyond and abs(one.ratio) >= WORTH_TELLING:
                told.append(f"{what} is {'higher' if one.amount * one.measured > 0.0 else 'lower'} ({_percent(one)})")
            break  # the best that is known decides
    if not told:
        return ""
    return f"Measured against rehearsed, {', '.join(told[:-1])}{' and ' if len(told) > 1 else ''}{told[-1]}."


def _percent(one: Difference) -> str:
    if one.ratio is None:
        return "–"
    percent = 100.0 * one.ratio
    return f"{'+' if percent >= 0.0 else MINUS}{plain(abs(percent), 3 if abs(percent) >= 10.0 else 2)} %"


def _table(found: Sequence[Difference], *, most: int, nothing: str) -> Block:
    if not found:
        return paragraphs(nothing)
    shown = found[:most]
    columns = [
        Column(title="test"),
        Column(title="quantity", wide=1.0),
        Column(title="measured ± U", right=True),
        Column(title="rehearsed", right=True),
        Column(title="difference", right=True),
        Column(title="of rehearsed", right=True),
        Column(title="beyond U"),
    ]
    cells = [_row(one) for one in shown]
    left = len(found) - len(shown)
    caption = (
        "Largest differences first, over the larger of both values. No share where the rehearsed value is no larger "
        "than U, and of temperatures in °C."
    )
    return rows(
        columns,
        cells,
        size_pt=SMALLEST_PT,
        caption=caption + (f" {left} more differ less." if left else ""),
    )


def _row(one: Difference) -> list[str]:
    name = words(one.name)
    return [
        one.test,
        f"{name}, {one.place}" if one.place else name,
        stated(one.measured, one.expanded_uncertainty, one.unit).whole,
        _rounded_alike(one.rehearsed, one),
        _rounded_alike(one.amount, one),
        _percent(one),
        {True: "yes", False: "no", None: "–"}[one.beyond],
    ]


def _rounded_alike(value: float, one: Difference) -> str:
    """The value to the place that the measured one is told to."""
    shown = stated(value, one.expanded_uncertainty, one.unit)
    return with_unit(shown.value, shown.unit)


# --- curves


def _pictures(material: Material, rehearsal: Material, both: Sequence[tuple[TestFound, TestFound]]) -> Iterator[Block]:
    if material.samples is None or rehearsal.samples is None:
        yield paragraphs("There are no samples of both that could be drawn over each other.")
        return
    first = True
    for test, _ in both:
        title = name_of_test(test.kind, test.title)
        chart = overlaid(material.samples, rehearsal.samples, test=test.index, title=title)
        if chart is not None:
            yield heading(title)
            yield picture(chart, CURVES if first else "")
            first = False


def overlaid(measured: Samples, rehearsed: Samples, *, test: int, title: str) -> dict[str, Any] | None:
    """One test's curves of both over its own time; None where the shaft stood or nothing is in both."""
    ours, theirs = (np.flatnonzero(samples.test == test) for samples in (measured, rehearsed))
    if min(ours.size, theirs.size) < 2 or not (_turns(measured, ours) or _turns(rehearsed, theirs)):
        return None
    panels, last_s = [], 0.0
    for name, channels in PANELS:
        channel = next((one for one in channels if one in measured.values and one in rehearsed.values), None)
        if channel is None:
            continue
        lines = [
            _line(samples, chosen, channel, ink)
            for ink, (samples, chosen) in enumerate(((measured, ours), (rehearsed, theirs)))
        ]
        if not all(np.isfinite(line.y).any() for line in lines):
            continue
        last_s = max(last_s, *(float(line.x[-1]) for line in lines))
        unit = unit_text(measured.units.get(channel, ""))
        what = name if channel == channels[0] else words(channel)
        panels.append(Panel(title=f"{what[:1].upper()}{what[1:]} in {unit}", lines=lines, height_mm=PANEL_MM))
    if not panels:
        return None
    return stacked(
        panels,
        x=scale(0.0, last_s, most=6, room=0.0),
        x_title="Time since the test's beginning in s",
        alt=f"{title}: measured and rehearsed over time: {'; '.join(panel.title for panel in panels)}.",
        beside=True,
    )


def _turns(samples: Samples, chosen: Any) -> bool:
    speeds = samples.values.get("shaft_speed")
    if speeds is None:
        return True
    known = np.abs(speeds[chosen][samples.good["shaft_speed"][chosen]])
    return bool(known.size) and float(known.max()) > TURNS_RPM


def _line(samples: Samples, chosen: Any, channel: str, ink: int) -> Line:
    values: Numbers = samples.values[channel][chosen]
    seen = np.where(samples.good[channel][chosen] & (np.abs(values) < soft.ABSURD), values, np.nan)
    time_s = samples.time_mono_s[chosen] - samples.time_mono_s[chosen[0]]
    x, y = thinned(time_s, seen, bins=BINS)
    return Line(label="", x=x, y=y, ink=ink, broken=ink > 0, thick_pt=0.7)
