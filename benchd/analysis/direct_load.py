"""Evaluate a load test by direct input-output alone: a brushless motor's, or a brushed one's at a held speed.

It must never use a model of the motor: between the points it reads losses, which bend over torque, by a parabola.
"""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.curves import Reading, distinct_levels, mean_difference, on, parabola, widest_gap
from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.direct import TEMPERATURES, Columns, DirectPoints
from benchd.analysis.direct_words import formulas, of_point
from benchd.analysis.fits import local_line
from benchd.analysis.headline import HEADLINES
from benchd.analysis.joint import excess_scatter
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.plausibility import plausibility_notes
from benchd.analysis.point_results import UNITS, gathered, spread
from benchd.analysis.propagation import Addition, Source
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect

Floats = NDArray[np.float64]

LOSSES, CONVERTER_LOSSES, CURRENT, BEND = "losses curve", "converter losses curve", "current curve", "losses bend"
MODELS = (LOSSES, CONVERTER_LOSSES, CURRENT, BEND)
AT_RATED = {
    "efficiency": "1",
    "converter_efficiency": "1",
    "system_efficiency": "1",
    "shaft_power": "W",
    "input_power": "W",
    "converter_input_power": "W",
    "losses": "W",
    "converter_losses": "W",
    "speed": "r/min",
    "current": "A",
    "torque_per_ampere": "N·m/A",
    "power_factor": "1",
}
OF_CONVERTER = ("converter_efficiency", "system_efficiency", "converter_input_power", "converter_losses")
OF_POINT = (
    "shaft_power",
    "input_power",
    "efficiency",
    "losses",
    "converter_input_power",
    "converter_efficiency",
    "system_efficiency",
)
HYSTERESIS = {"hysteresis_current": "A", "hysteresis_losses": "W", "hysteresis_at_torque": "N·m"}
BEST = {"maximum_efficiency": "1", "torque_at_maximum_efficiency": "N·m"}


