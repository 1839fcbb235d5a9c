"""Evaluate a record: every test whose kind is known, from settled points to quantities. It must never touch a file."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from benchd.analysis.averages import NO_SAMPLES
from benchd.analysis.back_emf import evaluate_back_emf
from benchd.analysis.brushless_no_load import evaluate_brushless_no_load
from benchd.analysis.captured import captured_notes
from benchd.analysis.direct import DC_CURRENT, DC_VOLTAGE, POWER_FACTOR, channels_of
from benchd.analysis.direct_load import evaluate_direct_load
from benchd.analysis.duty_cycle import KIND as DUTY_CYCLE
from benchd.analysis.duty_cycle import evaluate_duty_cycle
from benchd.analysis.inputs import calibration_notes
from benchd.analysis.joint import ELECTRICAL, HOUSING, JointModel, joint_model
from benchd.analysis.joint import TEMPERATURES as JOINT_TEMPERATURES
from benchd.analysis.load import evaluate_load
from benchd.analysis.manual import KIND as MANUAL
from benchd.analysis.manual import evaluate_manual
from benchd.analysis.no_load import evaluate_no_load
from benchd.analysis.points import PointTable, point_table
from benchd.analysis.rated_point import evaluate_rated_point
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import RecordResults, TestResults
from benchd.analysis.torque import SPEED, TORQUE, ShaftTorque, torque_ranges
from benchd.analysis.torque_zero import KIND as TORQUE_ZERO
from benchd.analysis.torque_zero import with_torque_zeros
from benchd.analysis.winding_resistance import CHANNELS as OF_METER
from benchd.analysis.winding_resistance import evaluate_winding_resistance
from benchd.rules.quantities import Quantity

Evaluator = Callable[[Record, RecordedTest], TestResults]

JOINT: Mapping[str, Callable[[Record, RecordedTest, JointModel], TestResults]] = {
    "load": evaluate_load,
    "no_load": evaluate_no_load,
}
"""Tests of a brushed motor that are fitted together."""
OF_BRUSHED: Mapping[str, Evaluator] = {
    "duty_cycle": evaluate_duty_cycle,
    "rated_point": evaluate_rated_point,
    "winding_resistance": evaluate_winding_resistance,
}
OF_BRUSHLESS: Mapping[str, Evaluator] = {
    "back_emf": evaluate_back_emf,
    "duty_cycle": evaluate_duty_cycle,
    "load": evaluate_direct_load,
    "no_load": evaluate_brushless_no_load,
    "rated_point": evaluate_rated_point,
    "winding_resistance": evaluate_winding_resistance,
}
CONSTANTS = (
    "voltage_constant",
    "voltage_constant_per_1000_rpm",
    "torque_constant",
    "winding_resistance",
    "winding_resistance_20",
    "brush_drop",
)
WEAK_TORQUE_SHARE = 0.92  # of the torque constant; friction and iron take a few per cent at rated torque
WARMING_WORTH_TELLING_K = 5.0  # ferrite loses about 0.2 % of its flux a kelvin (common practice)
_MAIN_QUANTITY = {"load": ("efficiency_at_rated_torque", "1"), "no_load": ("no_load_speed", "r/min")}
_LEADS = {
    DC_VOLTAGE: "its sense lead is the likely suspect",
    DC_CURRENT: "the lead of the current sensor is the likely suspect",
    TORQUE: "the transducer's lead is the likely suspect",
    SPEED: "the encoder's lead is the likely suspect",
    "winding_temperature": "the winding thermometer's lead is the likely suspect",
}


def evaluate(record: Record) -> RecordResults:
    """All quantities of all tests of a record, with sentences about points left out and assumptions made.

    A torque zero that a slow turn showed is taken off first. A brushed motor's no-load and load tests are fitted
    together; everything else is evaluated test by test. A test of another kind gives a sentence and no quantity; a
    record too poor for a fit gives "not determined" with the reason.
    """
    record, zeroes = with_torque_zeros(record)
    single = OF_BRUSHLESS if record.kind == "brushless" else OF_BRUSHED
    fitted = () if record.kind == "brushless" else tuple(JOINT)
    known = [t for t in record.tests if t.kind in single or t.kind in fitted or t.kind in {TORQUE_ZERO, MANUAL}]
    notes = [f"Test {t.index} ({t.kind}) has no evaluation{_why(record, t)}." for t in record.tests if t not in known]
    notes += calibration_notes(record, _channels(record, [t.kind for t in known]))
    joint = _Joint(record, [t for t in known if t.kind in fitted])
    results = {}
    for test in known:
        waves = tuple(captured_notes(record, test))
        name = test.kind if sum(t.kind == test.kind for t in known) == 1 else f"{test.kind}_{test.index}"
        if test.kind in fitted:
            results[name] = joint.evaluate_held(test) if _holds_speed(test) else joint.evaluate(test)
        elif test.kind == MANUAL:
            results[name] = evaluate_manual(record, test)
        elif test.kind == TORQUE_ZERO:
            results[name] = zeroes[test.index]
        elif test.kind == DUTY_CYCLE:  # it has stretches of a course, no settled points
            results[name] = evaluate_duty_cycle(record, test)
        else:
            found = single[test.kind](record, test)
            table = point_table(record, [test.index], _channels(record, [test.kind]))
            told = _point_notes(record, table, [], torque_ranges(record))
            results[name] = replace(found, notes=(*_missing(record, test), *told, *found.notes))
        if waves:
            results[name] = replace(results[name], notes=(*results[name].notes, *waves))
    return RecordResults(tests=results, notes=(*notes, *_warming(record, known), *_torque_constants(results)))


def _holds_speed(test: RecordedTest) -> bool:
    return test.kind == "load" and bool(test.points) and all("speed_rpm" in p.asked for p in test.points)


def _why(record: Record, test: RecordedTest) -> str:
    known = test.kind in OF_BRUSHLESS or test.kind in JOINT
    return f" for a motor of kind {record.kind}" if known else ""


def _channels(record: Record, kinds: Sequence[str]) -> tuple[str, ...]:
    """The channels that the tests of these kinds are evaluated from."""
    meter = OF_METER if "winding_resistance" in kinds else ()
    rest = channels_of(record) if set(kinds) - {"winding_resistance"} else ()
    if set(kinds) == {"back_emf"}:  # without current there is no power factor: nothing is missing
        rest = tuple(c for c in rest if c != POWER_FACTOR)
    return tuple(dict.fromkeys((*rest, *meter)))


def _missing(record: Record, test: RecordedTest) -> list[str]:
    needed = [SPEED, TORQUE, DC_VOLTAGE, DC_CURRENT, *(["motor_power"] if record.kind == "brushless" else [])]
    if test.kind == "winding_resistance":
        needed = list(OF_METER)
    elif test.kind == "back_emf":
        needed = [SPEED, TORQUE, "motor_voltage_fundamental"]
    return [f"The run has no channel {c}." for c in needed if c not in record.values]


class _Joint:
    """The no-load and load tests of a brushed motor, fitted together once."""

    def __init__(self, record: Record, tests: Sequence[RecordedTest]) -> None:
        self.record = record
        channels = (*ELECTRICAL, *torque_ranges(record), *JOINT_TEMPERATURES)
        self.table = point_table(record, [t.index for t in tests], channels)
        self.shaft = ShaftTorque(record, self.table)
        whole = self.table.complete(ELECTRICAL)
        self.has_torque = bool(self.shaft.usable.any())
        usable = self.table.take(whole & self.shaft.usable if self.has_torque else whole)
        self.model = joint_model(record, usable) if tests else "there is no such test"

    def evaluate(self, test: RecordedTest) -> TestResults:
        mine = self.table.take(self.table.of_test(test.index))
        notes = [f"The run has no channel {c}." for c in (*ELECTRICAL, TORQUE) if c not in self.record.values]
        ranges = torque_ranges(self.record)
        notes += _point_notes(self.record, mine, ELECTRICAL, ranges)
        notes += self.shaft.notes(test.index)
        model = self.model
        reason = model if isinstance(model, str) else ""
        if not isinstance(model, str) and not model.table.of_test(test.index).any():
            reason = "none of this test's points is usable"
        if isinstance(model, str) or reason:
            name, unit = _MAIN_QUANTITY[test.kind]
            nothing = (
                Quantity.not_determined(name, unit, reason),
                Quantity.not_determined("voltage_constant", "V·s/rad", reason),
            )
            told = (*notes, f"Nothing is evaluated: {reason}.")
            return TestResults(kind=test.kind, index=test.index, quantities=nothing, notes=told)
        found = JOINT[test.kind](self.record, test, model)
        return replace(found, notes=(*notes, *found.notes))

    def evaluate_held(self, test: RecordedTest) -> TestResults:
        """A load test at a held speed: powers and losses directly, the motor's constants from the common fit."""
        direct, fitted = evaluate_direct_load(self.record, test), self.evaluate(test)
        constants = [q for q in fitted.quantities if q.name in CONSTANTS]
        notes = tuple(dict.fromkeys((*fitted.notes, *direct.notes)))
        return replace(direct, quantities=(*direct.quantities, *constants), notes=notes)


