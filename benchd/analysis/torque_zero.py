"""The torque zero that a slow turn both ways shows, and a record without it. It must never touch the tests before it.

Turned slowly by the load machine, the specimen's friction has the opposite sign in the two directions and the
transducer's zero has not: the mean of both directions is the zero that was left after the standstill one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.inputs import Inputs
from benchd.analysis.monte_carlo import headline_intervals
from benchd.analysis.points import PointTable, point_table
from benchd.analysis.propagation import Output, Source, effective_degrees_of_freedom
from benchd.analysis.record import CapturedWaveform, Record, RecordedTest, Zero
from benchd.analysis.results import Measured, PointResult, TestResults, Wanted, collect
from benchd.analysis.torque import SPEED, TORQUE, torque_ranges

Floats = NDArray[np.float64]

KIND = "torque_zero"
USES_TORQUE = ("no_load", "back_emf", "load", "rated_point")
UNREPEATED = "half of what the zero did not repeat"
MOVED_FACTOR = 3.0  # standard uncertainties of the standstill zero: a zero that moved further is worth a sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """What one channel showed over the slow turn, in N·m; `reason` says why there is no zero."""

    zero: Output | None
    friction: Output | None  # half of backward less forward: what turning the specimen takes
    pairs: int = 0
    reason: str = ""


def with_torque_zeros(record: Record) -> tuple[Record, Mapping[int, TestResults]]:
    """The record with every remaining torque zero taken off the tests after it, and the zeros' own results by test."""
    found: dict[int, TestResults] = {}
    for test in sorted((t for t in record.tests if t.kind == KIND), key=lambda t: t.index):
        turned, table = _turn(record, test)
        found[test.index] = _results(record, test, turned, table)
        zeros = {c: t for c, t in turned.items() if t.zero is not None}
        record = _taken_off(record, test, zeros)
    return record, found


def _turn(record: Record, test: RecordedTest) -> tuple[dict[str, Turned], PointTable]:
    channels = torque_ranges(record)
    table = point_table(record, [test.index], [*channels, SPEED])
    inputs = Inputs(record=record, table=table, channels=[c for c in channels if table.has(c)])
    asked = np.array([p.asked.get("speed_rpm", math.nan) for p in table.asked], dtype=np.float64)
    return {c: _turn_of(record, table, inputs, c, asked) for c in channels}, table


def _turn_of(record: Record, table: PointTable, inputs: Inputs, channel: str, asked: Floats) -> Turned:
    usable = table.complete([channel])
    forward, backward = np.flatnonzero(usable & (asked > 0.0)), np.flatnonzero(usable & (asked < 0.0))
    if not forward.size or not backward.size:
        one = "forward" if not forward.size else "backward"
        return Turned(zero=None, friction=None, reason=f"there is no usable {one} turn of {channel}")
    torque, own = table.mean[channel], inputs.independent[channel]
    ahead, back = float(torque[forward].mean()), float(torque[backward].mean())
    scatter = 0.5 * math.hypot(
        math.sqrt(float(own[forward] @ own[forward])) / forward.size,
        math.sqrt(float(own[backward] @ own[backward])) / backward.size,
    )
    pairs = min(forward.size, backward.size)
    both = 0.5 * (torque[forward[:pairs]] + torque[backward[:pairs]])
    unrepeated = 0.5 * float(np.ptp(both)) / math.sqrt(3.0)
    degrees = float(table.degrees_of_freedom[channel][[*forward, *backward]].sum())
    budget = {
        f"{channel}, scatter and linearity over the slow turn": scatter,
        f"{channel}, {UNREPEATED}": unrepeated,
    }
    standstill = record.zeros.get(channel)
    if pairs == 1 and standstill is not None:  # one pair cannot show whether it repeats
        budget[f"{channel}, measured zero at standstill"] = standstill.standard_uncertainty
    return Turned(
        zero=_with_interval(_output(0.5 * (ahead + back), budget, degrees), budget, degrees),
        friction=_output(0.5 * (back - ahead), budget, degrees),
        pairs=pairs,
    )


def _output(value: float, budget: Mapping[str, float], degrees_of_scatter: float) -> Output:
    shares = np.array(list(budget.values()))
    degrees = np.full(shares.size, math.inf)
    degrees[0] = max(degrees_of_scatter, 1.0)
    return Output(
        value=value,
        standard_uncertainty=math.sqrt(float(shares @ shares)),
        degrees_of_freedom=effective_degrees_of_freedom(shares, degrees),
        budget={name: share for name, share in budget.items() if share > 0.0},
    )


def _with_interval(zero: Output, budget: Mapping[str, float], degrees_of_scatter: float) -> Output:
    """The zero with its interval by propagation of distributions: the sum of what doubts it, each drawn as it is."""
    sources = [
        Source(
            name=name,
            input=n,
            standard_uncertainty=size,
            degrees_of_freedom=max(degrees_of_scatter, 1.0) if n == 0 else math.inf,
            distribution="rectangular" if name.endswith(UNREPEATED) else "normal",
        )
        for n, (name, size) in enumerate(budget.items())
    ]

    def model(doubts: Floats) -> dict[str, Floats]:
        return {"zero": zero.value + doubts.sum(axis=1)}

    drawn = headline_intervals(model, np.zeros(len(sources)), sources, ["zero"])
    return replace(zero, drawn=drawn["zero"])


