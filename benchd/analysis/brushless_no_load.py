"""Evaluate a brushless motor's no-load test: what it takes from its converter without load. It must never fit one.

The load machine stays coupled and turns without torque: what it drags is shaft power, and it is taken off the input, so
that the no-load losses are the specimen's own (IEC 60034-2-3 in kind, value from memory).
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.curves import Reading
from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.direct import MOTOR_CURRENT, TEMPERATURES, Columns, DirectPoints
from benchd.analysis.direct_words import of_point
from benchd.analysis.headline import HEADLINES
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.plausibility import plausibility_notes
from benchd.analysis.point_results import UNITS, gathered, spread
from benchd.analysis.propagation import Source
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect

Floats = NDArray[np.float64]

MODELS = ("losses curve", "current curve")
QUANTITIES = {
    "no_load_power": "W",
    "no_load_current": "A",
    "no_load_losses": "W",
    "no_load_torque": "N·m",
    "bench_drag_at_no_load": "N·m",
}
POINT_NAMES = ("input_power", "losses")
NOT_HERE = ("efficiency", "system_efficiency", "torque_per_ampere")  # without load they say nothing


def without_efficiencies(columns: Columns) -> Columns:
    """The columns that mean something without load."""
    return {name: values for name, values in columns.items() if name not in NOT_HERE}


class _NoLoad:
    """The points of one test and the reading at rated speed."""

    def __init__(self, record: Record, test: RecordedTest) -> None:
        self.points = DirectPoints(record, test, models=MODELS)
        self.columns = without_efficiencies(self.points.columns(self.points.nominal))
        self.rated_rpm = record.rated("speed_rpm")
        self.why = self.points.why_missing("speed", "input_power")
        self.reading: Reading | None = None
        if not self.why and self.rated_rpm is None:
            self.why = "the motor file gives no rated speed_rpm"
        if not self.why and self.rated_rpm is not None:
            which = np.flatnonzero(np.isfinite(self.columns["input_power"][0]))
            try:
                self.reading = Reading(self.columns["speed"][0, which], which, self.rated_rpm)
            except ValueError:
                self.why = f"the speeds do not lie about rated speed ({self.rated_rpm:g} r/min): one must reach it"

    def outputs(self, x: Floats) -> Mapping[str, Floats]:
        columns = without_efficiencies(self.points.columns(x))
        table = self.points.table
        found = spread(table.asked, columns, range(table.size))
        found |= {c: columns[c].mean(axis=1) for c in TEMPERATURES if c in columns and table.complete([c]).all()}
        return found | (self._at_rated(x, columns, self.reading) if self.reading is not None else {})

    def _at_rated(self, x: Floats, columns: Columns, reading: Reading) -> Columns:
        speed, inputs = columns["speed"], self.points.inputs
        doubt = inputs.deviation(x, MODELS[0])[:, 0]
        found = {"no_load_power": reading.curve(speed, columns["input_power"]) + doubt}
        if MOTOR_CURRENT in columns:
            found["no_load_current"] = (
                reading.curve(speed, columns[MOTOR_CURRENT]) + inputs.deviation(x, MODELS[1])[:, 0]
            )
        if "losses" in columns:
            found["no_load_losses"] = reading.curve(speed, columns["losses"]) + doubt
            found["no_load_torque"] = found["no_load_losses"] / (reading.target * RAD_S_PER_RPM)
            found["bench_drag_at_no_load"] = reading.line(speed, columns["torque"])
        return found

    def sources(self) -> list[Source]:
        sources = list(self.points.sources)
        for model, column in zip(MODELS, ("input_power", MOTOR_CURRENT), strict=True):
            if self.reading is None or column not in self.columns:
                continue
            sizes = np.zeros(self.points.table.size)
            sizes[0] = self.reading.doubt(self.columns["speed"], self.columns[column])
            name = f"{column}, bend between the points"
            sources += self.points.inputs.model_sources(model, name, sizes, math.inf)
        return sources


def evaluate_brushless_no_load(record: Record, test: RecordedTest) -> TestResults:
    """Input power, current and losses without load, by speed and at rated speed."""
    no_load = _NoLoad(record, test)
    points = no_load.points
    outputs = (
        propagate_both(no_load.outputs, points.inputs.nominal, no_load.sources(), headlines=HEADLINES["no_load"])
        if no_load.columns
        else {}
    )
    reasons = dict.fromkeys(QUANTITIES, no_load.why)
    if not no_load.why:
        lacking = points.why_missing("torque")
        reasons |= dict.fromkeys(("no_load_losses", "no_load_torque", "bench_drag_at_no_load"), lacking)
        reasons["no_load_current"] = points.why_missing(MOTOR_CURRENT)
    reasons |= {c: f"there is no usable {c} at every point" for c in TEMPERATURES}
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(_wanted(points, list(no_load.columns)), outputs, reasons),
        notes=tuple(plausibility_notes(points, outputs)),
        points=gathered(points.table.asked, outputs, list(no_load.columns)),
        units={name: UNITS[name] for name in no_load.columns},
    )


def _wanted(points: DirectPoints, names: list[str]) -> list[Wanted]:
    read = "read at rated speed between the neighbouring points"
    how = {
        "no_load_power": f"Input power of the motor, motor_power of the analyser, {read}; the bench's drag is in it.",
        "no_load_current": f"Current of a phase, motor_current, {read}; the bench's drag is in it.",
        "no_load_losses": f"motor_power less shaft power T·n·π/30, P1 - P2, {read}: the specimen's own losses.",
        "no_load_torque": "No-load losses by rated speed, (P1 - P2)/ω: what friction, iron and the idle current brake.",
        "bench_drag_at_no_load": f"shaft_torque, all of it what the load side drags, {read}.",
    }
    wanted = [Wanted(name=n, unit=u, how=how[n]) for n, u in QUANTITIES.items()]
    wanted += [Wanted(name=c, unit="°C", how=f"Mean of {c} over the test's points.") for c in TEMPERATURES]
    for asked in points.table.asked:
        wanted += of_point(points, asked, [n for n in POINT_NAMES if n in names])
    return wanted