def _point_notes(record: Record, table: PointTable, fatal: Sequence[str], ranges: Sequence[str]) -> list[str]:
    """Sentences about means that must not be used, and about means that drift; points with one cause share a sentence.

    Of several torque ranges the narrow ones' overload is expected at the larger torques and not worth a sentence; a
    point is left out where all ranges that were recorded are unusable, or a channel that is `fatal`.
    """
    causes: dict[str, list[int]] = {}
    drifts: dict[str, list[int]] = {}
    torque_lost = ~np.any([table.complete([c]) for c in ranges], axis=0) if ranges else np.zeros(table.size, np.bool_)
    some_torque = not bool(torque_lost.all())
    for i, complaints in enumerate(table.complaints):
        if complaints and set(complaints.values()) == {NO_SAMPLES}:
            causes.setdefault("the record holds no samples; nothing is known.", []).append(i)
            continue
        for channel in sorted(complaints):
            if channel in ranges[1:] and not torque_lost[i]:
                continue
            out = channel in fatal or (bool(fatal) and channel in ranges and bool(torque_lost[i]) and some_torque)
            consequence = "is left out" if out else "is evaluated without this channel"
            lead = _LEADS.get(channel) if "not a number" in complaints[channel] else None
            suspect = f" ({lead})" if lead else ""
            causes.setdefault(f"{channel}: {complaints[channel]}{suspect}; the point {consequence}.", []).append(i)
        for channel in table.changes[i]:
            drifts.setdefault(channel, []).append(i)
    notes = [f"{_numbered(table, which)}: {words}" for words, which in causes.items()]
    for channel, which in drifts.items():
        most = max((table.changes[i][channel] for i in which), key=abs)
        unit = record.units.get(channel, "")
        notes.append(
            f"{_numbered(table, which)}: {channel} drifts by {'up to ' if len(which) > 1 else ''}{most:.3g} "
            f"{unit} over "
            "the averaging window; its uncertainty is widened for it."
        )
    return notes