def _taken_off(record: Record, test: RecordedTest, turned: Mapping[str, Turned]) -> Record:
    after = record.test > test.index
    before = any(t.kind in USES_TORQUE and t.index < test.index for t in record.tests)
    values, zeros = dict(record.values), dict(record.zeros)
    shift: dict[str, float] = {}
    for channel, found in turned.items():
        if found.zero is None:
            continue
        shift[channel] = found.zero.value
        shown = values[channel].copy()
        shown[after] -= found.zero.value
        values[channel] = shown
        old = zeros.get(channel)
        size = found.zero.standard_uncertainty
        degrees = found.zero.degrees_of_freedom
        if before and old is not None and old.standard_uncertainty > size:
            size, degrees = old.standard_uncertainty, old.degrees_of_freedom
        zeros[channel] = Zero(
            value=found.zero.value + (0.0 if old is None else old.value),
            standard_uncertainty=size,
            degrees_of_freedom=degrees,
        )
    waveforms = tuple(_shifted(w, shift) if w.test > test.index else w for w in record.waveforms)
    return replace(record, values=values, zeros=zeros, waveforms=waveforms)


def _shifted(waveform: CapturedWaveform, shift: Mapping[str, float]) -> CapturedWaveform:
    values = {name: series - shift.get(name, 0.0) for name, series in waveform.values.items()}
    return replace(waveform, values=values)


def _results(record: Record, test: RecordedTest, turned: Mapping[str, Turned], table: PointTable) -> TestResults:
    wanted: list[Wanted] = []
    outputs: dict[str, Output] = {}
    reasons: dict[str, str] = {}
    for channel in turned or {TORQUE: Turned(zero=None, friction=None)}:
        found = turned.get(channel) or Turned(zero=None, friction=None, reason=f"the run has no channel {channel}")
        suffix = channel.removeprefix(TORQUE)
        names = (f"torque_zero{suffix}", f"turning_friction{suffix}")
        wanted += [
            Wanted(
                name=names[0],
                unit="N·m",
                how=f"Mean of {channel} over the slow turn in both directions, (T+ + T-)/2, in which the specimen's "
                "friction cancels; it is taken off all tests after this one.",
            ),
            Wanted(
                name=names[1],
                unit="N·m",
                how=f"Half of {channel} turning backward less turning forward, (T- - T+)/2: the torque that turning "
                "the specimen slowly takes.",
            ),
        ]
        reasons.update(dict.fromkeys(names, found.reason))
        outputs |= {n: o for n, o in zip(names, (found.zero, found.friction), strict=True) if o is not None}
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(wanted, outputs, reasons),
        notes=tuple(_notes(record, test, turned)),
        points=_points(table, list(turned)),
        units={"speed": "r/min", **{_column(c): "N·m" for c in turned}},
    )


def _column(channel: str) -> str:
    return channel.removeprefix("shaft_")


def _points(table: PointTable, channels: Sequence[str]) -> tuple[PointResult, ...]:
    columns = {"speed": SPEED, **{_column(c): c for c in channels}}
    return tuple(
        PointResult(
            number=asked.point,
            direction=asked.direction,
            asked=asked.asked,
            values={
                name: Measured(
                    value=float(table.mean[channel][i]),
                    standard_uncertainty=math.hypot(table.scatter[channel][i], table.drift[channel][i]),
                )
                for name, channel in columns.items()
                if channel in table.mean and math.isfinite(table.mean[channel][i])
            },
        )
        for i, asked in enumerate(table.asked)
    )


def _notes(record: Record, test: RecordedTest, turned: Mapping[str, Turned]) -> list[str]:
    notes = []
    for channel, found in turned.items():
        if found.zero is None or found.friction is None:
            notes.append(f"{channel}: {found.reason}: the standstill zero stays in force.")
            continue
        if found.pairs == 1:
            notes.append(
                f"{channel}: one turn each way cannot show whether the zero repeats: the standstill zero's uncertainty "
                "is kept beside it."
            )
        standstill = record.zeros.get(channel)
        if standstill is not None and abs(found.zero.value) > MOVED_FACTOR * math.hypot(
            standstill.standard_uncertainty, found.zero.standard_uncertainty
        ):
            notes.append(
                f"{channel}: the zero of the slow turn differs by {found.zero.value:.2g} N·m from the one at "
                "standstill: the shaft stood under a twist then, or the transducer's zero moved."
            )
        if found.friction.value < -MOVED_FACTOR * found.friction.standard_uncertainty:
            notes.append(
                f"{channel}: turning forward shows more torque than turning backward, as if the specimen drove itself: "
                "the sign of the torque or of the speed is wrong (look at the transducer's wiring)."
            )
    if any(t.kind in USES_TORQUE and t.index < test.index for t in record.tests):
        notes.append(
            "Tests before this one keep the standstill zero, and the larger uncertainty of both zeros holds for all: "
            "play torque_zero first."
        )
    return notes
