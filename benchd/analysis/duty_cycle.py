"""Evaluate a duty cycle: energies over its repetitions, efficiency, rms and peak torque, how well the course was kept.

Energies are integrals of voltage times current at the DC terminals, and of torque times speed where the transducer
sits, over course time: while something is waited for, nothing counts. It must never drive a bench.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.course_rows import CourseRows, Series, course_of, course_rows, series_of
from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.direct import DC_CURRENT, DC_VOLTAGE
from benchd.analysis.duty_cycle_words import ENERGIES, LACKING, MOST_TOLD, of_repetition, repetitions_told, wanted_of
from benchd.analysis.point_results import gathered, named
from benchd.analysis.propagation import Addition, Output, Source, propagate
from benchd.analysis.record import Record, RecordedPoint, RecordedTest
from benchd.analysis.results import Measured, PointResult, TestResults, collect
from benchd.analysis.torque import SPEED, TORQUE, torque_ranges
from benchd.rules.course_pairs import InStep
from benchd.rules.quantities import Quantity

Floats = NDArray[np.float64]

KIND = "duty_cycle"
MOST_BINS = 24  # of course time in the table and the picture
LEAST_BIN_S = 0.1
SCATTER = "scatter of the samples"
BETWEEN = "scatter between the repetitions"
CLOSED_SHARE = 0.05  # of the greatest speed: further apart, beginning and end leave energy in what turns


class _DutyCycle:
    """One duty cycle's channels at common instants, and what may be wrong with them."""

    def __init__(self, record: Record, test: RecordedTest, course: InStep, rows: CourseRows) -> None:
        self.rows = rows
        self.course = course
        torque = next(iter(torque_ranges(record)), TORQUE)
        self.names = {SPEED: SPEED, TORQUE: torque, DC_VOLTAGE: DC_VOLTAGE, DC_CURRENT: DC_CURRENT}
        found = {name: series_of(record, test, channel) for name, channel in self.names.items()}
        self.series: dict[str, Series] = {n: one for n, one in found.items() if isinstance(one, Series)}
        self.complaints = {self.names[n]: one for n, one in found.items() if isinstance(one, str)}
        self._shown = {name: one.at(rows.time_s) for name, one in self.series.items()}
        self._places = {name: 3 * at for at, name in enumerate(self.series)}  # of gain, offset and clock
        self.nominal = np.zeros(3 * len(self.series))
        self.sources = [source for name in self.series for source in self._sources(record, name)]
        self.bins, self.edges = self._binned()
        self.electrical = {DC_VOLTAGE, DC_CURRENT} <= self.series.keys()
        self.mechanical = {SPEED, TORQUE} <= self.series.keys()
        self.input = "converter_input_power" if record.kind == "brushless" else "input_power"
        self.extremes = self._extremes()

    def _sources(self, record: Record, name: str) -> list[Source]:
        channel, first = self.names[name], self._places[name]
        calibration, zero = record.calibrations.get(channel), record.zeros.get(channel)
        made = []
        if zero is not None:
            made.append(
                Source(
                    name=f"{channel}, measured zero",
                    input=first + 1,
                    standard_uncertainty=zero.standard_uncertainty,
                    degrees_of_freedom=zero.degrees_of_freedom,
                )
            )
        largest = float(np.abs(self.series[name].values).max())
        for part in () if calibration is None else calibration.contributions:
            if part.effect == "offset" and zero is not None:  # the zero took this error off with it
                continue
            full_scale = 0.0 if calibration is None else calibration.full_scale
            gain = part.effect == "gain"
            size = part.standard_uncertainty(reading=full_scale if gain else largest, full_scale=full_scale)
            made.append(  # what is drawn anew at each point may be alike throughout a cycle: it is taken so
                Source(
                    name=f"{channel}, {part.name}",
                    input=first if gain else first + 1,
                    standard_uncertainty=size / full_scale if gain else size,
                    degrees_of_freedom=part.degrees_of_freedom,
                    distribution=part.distribution,
                )
            )
        made.append(
            Source(
                name=f"{channel}, instant of its samples",
                input=first + 2,
                standard_uncertainty=0.5 * self.series[name].interval_s / math.sqrt(3.0),
                distribution="rectangular",
            )
        )
        return made

    def _binned(self) -> tuple[NDArray[np.intp], Floats]:
        round_s = self.course.speed.round_s
        count = max(1, min(MOST_BINS, int(round_s / LEAST_BIN_S)))
        edges = np.linspace(0.0, round_s, count + 1)
        inside = np.searchsorted(edges, self.rows.second, side="right") - 1
        return np.clip(inside, 0, count - 1).astype(np.intp), edges

    def _extremes(self) -> dict[str, int]:
        """At which instants torque and deviations are greatest, as it was read."""
        found = {}
        if TORQUE in self._shown:
            found["peak_torque"] = int(np.argmax(np.abs(self._shown[TORQUE])))
        for name, key in ((SPEED, "speed_rpm"), (TORQUE, "torque_nm")):
            if name in self._shown:
                off = np.abs(self._shown[name] - self.rows.asked[key])
                found[f"greatest_{key.partition('_')[0]}_error"] = int(np.argmax(off))
        return found

    def second_of(self, extreme: str) -> tuple[int, float]:
        """In which repetition and at which second of it something is greatest."""
        at = self.extremes[extreme]
        return self.rows.repetitions[int(self.rows.place[at])], float(self.rows.second[at])

    # under the errors of x (b, m)

    def outputs(self, x: Floats) -> Mapping[str, Floats]:
        """Everything that is asked of the cycle, each (b,)."""
        rows = [self._of_one(one) for one in x]
        return {name: np.array([row[name] for row in rows]) for name in rows[0]}

    def _of_one(self, x: Floats) -> dict[str, float]:
        shown = {}
        for name, first in self._places.items():
            gain, offset, shift_s = x[first : first + 3]
            series = self.series[name]
            read = self._shown[name] if shift_s == 0.0 else series.at(self.rows.time_s, shift_s=float(shift_s))
            shown[name] = read * (1.0 + gain) + offset
        found: dict[str, float] = {}
        columns: dict[str, Floats] = {}
        weight = self.rows.weight_s
        total_s = self.rows.moving_s
        if self.electrical:
            columns[self.input] = shown[DC_VOLTAGE] * shown[DC_CURRENT]
            found |= self._energies(columns[self.input], "electrical_energy_in", "electrical_energy_back")
            found["mean_input_power"] = float(weight @ columns[self.input]) / total_s
        if self.mechanical:
            columns["shaft_power"] = shown[TORQUE] * shown[SPEED] * RAD_S_PER_RPM
            found |= self._energies(columns["shaft_power"], "mechanical_energy_out", "mechanical_energy_in")
            found["mean_shaft_power"] = float(weight @ columns["shaft_power"]) / total_s
        if TORQUE in shown:
            torque = columns["torque"] = shown[TORQUE]
            found["rms_torque"] = math.sqrt(float(weight @ torque**2) / total_s)
            found["peak_torque"] = abs(float(torque[self.extremes["peak_torque"]]))
        for name, key, error in (
            (SPEED, "speed_rpm", "greatest_speed_error"),
            (TORQUE, "torque_nm", "greatest_torque_error"),
        ):
            if name in shown:
                at = self.extremes[error]
                found[error] = abs(float(shown[name][at] - self.rows.asked[key][at]))
        if SPEED in shown:
            columns["speed"] = shown[SPEED]
        return found | self._efficiencies(found) | self._by_bin(columns)

    def _energies(self, power_w: Floats, there: str, back: str) -> dict[str, float]:
        """Both directions apart, in all and by repetition."""
        found = {}
        count = len(self.rows.repetitions)
        for name, part in ((there, np.maximum(power_w, 0.0)), (back, np.maximum(-power_w, 0.0))):
            by_repetition = np.bincount(self.rows.place, weights=self.rows.weight_s * part, minlength=count)
            found[name] = float(by_repetition.sum())
            found[f"{name}_per_repetition"] = found[name] / count
            for place in repetitions_told(count):
                found[of_repetition(name, self.rows.repetitions[place])] = float(by_repetition[place])
        return found

    def _efficiencies(self, found: Mapping[str, float]) -> dict[str, float]:
        if not (self.electrical and self.mechanical):
            return {}
        numbers = [self.rows.repetitions[place] for place in repetitions_told(len(self.rows.repetitions))]
        names: dict[str, Sequence[str]] = {"cycle_efficiency": ENERGIES}
        names |= {of_repetition("cycle_efficiency", n): tuple(of_repetition(e, n) for e in ENERGIES) for n in numbers}
        made = {}
        for name, energies in names.items():
            into, back, out, driven = (found[one] for one in energies)
            made[name] = (out - driven) / (into - back) if into > back and out > driven else math.nan
        return made

    def _by_bin(self, columns: Mapping[str, Floats]) -> dict[str, float]:
        found: dict[str, float] = {}
        count = self.edges.size - 1
        weights = np.bincount(self.bins, weights=self.rows.weight_s, minlength=count)
        for name, values in columns.items():
            sums = np.bincount(self.bins, weights=self.rows.weight_s * values, minlength=count)
            with np.errstate(invalid="ignore", divide="ignore"):
                means = sums / weights
            found |= {named(place, name): float(means[place]) for place in range(count)}
        return found

    # what the samples' own scatter adds

    def additions(self, outputs: Mapping[str, float]) -> dict[str, list[Addition]]:
        """Noise of single samples, and for means over the repetitions how far these lie apart."""
        made: dict[str, list[Addition]] = {}
        count = len(self.rows.repetitions)
        for names, pair in ((ENERGIES[:2], (DC_VOLTAGE, DC_CURRENT)), (ENERGIES[2:], (TORQUE, SPEED))):
            if not {*pair} <= self.series.keys():
                continue
            in_all = self._noise_of_product(*pair) * (RAD_S_PER_RPM if SPEED in pair else 1.0)
            for name in names:
                made[name] = [Addition(name=SCATTER, standard_uncertainty=in_all)]
                for place in repetitions_told(count):
                    one = of_repetition(name, self.rows.repetitions[place])
                    made[one] = [Addition(name=SCATTER, standard_uncertainty=in_all / math.sqrt(count))]
            mean = "mean_input_power" if SPEED not in pair else "mean_shaft_power"
            made[mean] = [Addition(name=SCATTER, standard_uncertainty=in_all / self.rows.moving_s)]
        for name, channel in (
            ("peak_torque", TORQUE),
            ("greatest_torque_error", TORQUE),
            ("greatest_speed_error", SPEED),
        ):
            if channel in self.series:
                made[name] = [Addition(name=SCATTER, standard_uncertainty=self.series[channel].noise)]
        if count > 1:
            for name in ENERGIES:
                told = [outputs[one] for n in self.rows.repetitions if (one := of_repetition(name, n)) in outputs]
                if len(told) > 1:
                    size = float(np.std(told, ddof=1)) / math.sqrt(len(told))
                    made[f"{name}_per_repetition"] = [
                        Addition(name=BETWEEN, standard_uncertainty=size, degrees_of_freedom=len(told) - 1.0)
                    ]
        self._efficiency_noise(made, outputs)
        return made

    def _noise_of_product(self, one: str, other: str) -> float:
        """Standard uncertainty of the integral of a product in all, from the noise of both factors' samples."""
        weight = self.rows.weight_s
        variance = 0.0
        for noisy, factor in ((one, other), (other, one)):
            series = self.series[noisy]
            # each reading stands for its interval: as many independent readings as there are intervals
            mean_square = float(weight @ self._shown[factor] ** 2) / self.rows.moving_s
            variance += series.noise**2 * mean_square * self.rows.moving_s * series.interval_s
        return math.sqrt(variance)

    def _efficiency_noise(self, made: dict[str, list[Addition]], outputs: Mapping[str, float]) -> None:
        value = outputs.get("cycle_efficiency", math.nan)
        if not math.isfinite(value):
            return
        into, back, out, driven = (outputs[name] for name in ENERGIES)
        sizes = [made[name][0].standard_uncertainty for name in (ENERGIES[0], ENERGIES[2])]
        share = math.hypot(sizes[0] / (into - back), sizes[1] / (out - driven))
        count = len(self.rows.repetitions)
        made["cycle_efficiency"] = [Addition(name=SCATTER, standard_uncertainty=value * share)]
        for place in repetitions_told(count):
            name = of_repetition("cycle_efficiency", self.rows.repetitions[place])
            if math.isfinite(outputs[name]):
                size = outputs[name] * share * math.sqrt(count)
                made[name] = [Addition(name=SCATTER, standard_uncertainty=size)]


