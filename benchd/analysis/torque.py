"""The specimen's torque at every point: which range of the transducer tells it, and what the rotors' inertia takes.

It must never judge a motor. A transducer may be recorded in several ranges, each a channel with its own calibration and
zero; at a point the narrowest one counts that is neither overloaded nor forbidden by the test's `torque_range`.
While the speed still changes, part of the specimen's torque accelerates its rotor and its side of the coupling and
never reaches the transducer: it is added from the speed's own slope where that is beyond noise.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.inputs import Inputs, Scalar
from benchd.analysis.points import PointTable
from benchd.analysis.propagation import Source
from benchd.analysis.record import Record

Floats = NDArray[np.float64]

TORQUE, SPEED = "shaft_torque", "shaft_speed"
INERTIA = "inertia"  # the scalar, kg·m²
ACCELERATION = "acceleration torque"  # the model whose deviations are N·m a point
INERTIA_HALF_WIDTH_SHARE = 0.2  # of the data sheets' inertia; a maker's planning value (common practice)
WORTH_TELLING_SHARE = 1e-3  # of the torque
DISAGREEMENT_FACTOR = 3.0  # standard uncertainties; with two they would contradict each other once in twenty points


def torque_ranges(record: Record) -> tuple[str, ...]:
    """The record's torque channels, the widest range first; `shaft_torque` is the widest unless calibrations differ."""
    names = [c for c in record.values if c == TORQUE or c.startswith(f"{TORQUE}_")]

    def width(channel: str) -> tuple[float, bool]:
        calibration = record.calibrations.get(channel)
        given = math.inf if channel == TORQUE else 0.0
        return (given if calibration is None else calibration.full_scale, channel == TORQUE)

    return tuple(sorted(sorted(names), key=width, reverse=True))


