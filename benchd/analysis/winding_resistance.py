"""Evaluate the winding-resistance test: four-wire, both polarities, carried to a temperature. It must never heat one.

R = (V+ - V-)/(I+ - I-) of a pair of terminals: thermal voltages and offsets are the same for both polarities and cancel
(IEC 60034-2-1, 5.7.1 in kind; the temperature's correction IEC 60034-1, 8.6.2, k = 235 for copper, value from memory).
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.headline import HEADLINES
from benchd.analysis.inputs import Inputs
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.point_results import point_results
from benchd.analysis.points import PointTable, point_table
from benchd.analysis.propagation import Output
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect
from benchd.analysis.temperature import COPPER_CONSTANT_DEGC, resistance_at

Floats = NDArray[np.float64]

VOLTAGE, CURRENT, WINDING = "winding_voltage", "winding_current", "winding_temperature"
CHANNELS = (VOLTAGE, CURRENT, WINDING)
NO_CURRENT_SHARE = 0.5  # of the current asked for: with less the circuit is open
UNBALANCE_WORTH_TELLING = 0.02  # between pairs of terminals (common practice)
SHEET_WORTH_TELLING = 0.2  # away from the data sheet
_TERMINALS = {12: (1, 2), 23: (2, 3), 13: (1, 3)}


class _Pairs:
    """The points of one test by pair of terminals, those that carried no current or gave no reading left out."""

    def __init__(self, table: PointTable) -> None:
        usable = table.complete([VOLTAGE, CURRENT])
        self.plus: dict[int, NDArray[np.intp]] = {}
        self.minus: dict[int, NDArray[np.intp]] = {}
        self.open: list[int] = []
        self.incomplete: list[int] = []
        asked_a = np.array([p.asked.get("current_a", math.nan) for p in table.asked], dtype=np.float64)
        pair_of = np.array([round(p.asked.get("pair", 12.0)) for p in table.asked], dtype=np.intp)
        for pair in dict.fromkeys(pair_of.tolist()):
            mine = usable & (pair_of == pair)
            plus, minus = np.flatnonzero(mine & (asked_a > 0.0)), np.flatnonzero(mine & (asked_a < 0.0))
            if not plus.size or not minus.size:
                self.incomplete.append(pair)
                continue
            difference = float(table.mean[CURRENT][plus].mean() - table.mean[CURRENT][minus].mean())
            if abs(difference) < NO_CURRENT_SHARE * float(asked_a[plus].mean() - asked_a[minus].mean()):
                self.open.append(pair)
                continue
            self.plus[pair], self.minus[pair] = plus, minus

    def resistances(self, voltage: Floats, current: Floats) -> Floats:
        """Each pair's resistance (b, pairs) from voltages and currents (b, n)."""
        columns = []
        for pair in self.plus:
            up, down = self.plus[pair], self.minus[pair]
            volts = voltage[:, up].mean(axis=1) - voltage[:, down].mean(axis=1)
            columns.append(volts / (current[:, up].mean(axis=1) - current[:, down].mean(axis=1)))
        return np.stack(columns, axis=1)