def evaluate_duty_cycle(record: Record, test: RecordedTest) -> TestResults:
    """Energies, powers, efficiency and torques of all whole repetitions, and the mean course as a table over its time.

    A repetition that was held, or cut off, is left out and named. Nothing is determined where there is no whole one.
    """
    course = course_of(test)
    if course is None:
        return _nothing(test, "the run's settings do not say what was asked for")
    rows = course_rows(record, test, course)
    if not rows.repetitions:
        return _nothing(test, "no repetition was played through")
    duty = _DutyCycle(record, test, course, rows)
    if not duty.series:
        return _nothing(test, "no channel is usable", _notes(record, duty, {}))
    nominal = {name: float(values[0]) for name, values in duty.outputs(duty.nominal[None, :]).items()}
    outputs = propagate(duty.outputs, duty.nominal, duty.sources, duty.additions(nominal))
    points, units = _table(duty, outputs)
    wanted = wanted_of(rows.repetitions, torque=duty.names[TORQUE])
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(wanted, outputs, _reasons(duty, nominal)),
        notes=_notes(record, duty, nominal),
        points=points,
        units=units,
    )


def _table(duty: _DutyCycle, outputs: Mapping[str, Output]) -> tuple[tuple[PointResult, ...], dict[str, str]]:
    """The mean course over the second of the round: what was asked and what was measured, by equal times."""
    units: dict[str, str] = {}
    if SPEED in duty.series:
        units |= {"speed": "r/min", "speed_asked": "r/min"}
    if TORQUE in duty.series:
        units |= {"torque": "N·m", "torque_asked": "N·m"}
    units |= {duty.input: "W"} if duty.electrical else {}
    units |= {"shaft_power": "W"} if duty.mechanical else {}
    middles_s = 0.5 * (duty.edges[1:] + duty.edges[:-1])
    asked = [RecordedPoint(point=n, asked={"time_s": round(float(at_s), 3)}) for n, at_s in enumerate(middles_s)]
    found = []
    for n, point in enumerate(gathered(asked, outputs, [name for name in units if not name.endswith("_asked")])):
        inside = duty.bins == n
        weight = duty.rows.weight_s[inside]
        if not weight.sum() > 0.0:
            continue
        values = dict(point.values)
        for name, key in (("speed", "speed_rpm"), ("torque", "torque_nm")):
            if name in values:
                mean = float(weight @ duty.rows.asked[key][inside] / weight.sum())
                values[f"{name}_asked"] = Measured(value=mean, standard_uncertainty=0.0)
        found.append(replace(point, values=values))
    return tuple(found), units


