"""Evaluate the no-load test: speed and current without load, voltage constant, friction. It must never drive a bench.

The load machine stays coupled and turns without torque: what it drags, the transducer measures as shaft torque, and it
is taken off, so that friction and no-load values are the specimen's own.
"""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.fits import levels_near, local_line
from benchd.analysis.headline import HEADLINES
from benchd.analysis.joint import TEMPERATURES, VOLTAGE, Constants, JointModel
from benchd.analysis.load_quantities import MEAN
from benchd.analysis.monte_carlo import propagate_both
from benchd.analysis.point_results import UNITS, gathered, named
from benchd.analysis.propagation import Addition
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.results import TestResults, Wanted, collect

Floats = NDArray[np.float64]

_TABLE = {
    "speed": "speed",
    "torque": "bench_drag",
    "dc_voltage": "voltage",
    "dc_current": "current",
    "input_power": "input_power",
    "shaft_power": "shaft_power",
    "friction_torque": "friction_torque",
}
"""Columns of the point table by the names that the propagation gives them."""
_OF_TORQUE = ("torque", "shaft_power", "friction_torque")
_CORRECTED = "carried along the motor's own lines from the dragged shaft to a free one"
_NEEDS_TORQUE = "there is no usable shaft_torque, so the bench's own drag cannot be taken off"


def evaluate_no_load(record: Record, test: RecordedTest, joint: JointModel) -> TestResults:
    """No-load speed and current at rated voltage, voltage constant, friction with the bench's own drag taken off."""
    which = np.flatnonzero(joint.table.of_test(test.index))
    rated_v = record.rated("voltage_v")
    reasons = joint.no_thermometer()
    near = _levels_at_rated_voltage(joint, which, rated_v, reasons)
    if not joint.has_torque:
        for name in ("friction_torque_at_no_load", "bench_drag_at_no_load"):
            reasons[name] = _NEEDS_TORQUE
    if not joint.has_friction_line:
        for name in ("friction_torque_coulomb", "friction_coefficient_viscous"):
            reasons[name] = (
                "Coulomb and viscous friction part only over three or more speeds that differ by 30 %"
                if joint.has_torque
                else _NEEDS_TORQUE
            )

    def outputs(x: Floats) -> Mapping[str, Floats]:
        c = joint.constants(x)
        found = _constants(joint, x, c)
        found |= joint.conditions(x, which)
        found |= _points(joint, x, c, which)
        if near is not None and rated_v is not None:
            found |= _at_rated_voltage(joint, x, c, near, rated_v)
        return found

    sources = [*joint.sources, *(joint.friction_sources() if joint.has_friction_line else [])]
    table = {name: known for name, known in _TABLE.items() if joint.has_torque or name not in _OF_TORQUE}
    table |= {c: c for c in joint.thermometers}
    results = propagate_both(outputs, joint.inputs.nominal, sources, _additions(joint), headlines=HEADLINES["no_load"])
    return TestResults(
        kind=test.kind,
        index=test.index,
        quantities=collect(_wanted(joint, which), results, reasons),
        notes=() if joint.free_r else (_resistance_note(joint),),
        points=gathered([joint.table.asked[i] for i in which.tolist()], results, table),
        units={name: UNITS[name] for name in table},
    )


def _additions(joint: JointModel) -> dict[str, list[Addition]]:
    if not joint.has_friction_line:
        return {}
    bend = Addition(
        name="shaft_torque, bend of friction over speed",
        standard_uncertainty=joint.friction_bend_nm() / math.sqrt(3.0),
        distribution="rectangular",
    )
    return {"friction_torque_coulomb": [bend]}


def _levels_at_rated_voltage(
    joint: JointModel, which: NDArray[np.intp], rated_v: float | None, reasons: dict[str, str]
) -> NDArray[np.intp] | None:
    names = ("no_load_speed", "no_load_current", "friction_torque_at_no_load", "bench_drag_at_no_load")
    if rated_v is None:
        reasons.update(dict.fromkeys(names, "the motor file gives no rated voltage_v"))
        return None
    near = levels_near(np.abs(joint.table.mean[VOLTAGE][which]), rated_v)
    if near is None:
        reason = f"the voltage steps do not lie about rated voltage ({rated_v:g} V): two of them must be near it"
        reasons.update(dict.fromkeys(names, reason))
        return None
    return np.asarray(which[near])