def evaluate_winding_resistance(record: Record, test: RecordedTest) -> TestResults:
    """Resistance by pair, their mean and unbalance, and the mean carried to 20 and 25 °C."""
    table = point_table(record, [test.index], CHANNELS)
    pairs = _Pairs(table)
    warm = table.size > 0 and bool(table.complete([WINDING]).all())
    stem = "resistance_between_terminals" if record.kind == "brushless" else "terminal_resistance"
    inputs = Inputs(record=record, table=table, channels=[c for c in CHANNELS if table.has(c)])
    outputs: Mapping[str, Output] = {}
    if pairs.plus:

        def model(x: Floats) -> Mapping[str, Floats]:
            each = pairs.resistances(inputs.channel(x, VOLTAGE), inputs.channel(x, CURRENT))
            found = {f"resistance_{pair}": each[:, i] for i, pair in enumerate(pairs.plus)}
            mean = each.mean(axis=1)
            found[stem] = mean
            if each.shape[1] > 1:
                found["resistance_unbalance"] = (each.max(axis=1) - each.min(axis=1)) / mean
            if record.kind == "brushless":
                found["phase_resistance"] = 0.5 * mean
            if warm:
                found |= _carried(found, stem, inputs.channel(x, WINDING).mean(axis=1))
            return found

        outputs = propagate_both(model, inputs.nominal, inputs.sources, headlines=HEADLINES["winding_resistance"])
    wanted = _wanted(record, pairs, stem)
    points, units = point_results(table, inputs, {"winding_voltage": VOLTAGE, "winding_current": CURRENT})
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(wanted, outputs, _reasons(table, pairs, stem, warm=warm)),
        notes=tuple(_notes(record, pairs, outputs, stem)),
        points=points,
        units=units,
    )


def _carried(found: Mapping[str, Floats], stem: str, winding_degc: Floats) -> dict[str, Floats]:
    names = [name for name in (stem, "phase_resistance") if name in found]
    carried = {
        f"{name}_{degc}": np.asarray(resistance_at(found[name], from_degc=winding_degc, to_degc=float(degc)))
        for name in names
        for degc in (20, 25)
    }
    return carried | {WINDING: winding_degc}


def _wanted(record: Record, pairs: _Pairs, stem: str) -> Sequence[Wanted]:
    brushes = "" if record.kind == "brushless" else " The brush contacts are in it, and at a small current they are a "
    brushes += "" if record.kind == "brushless" else "larger part of it than under load."
    measured = (
        "R = (V+ - V-)/(I+ - I-), winding_voltage by winding_current at both polarities, so that thermal voltages and "
        "offsets cancel"
    )
    copper = f"({COPPER_CONSTANT_DEGC:g} + {{degc}})/({COPPER_CONSTANT_DEGC:g} + winding_temperature), copper"
    wanted = [Wanted(name=stem, unit="Ω", how=f"Mean over the pairs of terminals of {measured}.{brushes}")]
    names = [(stem, "the resistance between two terminals" if record.kind == "brushless" else "the resistance")]
    if record.kind == "brushless":
        half = "Half of the resistance between two terminals, R/2: of one phase of a winding in star."
        wanted.append(Wanted(name="phase_resistance", unit="Ω", how=half))
        names.append(("phase_resistance", "the phase resistance"))
    wanted += [
        Wanted(
            name=f"{name}_{degc}",
            unit="Ω",
            how=f"{words.capitalize()} carried to {degc} °C, R·{copper.format(degc=degc)}.",
        )
        for name, words in names
        for degc in (20, 25)
    ]
    every = [*pairs.plus, *pairs.open, *pairs.incomplete]
    if len(every) > 1:
        unbalance = "Greatest less least resistance of the pairs by their mean, (Rmax - Rmin)/R."
        wanted.append(Wanted(name="resistance_unbalance", unit="1", how=unbalance))
        wanted += [
            Wanted(
                name=f"resistance_{pair}", unit="Ω", how=f"Between terminals {pair // 10} and {pair % 10}, {measured}."
            )
            for pair in sorted(every)
        ]
    return [*wanted, Wanted(name=WINDING, unit="°C", how="Mean of winding_temperature over the test's points.")]