def _reasons(duty: _DutyCycle, nominal: Mapping[str, float]) -> dict[str, str]:
    """Why a quantity has no number."""
    lacking = ", ".join(f"{channel}: {why}" for channel, why in duty.complaints.items())
    names = [one.name for one in wanted_of(duty.rows.repetitions, torque=duty.names[TORQUE])]
    reasons = dict.fromkeys(names, f"{LACKING} ({lacking})")
    for name in names:
        if name.startswith("cycle_efficiency") and name in nominal:
            reasons[name] = (
                "over the cycle the specimen does not take more energy than it gives back, and motor with it"
            )
    return reasons


def _notes(record: Record, duty: _DutyCycle, nominal: Mapping[str, float]) -> tuple[str, ...]:
    rows, course = duty.rows, duty.course
    asked = course.speed.repeated
    notes = [f"{channel}: {why}; it is evaluated without this channel." for channel, why in duty.complaints.items()]
    whole = len(rows.repetitions)
    if whole < asked:
        notes.append(f"{whole} of {asked} repetitions were played through without a break; these alone count.")
    if rows.interrupted:
        told = ", ".join(str(number) for number in rows.interrupted[:MOST_TOLD])
        notes.append(f"Held or cut off in between, and left out: repetition {told}.")
    for name, what, unit in (
        ("greatest_speed_error", "speed", "r/min"),
        ("greatest_torque_error", "torque", "N·m"),
    ):
        if name in duty.extremes:
            number, second = duty.second_of(name)
            notes.append(
                f"The {what} was furthest from what was asked, by {nominal[name]:.3g} {unit}, in repetition {number} "
                f"at second {second:.2f}."
            )
    begin, end = course.speed.placed[0].segment.start, course.speed.placed[-1].segment.end
    most = max(abs(begin), abs(end))
    if most > 0.0 and abs(abs(begin) - abs(end)) > CLOSED_SHARE * most:
        notes.append(
            f"The course begins at {begin:g} and ends at {end:g} r/min: what turns keeps the difference as energy of "
            "motion, which is in the energies and the efficiency."
        )
    if len(torque_ranges(record)) > 1:
        notes.append(f"The torque is that of {duty.names[TORQUE]}, the widest range, throughout.")
    return tuple(notes)


def _nothing(test: RecordedTest, reason: str, notes: Sequence[str] = ()) -> TestResults:
    nothing = (
        Quantity.not_determined("cycle_efficiency", "1", reason),
        *(Quantity.not_determined(name, "J", reason) for name in ENERGIES),
    )
    told = (*notes, f"Nothing is evaluated: {reason}.")
    return TestResults(kind=test.kind, index=test.index, quantities=nothing, notes=told)