class DirectLoad:
    """The points of one load test, and what is read between them."""

    def __init__(self, record: Record, test: RecordedTest) -> None:
        self.points = DirectPoints(record, test, models=MODELS)
        self.columns = self.points.columns(self.points.nominal)
        table = self.points.table
        torque = self.columns.get("torque", np.full((1, table.size), math.nan))[0]
        power = self.columns.get("input_power", np.full((1, table.size), math.nan))[0]
        self.which = np.flatnonzero(np.isfinite(torque) & np.isfinite(power))
        self.up = np.intersect1d(self.which, np.flatnonzero(table.going("up")))
        self.down = np.intersect1d(self.which, np.flatnonzero(table.going("down")))
        self.rated_nm = record.rated("torque_nm")
        self.why_not_rated = self.points.why_missing("torque", "input_power", "speed")
        self.reading = self._reading(self.which)
        self.has_curve = distinct_levels(torque[self.which]) >= 4
        current = self.columns.get(self.points.input_current)
        self.pair = None if current is None else widest_gap(torque, current[0], self.up, self.down)
        self.best_nm = self._best_torque()

    def _reading(self, which: NDArray[np.intp]) -> Reading | None:
        if self.why_not_rated:
            return None
        if self.rated_nm is None:
            self.why_not_rated = "the motor file gives no rated torque_nm"
            return None
        try:
            return Reading(self.columns["torque"][0, which], which, self.rated_nm)
        except ValueError:
            self.why_not_rated = f"the settled points do not reach rated torque ({self.rated_nm:g} N·m) on both sides"
            return None

    def _best_torque(self) -> float | None:
        if not self.has_curve:
            return None
        a, _, c = parabola(self.columns["torque"][:, self.which], self.columns["losses"][:, self.which])[0]
        best = math.sqrt(a / c) if a > 0.0 and c > 0.0 else math.nan
        torque = self.columns["torque"][0, self.which]
        return best if torque.min() <= best <= torque.max() else None

    # ---- under the errors of x (b, m)

    def outputs(self, x: Floats) -> Mapping[str, Floats]:
        """Everything by name, each (b,)."""
        columns = self.points.columns(x)
        table = self.points.table
        found = spread(table.asked, columns, range(table.size))
        found |= {c: columns[c].mean(axis=1) for c in TEMPERATURES if c in columns and self._whole(c)}
        if self.reading is not None:
            at = self._at(x, columns, self.reading)
            found |= {f"{name}_at_rated_torque": value for name, value in at.items()}
        if self.best_nm is not None:
            found |= self._best(x, columns)
        if self.pair is not None:
            found |= self._hysteresis(columns, *self.pair)
        return found

    def _whole(self, channel: str) -> bool:
        return bool(self.points.table.complete([channel]).all())

    def _doubted(self, x: Floats, model: str) -> Floats:
        return self.points.inputs.deviation(x, model)[:, 0]

    def _at(self, x: Floats, columns: Columns, reading: Reading) -> Columns:
        torque, target = columns["torque"], reading.target
        speed = reading.line(torque, columns["speed"])
        shaft = target * speed * RAD_S_PER_RPM
        losses = reading.curve(torque, columns["losses"]) + self._doubted(x, LOSSES)
        power = shaft + losses
        found = {
            "speed": speed,
            "shaft_power": shaft,
            "losses": losses,
            "input_power": power,
            "efficiency": shaft / power,
        }
        current = columns.get(self.points.input_current)
        if current is not None:
            found["current"] = reading.curve(torque, current) + self._doubted(x, CURRENT)
            found["torque_per_ampere"] = target / found["current"]
        if "power_factor" in columns:
            found["power_factor"] = reading.line(torque, columns["power_factor"])
        if "converter_losses" in columns:
            lost = reading.curve(torque, columns["converter_losses"]) + self._doubted(x, CONVERTER_LOSSES)
            dc = power + lost
            found |= {"converter_losses": lost, "converter_input_power": dc}
            found |= {"converter_efficiency": power / dc, "system_efficiency": shaft / dc}
        return found

    def _best(self, x: Floats, columns: Columns) -> Columns:
        """Where a + b·T + c·T² is least against T·ω: at √(a/c); efficiency there is ω/(ω + b + 2·√(a·c))."""
        torque, losses = columns["torque"][:, self.which], columns["losses"][:, self.which]
        fit = parabola(torque, losses + self.points.inputs.deviation(x, BEND)[:, self.which])
        a, b, c = (np.maximum(fit[:, i], 1e-300) if i != 1 else fit[:, 1] for i in range(3))
        best = np.sqrt(a / c)
        omega = columns["speed"][:, self.which].mean(axis=1) * RAD_S_PER_RPM
        return {
            "torque_at_maximum_efficiency": best,
            "maximum_efficiency": omega / (omega + b + 2.0 * np.sqrt(a * c)),
        }

    def _hysteresis(self, columns: Columns, at: int, beside: NDArray[np.intp]) -> Columns:
        torque = columns["torque"]
        there, target = torque[:, beside], torque[:, at]
        found = {"hysteresis_at_torque": target}
        for name, column in (("hysteresis_current", self.points.input_current), ("hysteresis_losses", "losses")):
            values = columns[column]
            found[name] = local_line(there, values[:, beside], target) - values[:, at]
        return found

    # ---- doubts of reading between the points

    def sources(self) -> list[Source]:
        """Those of the points, of reading between them, and of the losses' deviation from their parabola."""
        inputs, sources = self.points.inputs, list(self.points.sources)
        curves = ((LOSSES, "losses"), (CONVERTER_LOSSES, "converter_losses"), (CURRENT, self.points.input_current))
        for model, column in curves:
            if self.reading is None or column not in self.columns:
                continue
            size = self.reading.doubt(self.columns["torque"], self.columns[column])
            sizes = np.zeros(self.points.table.size)
            sizes[0] = size
            sources += inputs.model_sources(model, f"{column}, bend between the points", sizes, math.inf)
        return sources + (self._bend_sources() if self.best_nm is not None else [])

    def _bend_sources(self) -> list[Source]:
        torque, losses = (self.columns[n][:, self.which] for n in ("torque", "losses"))
        left = losses[0] - on(parabola(torque, losses), torque)[0]
        own = self._own_variance()[self.which]
        size, degrees = excess_scatter(left, torque[0], 3, own)
        sizes = np.zeros(self.points.table.size)
        sizes[self.which] = size
        return self.points.inputs.model_sources(BEND, "losses, deviation from their parabola", sizes, degrees)

    def _own_variance(self) -> Floats:
        inputs, speed = self.points.inputs, self.columns["speed"][0] * RAD_S_PER_RPM
        shaft = speed * self.points.shaft.independent(inputs)
        if self.points.brushless:
            return np.asarray(shaft**2 + inputs.independent["motor_power"] ** 2)
        volts, amperes = self.columns["dc_voltage"][0], self.columns["dc_current"][0]
        dc = (amperes * inputs.independent["dc_voltage"]) ** 2 + (volts * inputs.independent["dc_current"]) ** 2
        return np.asarray(shaft**2 + dc)

    def additions(self) -> dict[str, list[Addition]]:
        """Half the distance between the ways up and down at rated torque, for what is read there."""
        if self.reading is None or self.rated_nm is None:
            return {}
        branches = []
        for way in (self.up, self.down):
            try:
                branch = Reading(self.columns["torque"][0, way], way, self.rated_nm)
            except ValueError:
                return {}
            branches.append(self._at(self.points.nominal, self.columns, branch))
        up, down = branches
        name = "shaft_torque, difference between up and down"
        return {
            f"{quantity}_at_rated_torque": [
                Addition(
                    name=name,
                    standard_uncertainty=mean_difference((float(up[quantity][0]), float(down[quantity][0]))),
                    distribution="rectangular",
                )
            ]
            for quantity in up
        }

    # ---- words

    def reasons(self) -> dict[str, str]:
        """Why what is not determined is not."""
        points = self.points
        reasons = {f"{name}_at_rated_torque": self.why_not_rated for name in AT_RATED}
        if not self.why_not_rated:
            reasons |= {f"{n}_at_rated_torque": points.why_missing("converter_input_power") for n in OF_CONVERTER}
            reasons["power_factor_at_rated_torque"] = points.why_missing("power_factor")
            for name in ("current", "torque_per_ampere"):
                reasons[f"{name}_at_rated_torque"] = points.why_missing(points.input_current)
        if not self.has_curve:
            best = "four or more torque steps with shaft and input power are needed"
        else:
            best = "the losses put it outside the torques that were measured"
        reasons.update(dict.fromkeys(BEST, best))
        reasons.update(dict.fromkeys(HYSTERESIS, "torque was not taken both up and down over the same range"))
        reasons |= {c: f"there is no usable {c} at every point" for c in TEMPERATURES}
        return {name: text or "too few points have all that it needs" for name, text in reasons.items()}

    def wanted(self) -> list[Wanted]:
        """All quantities in order, with how they come about."""
        words = {**formulas(self.points), "current": f"current ({self.points.input_current})"}
        between = "read at rated torque between the neighbouring points"
        if self.reading is not None and self.reading.bends:
            between += ", losses and current with the bend of a parabola over torque through all points"
        rated = {n: u for n, u in AT_RATED.items() if self.points.brushless or n not in (*OF_CONVERTER, "power_factor")}
        wanted = [
            Wanted(name=f"{n}_at_rated_torque", unit=u, how=f"{_capital(words[n])}, {between}.")
            for n, u in rated.items()
        ]
        best = "of the parabola a + b·T + c·T² through the losses of all points, at T = √(a/c)"
        wanted += [
            Wanted(name="maximum_efficiency", unit="1", how=f"Motor efficiency ω/(ω + b + 2·√(a·c)) {best}."),
            Wanted(name="torque_at_maximum_efficiency", unit="N·m", how=f"Torque of least loss against output {best}."),
        ]
        gap = "on the way down less on the way up at equal torque, where the currents differ most"
        wanted += [
            Wanted(name="hysteresis_current", unit="A", how=f"Current ({self.points.input_current}) {gap}."),
            Wanted(name="hysteresis_losses", unit="W", how=f"Losses P1 - P2 {gap}."),
            Wanted(name="hysteresis_at_torque", unit="N·m", how="Torque where the hysteresis is stated."),
        ]
        wanted += [Wanted(name=c, unit="°C", how=f"Mean of {c} over the test's points.") for c in TEMPERATURES]
        for asked in self.points.table.asked:
            wanted += of_point(self.points, asked, [n for n in OF_POINT if n in self.columns])
        return wanted


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def evaluate_direct_load(record: Record, test: RecordedTest) -> TestResults:
    """Powers, losses and efficiencies by point and at rated torque, best efficiency, hysteresis."""
    load = DirectLoad(record, test)
    points = load.points
    outputs = (
        propagate_both(
            load.outputs, points.inputs.nominal, load.sources(), load.additions(), headlines=HEADLINES["load"]
        )
        if load.columns
        else {}
    )
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(load.wanted(), outputs, load.reasons()),
        notes=tuple(plausibility_notes(points, outputs)),
        points=gathered(points.table.asked, outputs, list(load.columns)),
        units={name: UNITS[name] for name in load.columns},
    )