def _reasons(table: PointTable, pairs: _Pairs, stem: str, *, warm: bool) -> dict[str, str]:
    missing = [c for c in (VOLTAGE, CURRENT) if c not in table.mean]
    nothing = f"the run has no channel {missing[0]}" if missing else "no pair of terminals gave a resistance"
    if pairs.open:
        nothing = f"no current flowed through terminals {_listed(pairs.open)}"
    names = [stem, "phase_resistance", "resistance_unbalance"]
    reasons = dict.fromkeys([*names, *(f"{n}_{t}" for n in names[:2] for t in (20, 25))], nothing)
    reasons |= {f"resistance_{p}": "no current flowed through these terminals" for p in pairs.open}
    reasons |= {f"resistance_{p}": "one of the polarities gave no usable reading" for p in pairs.incomplete}
    if len(pairs.plus) == 1:
        reasons["resistance_unbalance"] = "only one pair of terminals gave a resistance"
    if not warm:
        text = (
            "there is no usable winding_temperature at every point, and a resistance is carried to another temperature "
            "only from a known one: connect the winding's thermometer"
        )
        reasons[WINDING] = "there is no usable winding_temperature at every point"
        if pairs.plus:
            reasons.update({f"{n}_{t}": text for n in names[:2] for t in (20, 25)})
    return reasons


def _notes(record: Record, pairs: _Pairs, outputs: Mapping[str, Output], stem: str) -> list[str]:
    notes = []
    if pairs.open:
        notes.append(f"No current flowed through terminals {_listed(pairs.open)}: {_suspect_of_open(pairs)}.")
    if pairs.incomplete:
        notes.append(f"Terminals {_listed(pairs.incomplete)} have no usable reading at both polarities.")
    each = {pair: outputs[f"resistance_{pair}"].value for pair in pairs.plus if f"resistance_{pair}" in outputs}
    negative = [pair for pair, ohm in each.items() if ohm <= 0.0]
    if negative:
        notes.append(
            f"Terminals {_listed(negative)} show a negative resistance: the voltage leads of the resistance meter are "
            "exchanged."
        )
    unbalance = outputs.get("resistance_unbalance")
    if unbalance is not None and len(each) == 3 and not negative and unbalance.value > UNBALANCE_WORTH_TELLING:
        notes.append(_suspect_of_unbalance(each, unbalance.value))
    sheet, at_20 = record.data_sheet("resistance_ohm"), outputs.get(f"{stem}_20")
    if sheet and at_20 is not None and abs(at_20.value / sheet - 1.0) > SHEET_WORTH_TELLING:
        notes.append(
            f"At 20 °C the resistance is {at_20.value:.4g} Ω where the data sheet says {sheet:.4g} Ω: look at the "
            "terminals, at the winding's connection and at the motor file."
        )
    if record.kind == "brushed_dc" and outputs:
        notes.append("The brushes' contacts are in the terminal resistance; a turn of the shaft changes it.")
    return notes


def _listed(pairs: Sequence[int]) -> str:
    return ", ".join(f"{p // 10}-{p % 10}" for p in sorted(pairs))


def _suspect_of_open(pairs: _Pairs) -> str:
    common = set.intersection(*(set(_TERMINALS.get(p, (p // 10, p % 10))) for p in pairs.open))
    if len(pairs.open) == 2 and len(common) == 1 and pairs.plus:
        return f"the lead or winding at terminal {common.pop()}, which these pairs share, is the likely suspect"
    if len(pairs.open) == 1 and pairs.plus:
        return "the meter's contacts for this pair are the likely suspect, since its terminals carry current otherwise"
    return "more than one lead is open, or the meter's own leads are off"


def _suspect_of_unbalance(each: Mapping[int, float], unbalance: float) -> str:
    """A phase in star from its pairs: R1 = (R12 + R13 - R23)/2."""
    total = 0.5 * sum(each.values())
    phases = {terminal: total - each[opposite] for terminal, opposite in ((1, 23), (2, 13), (3, 12))}
    middle = float(np.median(list(phases.values())))
    suspect = max(phases, key=lambda t: abs(phases[t] - middle))
    way = "more" if phases[suspect] > middle else "less"
    why = "a poor contact, lead or joint" if way == "more" else "shorted turns"
    return (
        f"The pairs of terminals differ by {100.0 * unbalance:.1f} %: phase {suspect} has "
        f"{100.0 * abs(phases[suspect] / middle - 1.0):.1f} % {way} resistance than the others, {why} at terminal "
        f"{suspect} is the likely suspect."
    )