def _constants(joint: JointModel, x: Floats, c: Constants) -> dict[str, Floats]:
    k = c.k
    found = {"voltage_constant": k, "voltage_constant_per_1000_rpm": k * 1000.0 * RAD_S_PER_RPM}
    if joint.has_friction_line:
        found["friction_torque_coulomb"], found["friction_coefficient_viscous"] = joint.friction_line(x, k)
    return found


def _at_rated_voltage(
    joint: JointModel, x: Floats, c: Constants, near: NDArray[np.intp], rated_v: float
) -> dict[str, Floats]:
    e = joint.electrical(x)
    u = e.u[:, near]
    speed = local_line(u, e.w[:, near], rated_v)
    current = local_line(u, e.i[:, near], rated_v)
    if not joint.has_torque:
        return {"no_load_speed": speed / RAD_S_PER_RPM, "no_load_current": current}
    drag = local_line(u, joint.torque(x)[:, near], rated_v)
    viscous = joint.friction_line(x, c.k)[1] if joint.has_friction_line else np.zeros_like(c.k)
    r = joint.resistance_at_points(x, near, c.r)
    current_of_drag = drag / (c.k + viscous * r / c.k)
    free_current = current - current_of_drag
    free_speed = speed + r / c.k * current_of_drag
    return {
        "no_load_speed": free_speed / RAD_S_PER_RPM,
        "no_load_current": free_current,
        "friction_torque_at_no_load": c.k * free_current,
        "bench_drag_at_no_load": drag,
    }


def _points(joint: JointModel, x: Floats, c: Constants, which: NDArray[np.intp]) -> dict[str, Floats]:
    e = joint.electrical(x)
    columns = {"voltage": e.u, "current": e.i, "speed": e.w / RAD_S_PER_RPM, "input_power": e.u * e.i}
    columns |= {c: joint.inputs.channel(x, c) for c in joint.thermometers}
    if joint.has_torque:
        columns["bench_drag"] = joint.torque(x)
        columns["shaft_power"] = columns["bench_drag"] * e.w
        columns["friction_torque"] = joint.friction_nm(x, c.k)
    return {
        named(joint.table.asked[i].point, name): values[:, i]
        for i in which.tolist()
        for name, values in columns.items()
    }


def _wanted(joint: JointModel, which: NDArray[np.intp]) -> Sequence[Wanted]:
    n = joint.table.size
    fit = f"by least squares of U = K·ω + R·I + Ub over the {n} no-load and load points of the run together."
    line = "read at rated voltage on a local line through the voltage steps about it"
    corrected = f"{line}, {_CORRECTED}." if joint.has_torque else f"{line}, with the bench's own drag."
    friction = (
        "the line T0 + b·ω through K·I - T, the current's torque less the bench's own drag, of the no-load points."
    )
    wanted = [
        Wanted(name="no_load_speed", unit="r/min", how=f"shaft_speed {corrected}"),
        Wanted(name="no_load_current", unit="A", how=f"dc_current {corrected}"),
        Wanted(name="voltage_constant", unit="V·s/rad", how=f"K {fit}"),
        Wanted(name="voltage_constant_per_1000_rpm", unit="V/(1000 r/min)", how=f"1000·π/30·K, with K {fit}"),
        Wanted(name="friction_torque_coulomb", unit="N·m", how=f"T0 of {friction}"),
        Wanted(name="friction_coefficient_viscous", unit="N·m·s/rad", how=f"b of {friction}"),
        Wanted(
            name="friction_torque_at_no_load",
            unit="N·m",
            how="K·I0, with the no-load current I0, which is without the bench's own drag (iron loss included).",
        ),
        Wanted(name="bench_drag_at_no_load", unit="N·m", how=f"shaft_torque, all of it the bench's own, {line}."),
    ]
    wanted += [Wanted(name=c, unit="°C", how=f"Mean of {c} over the test's points.") for c in TEMPERATURES]
    columns = [("voltage", "V", f"at the motor terminals, {MEAN}"), ("current", "A", MEAN), ("speed", "r/min", MEAN)]
    if joint.has_torque:
        columns += [
            ("bench_drag", "N·m", f"shaft torque, {MEAN}"),
            ("friction_torque", "N·m", f"voltage constant times current less shaft torque, each the {MEAN}"),
        ]
    for i in which.tolist():
        stem = f"point_{joint.table.asked[i].point:03d}"
        wanted += [Wanted(name=f"{stem}_{name}", unit=unit, how=how) for name, unit, how in columns]
    return wanted


def _resistance_note(joint: JointModel) -> str:
    source = next(s.name for s in joint.sources if s.name.startswith("winding resistance"))
    return f"No load test with torque steps belongs to this run: the {source}, enters the voltage constant."