def _numbered(table: PointTable, which: Sequence[int]) -> str:
    numbers = ", ".join(str(table.asked[i].point) for i in which)
    return f"Point{'s' if len(which) > 1 else ''} {numbers}"


def _torque_constants(results: Mapping[str, TestResults]) -> list[str]:
    """Torque an ampere under load against what the back-EMF of the same run makes."""
    by_kind = {r.kind: r for r in results.values()}
    if "back_emf" not in by_kind:
        return []
    constant = next((q for q in by_kind["back_emf"].quantities if q.name == "torque_constant"), None)
    notes = []
    for kind, name in (("load", "torque_per_ampere_at_rated_torque"), ("rated_point", "torque_per_ampere")):
        found = next((q for q in by_kind[kind].quantities if q.name == name), None) if kind in by_kind else None
        if constant is None or constant.value is None or found is None or found.value is None:
            continue
        share = found.value / constant.value
        if 0.0 < share < WEAK_TORQUE_SHARE:
            notes.append(
                f"Under load ({kind}) the torque an ampere is {100.0 * (1.0 - share):.0f} % below the torque constant "
                "of the back-EMF test, more than friction takes: a commutation offset, or current that weakens the "
                "field, is the likely suspect."
            )
    return notes


def _warming(record: Record, tests: Sequence[RecordedTest]) -> list[str]:
    loaded = [t.index for t in tests if t.kind in {"no_load", "load", "back_emf"}]
    channel = next((c for c in ("magnet_temperature", HOUSING) if c in record.values), None)
    if channel is None or not loaded:
        return []
    table = point_table(record, loaded, [channel])
    if not table.has(channel):
        return []
    warmed_k = float(np.nanmax(table.mean[channel]) - np.nanmin(table.mean[channel]))
    if warmed_k <= WARMING_WORTH_TELLING_K:
        return []
    part = "magnets'" if channel != HOUSING else "housing's"
    return [
        (
            f"The {part} temperature changed by {warmed_k:.1f} K between the points: the magnets' flux changes "
            "with it, "
            "and the voltage constant is a mean over this range."
        )
    ]
