"""Evaluate the rated point: powers, efficiencies and temperatures at the end of a dwell. It must never judge a motor.

The machine counts as in thermal equilibrium where its temperature changes by at most 1 K per half hour (IEC 60034-1,
value from memory).
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.averages import first_rows, settled_mean
from benchd.analysis.captured import captured_outputs, captured_wanted
from benchd.analysis.direct import TEMPERATURES, DirectPoints
from benchd.analysis.direct_words import formulas, of_point
from benchd.analysis.headline import HEADLINES
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.plausibility import plausibility_notes
from benchd.analysis.point_results import UNITS, gathered, named, spread
from benchd.analysis.propagation import Output
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect

Floats = NDArray[np.float64]

BEGIN, END = 0, 1  # points of the test: what is between them is the dwell
AMBIENT = "ambient_temperature"
WARM = tuple(c for c in TEMPERATURES if c != AMBIENT)
HALF_HOUR_S = 1800.0
EQUILIBRIUM_K = 1.0  # per half hour, IEC 60034-1 (value from memory)
SHORTEST_TREND_S = 20.0
RESOLUTION_K = 0.1  # of a thermometer, assumed: common practice for tenths of a kelvin
OFF_SHARE = 0.02  # away from what was asked: worth a sentence
MAIN = (
    "efficiency",
    "converter_efficiency",
    "system_efficiency",
    "shaft_power",
    "input_power",
    "converter_input_power",
    "losses",
    "converter_losses",
    "torque",
    "speed",
    "motor_current",
    "motor_voltage",
    "dc_voltage",
    "dc_current",
    "torque_per_ampere",
    "power_factor",
)
OF_CONVERTER = ("converter_efficiency", "system_efficiency", "converter_input_power", "converter_losses")
OF_AC = ("motor_current", "motor_voltage", "power_factor")
CHANGES = ("efficiency", "input_power", "losses", "torque", "speed", "motor_current", "dc_current")


def evaluate_rated_point(record: Record, test: RecordedTest) -> TestResults:
    """What the end of the dwell shows, how far the machine warmed, and what changed since the dwell began."""
    points = DirectPoints(record, test)
    names = list(points.columns(points.nominal)) if points.table.size else []
    number = {asked.point: i for i, asked in enumerate(points.table.asked)}
    end, begin = number.get(END), number.get(BEGIN)
    outputs: dict[str, Output] = {}
    if points.table.size:
        outputs = propagate_both(
            lambda x: _outputs(points, x, end, begin),
            points.inputs.nominal,
            points.sources,
            headlines=HEADLINES["rated_point"],
        )
    outputs |= captured_outputs(record, test, point=END)
    outputs |= {f"{c}_trend": trend for c in TEMPERATURES if (trend := _trend(record, test, c)) is not None}
    reasons = _reasons(points, end, begin)
    wanted = _wanted(points, names, begin=begin)
    notes = [*plausibility_notes(points, outputs), *_notes(points, outputs)]
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect([*wanted, *captured_wanted(record, test, point=END)], outputs, reasons),
        notes=tuple(notes),
        points=gathered(points.table.asked, outputs, names),
        units={name: UNITS[name] for name in names},
    )


def _outputs(points: DirectPoints, x: Floats, end: int | None, begin: int | None) -> Mapping[str, Floats]:
    columns = points.columns(x)
    found = spread(points.table.asked, columns, range(points.table.size))
    if end is None:
        return found
    found |= {name: columns[name][:, end] for name in (*MAIN, *TEMPERATURES) if name in columns}
    if begin is not None:
        found |= {f"{n}_change": columns[n][:, end] - columns[n][:, begin] for n in CHANGES if n in columns}
    if AMBIENT in columns:
        air = columns[AMBIENT][:, end]
        found |= {f"{c}_rise": columns[c][:, end] - air for c in WARM if c in columns}
    return found


def _trend(record: Record, test: RecordedTest, channel: str) -> Output | None:
    """K per half hour over the last half hour, of a dwell below an hour over its second half; None if too short."""
    if channel not in record.values:
        return None
    inside = np.flatnonzero(record.test == test.index)
    ends = np.flatnonzero((record.test == test.index) & (record.point == END))
    begins = inside[record.point[inside] >= 0]
    if not ends.size or not begins.size:
        return None
    end_s, begin_s = float(record.time_mono_s[ends[-1]]), float(record.time_mono_s[begins[0]])
    span_s = min(HALF_HOUR_S, 0.5 * (end_s - begin_s))
    if span_s < SHORTEST_TREND_S:
        return None
    rows = inside[(record.time_mono_s[inside] >= end_s - span_s) & (record.time_mono_s[inside] <= end_s)]
    time_s, age_s = record.time_mono_s[rows], record.ages_s[channel][rows]
    own = rows[first_rows(time_s, age_s)]
    taken_s = record.time_mono_s[own] - record.ages_s[channel][own]
    mean = settled_mean(record.values[channel][own], taken_s, record.quality[channel][own], least_samples=5)
    if mean.complaint:
        return None
    scatter = HALF_HOUR_S * mean.slope_uncertainty
    resolution = HALF_HOUR_S / span_s * RESOLUTION_K / math.sqrt(6.0)  # rectangular, at both ends of the span
    return Output(
        value=HALF_HOUR_S * mean.slope,
        standard_uncertainty=math.hypot(scatter, resolution),
        degrees_of_freedom=math.inf if scatter < resolution else mean.degrees_of_freedom,
        budget={
            name: size
            for name, size in (
                (f"{channel}, scatter about its trend", scatter),
                (f"{channel}, resolution assumed {RESOLUTION_K:g} K", resolution),
            )
            if size > 0.0
        },
    )


def _wanted(points: DirectPoints, names: list[str], *, begin: int | None) -> list[Wanted]:
    words = formulas(points)
    left_out = () if points.brushless else (*OF_CONVERTER, *OF_AC)
    wanted = [
        Wanted(name=n, unit=UNITS[n], how=f"At the end of the dwell: {words[n]}, mean over the window.")
        for n in MAIN
        if n not in left_out
    ]
    for c in TEMPERATURES:
        wanted.append(Wanted(name=c, unit="°C", how=f"Mean of {c} at the end of the dwell."))
        if c != AMBIENT:
            how = f"{c} less {AMBIENT} at the end of the dwell, θ - θa."
            wanted.append(Wanted(name=f"{c}_rise", unit="K", how=_capital(how)))
        how = (
            f"Slope of {c} over the last half hour of the dwell, of a dwell shorter than an hour over its second half, "
            "times 1800 s: K per half hour."
        )
        wanted.append(Wanted(name=f"{c}_trend", unit="K", how=how))
    changes = [n for n in CHANGES if n not in left_out]
    wanted += [
        Wanted(name=f"{n}_change", unit=UNITS[n], how=f"{_capital(words[n])}: end of the dwell less its beginning.")
        for n in changes
    ]
    for i, asked in enumerate(points.table.asked):
        if i == begin:
            wanted += of_point(points, asked, [n for n in ("shaft_power", "input_power", "efficiency") if n in names])
    return wanted


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _reasons(points: DirectPoints, end: int | None, begin: int | None) -> dict[str, str]:
    needs = {
        "efficiency": ("torque", "input_power"),
        "losses": ("torque", "input_power"),
        "converter_efficiency": ("input_power", "converter_input_power"),
        "converter_losses": ("input_power", "converter_input_power"),
        "system_efficiency": ("torque", "converter_input_power"),
        "shaft_power": ("torque",),
        "torque_per_ampere": ("torque", points.input_current),
    }
    absent = "the test was left before the end of the dwell was measured" if end is None else ""
    why = {n: absent or points.why_missing(*needs.get(n, (n,))) for n in (*MAIN, *TEMPERATURES)}
    for n in CHANGES:
        why[f"{n}_change"] = why[n] if begin is not None else "the beginning of the dwell was not measured"
    for c in TEMPERATURES:
        why[f"{c}_rise"] = why[c] or why[AMBIENT]
        why[f"{c}_trend"] = why[c] or f"the dwell is shorter than {2.0 * SHORTEST_TREND_S:g} s"
    return {n: text or "the specimen did not motor there, or a reading was not usable" for n, text in why.items()}


def _notes(points: DirectPoints, outputs: Mapping[str, Output]) -> list[str]:
    notes = []
    if all(p.point != END for p in points.table.asked):
        notes.append(
            "The test was left before the end of the dwell was measured: nothing is known of the warm specimen."
        )
    for channel in WARM:
        trend = outputs.get(f"{channel}_trend")
        if trend is None:
            continue
        reached = abs(trend.value) <= EQUILIBRIUM_K
        verdict = (
            "in thermal equilibrium"
            if reached
            else "not yet in thermal equilibrium, a longer dwell would show another efficiency and resistance"
        )
        notes.append(
            f"At the end of the dwell {channel} changed by {trend.value:+.2g} K per half hour (IEC 60034-1 allows "
            f"{EQUILIBRIUM_K:g} K): {verdict}."
        )
    asked = next((p.asked for p in points.table.asked if p.point == END), {})
    for name, unit, key in (("torque", "N·m", "torque_nm"), ("speed", "r/min", "speed_rpm")):
        found, target = outputs.get(named(END, name)), asked.get(key)
        if found is not None and target and abs(found.value / abs(target) - 1.0) > OFF_SHARE:
            notes.append(
                f"At the end of the dwell {name} was {found.value:.4g} {unit}, asked was {abs(target):.4g} {unit}: "
                "the values hold for the point as it was."
            )
    return notes
