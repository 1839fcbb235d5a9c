"""Evaluate a record: every test whose kind is known, from settled points to quantities. It must never touch a file."""

from collections.abc import Callable, Mapping

import numpy as np

from benchd.analysis.inputs import calibration_notes
from benchd.analysis.joint import AMBIENT, ELECTRICAL, HOUSING, WINDING, JointModel, joint_model
from benchd.analysis.load import evaluate_load
from benchd.analysis.no_load import evaluate_no_load
from benchd.analysis.points import PointTable, point_table
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import RecordResults, TestResults
from benchd.analysis.torque import TORQUE, ShaftTorque
from benchd.rules.quantities import Quantity

TORQUE_NARROW = "shaft_torque_narrow"
EVALUATORS: Mapping[str, Callable[[Record, RecordedTest, JointModel], TestResults]] = {
    "load": evaluate_load,
    "no_load": evaluate_no_load,
}
CHANNELS = (*ELECTRICAL, TORQUE, TORQUE_NARROW, WINDING, HOUSING, AMBIENT)
WARMING_WORTH_TELLING_K = 5.0  # ferrite loses about 0.2 % of its flux a kelvin (common practice)
_MAIN_QUANTITY = {"load": ("efficiency_at_rated_torque", "1"), "no_load": ("no_load_speed", "r/min")}


def evaluate(record: Record) -> RecordResults:
    """All quantities of all tests of a record, with sentences about points left out and assumptions made.

    The no-load and load tests of one record are fitted together. A test of another kind gives a sentence and no
    quantity; a record too poor for a fit gives "not determined" with the reason.
    """
    known = [t for t in record.tests if t.kind in EVALUATORS]
    notes = [f"Test {t.index} ({t.kind}) has no evaluation." for t in record.tests if t.kind not in EVALUATORS]
    notes += calibration_notes(record, CHANNELS)
    table = point_table(record, [t.index for t in known], CHANNELS)
    shaft = ShaftTorque(record, table)
    whole = table.complete(ELECTRICAL)
    usable = table.take(whole & shaft.usable if shaft.usable.any() else whole)
    joint = joint_model(record, usable)
    if table.has(HOUSING):
        warmed_k = float(np.nanmax(table.mean[HOUSING]) - np.nanmin(table.mean[HOUSING]))
        if warmed_k > WARMING_WORTH_TELLING_K:
            notes.append(
                f"The housing's temperature changed by {warmed_k:.1f} K between the points: the magnets' flux changes "
                "with it, and the voltage constant is a mean over this range."
            )
    results = {}
    for test in known:
        name = test.kind if sum(t.kind == test.kind for t in known) == 1 else f"{test.kind}_{test.index}"
        results[name] = _evaluate_test(record, test, table, joint)
    return RecordResults(tests=results, notes=tuple(notes))


def _evaluate_test(record: Record, test: RecordedTest, table: PointTable, joint: JointModel | str) -> TestResults:
    mine = table.take(table.of_test(test.index))
    missing = [c for c in (*ELECTRICAL, TORQUE) if c not in record.values]
    notes = [f"The run has no channel {channel}." for channel in missing]
    notes += _point_notes(mine, [*ELECTRICAL, *([TORQUE] if table.has(TORQUE) else [])])
    reason = joint if isinstance(joint, str) else ""
    if not reason and not isinstance(joint, str) and not joint.table.of_test(test.index).any():
        reason = "none of this test's points is usable"
    if isinstance(joint, str) or reason:
        name, unit = _MAIN_QUANTITY[test.kind]
        nothing = (
            Quantity.not_determined(name, unit, reason),
            Quantity.not_determined("voltage_constant", "V·s/rad", reason),
        )
        return TestResults(
            kind=test.kind, index=test.index, quantities=nothing, notes=(*notes, f"Nothing is evaluated: {reason}.")
        )
    found = EVALUATORS[test.kind](record, test, joint)
    return TestResults(kind=found.kind, index=found.index, quantities=found.quantities, notes=(*notes, *found.notes))


def _point_notes(table: PointTable, needed: list[str]) -> list[str]:
    notes = []
    for i, asked in enumerate(table.asked):
        complaints = table.complaints[i]
        fatal = [c for c in needed if c in complaints]
        for channel in sorted(set(complaints) - {TORQUE_NARROW}):  # its overload is expected at the larger torques
            consequence = "the point is left out" if channel in fatal else "the channel is not used at this point"
            notes.append(f"Point {asked.point}: {channel}: {complaints[channel]}; {consequence}.")
        notes += [f"Point {asked.point}: {note}; its uncertainty is widened for it." for note in table.drift_notes[i]]
    return notes