class ShaftTorque:
    """The torque at the points of one table, and where its uncertainty comes from."""

    def __init__(self, record: Record, table: PointTable) -> None:
        self.table = table
        self._settings = {t.index: t.settings.get("torque_range", "auto") for t in record.tests}
        self._units = record.units
        self._all = torque_ranges(record)
        self._chosen = self._choose()  # (n,) place in `_all`, -1 for none
        used = sorted(set(self._chosen[self._chosen >= 0].tolist()))
        self.channels: tuple[str, ...] = tuple(self._all[i] for i in used)
        self._doubts = {c: _doubt(record, table, c) for c in self._all} if len(self._all) > 1 else {}
        self._inertia_kgm2 = record.inertia_kgm2
        nothing = np.zeros(table.size)
        moves = table.drift.get(SPEED, nothing) > 0.0  # a slope within noise adds nothing, as it carries no mean
        self._alpha = np.where(moves, np.nan_to_num(table.slope.get(SPEED, nothing)), 0.0) * RAD_S_PER_RPM

    def _choose(self) -> NDArray[np.intp]:
        chosen = np.full(self.table.size, -1, dtype=np.intp)
        for place, channel in enumerate(self._all):  # from wide to narrow: the later one wins
            allowed = np.array([self._allows(test, place) for test in self.table.tests], dtype=np.bool_)
            chosen[self.table.complete([channel]) & allowed] = place
        return chosen

    def _allows(self, test: int, place: int) -> bool:
        setting = self._settings.get(test, "auto")
        if setting == "wide":
            return place == 0
        return setting != "narrow" or place > 0

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Which points (n,) have a torque."""
        return np.asarray(self._chosen >= 0)

    @property
    def adds_inertia(self) -> bool:
        """Whether J·dω/dt is added at any point."""
        return self._inertia_kgm2 is not None and bool(np.any(self._alpha != 0.0))

    @property
    def forbids(self) -> Mapping[int, str]:
        """By test: why a torque that was recorded does not count, in words."""
        told = {}
        for test in sorted(set(self.table.tests)):
            mine = self.table.of_test(test)
            setting = self._settings.get(test, "auto")
            recorded = np.zeros(self.table.size, dtype=np.bool_)
            for channel in self._all:
                recorded |= self.table.complete([channel])
            lost = int((mine & recorded & ~self.usable).sum())
            if lost:
                told[test] = (
                    f"torque_range = {setting!r} leaves {lost} of the points without torque, because that range is "
                    "overloaded there or was not recorded: use 'auto'"
                )
        return told

    @property
    def mean(self) -> Floats:
        """The chosen range's mean (n,), N·m with its sign, NaN where there is none; the inertia's part is not in it."""
        mean = np.full(self.table.size, math.nan)
        for place, channel in enumerate(self._all):
            here = self._chosen == place
            mean[here] = self.table.mean[channel][here]
        return mean

    @property
    def scalars(self) -> Sequence[Scalar]:
        """What `Inputs` needs beside the channels."""
        if self._inertia_kgm2 is None:
            return ()
        return (
            Scalar(
                name=INERTIA,
                value=self._inertia_kgm2,
                standard_uncertainty=INERTIA_HALF_WIDTH_SHARE * self._inertia_kgm2 / math.sqrt(3.0),
                distribution="rectangular",
                source="shaft_torque, inertia of rotor and coupling, assumed within 20 % of the data sheets",
            ),
        )

    def sources(self, inputs: Inputs) -> list[Source]:
        """The doubt of the acceleration at each point."""
        if self._inertia_kgm2 is None or SPEED not in self.table.slope_uncertainty:
            return []
        sizes = np.nan_to_num(self.table.slope_uncertainty[SPEED]) * RAD_S_PER_RPM * self._inertia_kgm2
        degrees = float(np.nanmin(self.table.degrees_of_freedom[SPEED])) if self.table.size else math.inf
        return inputs.model_sources(ACCELERATION, "shaft_speed, slope times inertia", sizes, max(degrees, 1.0))

    def at(self, inputs: Inputs, x: Floats) -> Floats:
        """The specimen's torque (b, n) with its sign under the errors x (b, m); NaN where there is none."""
        torque = np.full((x.shape[0], self.table.size), math.nan)
        for place, channel in enumerate(self._all):
            here = self._chosen == place
            if here.any():
                torque[:, here] = inputs.channel(x, channel)[:, here]
        if self._inertia_kgm2 is None:
            return torque
        return np.asarray(torque + inputs.scalar(x, INERTIA)[:, None] * self._alpha + inputs.deviation(x, ACCELERATION))

    def independent(self, inputs: Inputs) -> Floats:
        """The standard uncertainty (n,) of each point's torque that no other point shares."""
        own = np.zeros(self.table.size)
        for place, channel in enumerate(self._all):
            here = self._chosen == place
            if here.any():
                own[here] = inputs.independent[channel][here]
        return own

    def range_at(self, i: int) -> str:
        """Which channel tells point `i`, in words for a sentence."""
        place = int(self._chosen[i])
        return "no torque channel" if place < 0 else self._all[place]

    def notes(self, test: int) -> list[str]:
        """What a reader must know about the torque of one test's points."""
        told = [f"{self.forbids[test]}."] if test in self.forbids else []
        mine = self.table.of_test(test) & self.usable
        drifting = self.table.drift.get(SPEED, np.zeros(self.table.size)) > 0.0
        taken = np.abs((self._inertia_kgm2 or 0.0) * self._alpha)
        matters = mine & drifting & (taken > WORTH_TELLING_SHARE * np.abs(self.mean))
        if matters.any():
            told.append(
                f"The speed still changed at {points_named(self.table, matters)}: up to {taken[matters].max():.2g} N·m "
                "(rotor and coupling inertia times the slope) is added to what the transducer read."
            )
        if self._inertia_kgm2 is None and (mine & drifting).any():
            told.append(
                f"The speed still changed at {points_named(self.table, mine & drifting)}, and the inertia of rotor or "
                "coupling is not given: the torque that accelerates them is not added."
            )
        return [*told, *self._disagreements(mine)]

    def _disagreements(self, mine: NDArray[np.bool_]) -> list[str]:
        """Two ranges of one transducer that contradict each other: one of them is saturated or wrongly calibrated."""
        if len(self._all) < 2:
            return []
        wide, narrow = self._all[0], self._all[-1]
        both = mine & self.table.complete([wide, narrow])
        apart = np.abs(self.table.mean[wide] - self.table.mean[narrow])
        own = np.hypot(self._doubts[wide], self._doubts[narrow])
        wrong = both & (apart > DISAGREEMENT_FACTOR * own)
        if not wrong.any():
            return []
        where = points_named(self.table, wrong)
        text = (
            f"{wide} and {narrow} differ by up to {apart[wrong].max():.3g} N·m at {where}, more than their "
            "calibrations allow: one of the ranges is saturated, scaled wrongly or has lost its zero."
        )
        return [text]


def _doubt(record: Record, table: PointTable, channel: str) -> Floats:
    """The standard uncertainty (n,) of one range's means: certificate, zero and scatter."""
    variance = table.scatter[channel] ** 2 + table.drift[channel] ** 2
    zero = record.zeros.get(channel)
    if zero is not None:
        variance = variance + zero.standard_uncertainty**2
    calibration = record.calibrations.get(channel)
    for part in () if calibration is None else calibration.contributions:
        if zero is not None and part.effect == "offset":
            continue
        full_scale = 0.0 if calibration is None else calibration.full_scale
        sizes = [part.standard_uncertainty(reading=m, full_scale=full_scale) for m in table.mean[channel].tolist()]
        variance = variance + np.array(sizes, dtype=np.float64) ** 2
    return np.sqrt(variance)


def points_named(table: PointTable, which: NDArray[np.bool_]) -> str:
    """Say "point 3" or "points 3, 4, 5"."""
    numbers = [str(table.asked[i].point) for i in np.flatnonzero(which)]
    return f"point{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}"
