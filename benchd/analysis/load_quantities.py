"""What a load test gives, in order, with units and how each number comes about. Words only; it must never compute."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.joint import TEMPERATURES, JointModel
from benchd.analysis.results import Wanted

# whoever recomputes a point by hand needs these words and samples.parquet, nothing else
MEAN = (
    "mean over the point: its rows of good quality (0), without rows that repeat a sample (time_mono_s less age moves "
    "by less than 0.1 ms, since ages are kept in single precision), of the last window where it was averaged more "
    "than once"
)
HYSTERESIS = ("hysteresis_current", "hysteresis_speed", "hysteresis_at_torque")


def wanted_of_load(joint: JointModel, which: NDArray[np.intp], *, voltage_v: float, winding: str) -> Sequence[Wanted]:
    """The quantities of a load test whose points stand at `which` of the joint table; `winding` says its state."""
    n = joint.table.size
    fit = f"by least squares of U = K·ω + R·I + Ub over the {n} no-load and load points of the run together."
    at = f"at {voltage_v:g} V, {winding}"
    lines = f"ω = (U - Ub - R·I)/K and T = a·I - b, the fitted lines of speed and torque over current {at}"
    rated = f"read at rated torque on a local line over torque through the points about it, carried to {voltage_v:g} V"
    gap = "on the way down less on the way up at equal torque, where the currents differ most."
    warm = f"carried to 20 °C, R·(235 + 20)/(235 + θ), {winding}."
    wanted = [
        Wanted(name="voltage_constant", unit="V·s/rad", how=f"K {fit}"),
        Wanted(name="voltage_constant_per_1000_rpm", unit="V/(1000 r/min)", how=f"1000·π/30·K, with K {fit}"),
        Wanted(name="torque_constant", unit="N·m/A", how=_torque_constant(joint)),
        Wanted(name="winding_resistance", unit="Ω", how=f"R, winding with brush contacts {winding}, {fit}"),
        Wanted(name="winding_resistance_20", unit="Ω", how=f"The winding resistance R {warm}"),
        Wanted(name="brush_drop", unit="V", how=f"Ub {fit}"),
        Wanted(name="stall_torque", unit="N·m", how=f"Kt·Is - T0, extrapolated {at}: stall current Is, friction T0."),
        Wanted(name="stall_current", unit="A", how=f"Is = (U - Ub)/R, extrapolated along {lines}."),
        Wanted(name="no_load_speed_extrapolated", unit="r/min", how=f"ω where T = 0, extrapolated along {lines}."),
        Wanted(name="no_load_current_extrapolated", unit="A", how=f"I0 = b/a where T = 0, extrapolated along {lines}."),
        Wanted(
            name="maximum_output_power", unit="W", how=f"ω0·Ts/4, half of stall torque at half of no-load speed {at}."
        ),
        Wanted(name="maximum_efficiency", unit="1", how=f"T·ω/(U·I) at I = √(I0·Is), on {lines}."),
        Wanted(name="current_at_maximum_efficiency", unit="A", how="√(I0·Is), root of no-load times stall current."),
        Wanted(name="speed_at_maximum_efficiency", unit="r/min", how=f"ω at I = √(I0·Is), on {lines}."),
        Wanted(name="torque_at_maximum_efficiency", unit="N·m", how=f"T at I = √(I0·Is), on {lines}."),
        Wanted(name="speed_at_rated_torque", unit="r/min", how=f"shaft_speed n, {rated}."),
        Wanted(name="current_at_rated_torque", unit="A", how=f"dc_current I, {rated}."),
        Wanted(name="input_power_at_rated_torque", unit="W", how=f"U·I, dc_voltage times dc_current, each {rated}."),
        Wanted(
            name="output_power_at_rated_torque", unit="W", how=f"T·n·π/30 at rated torque T, shaft_speed n {rated}."
        ),
        Wanted(name="efficiency_at_rated_torque", unit="1", how=f"T·n·π/30/(U·I), output by input power, {rated}."),
        Wanted(name="friction_torque_at_rated_torque", unit="N·m", how=f"K·I - T, iron loss included, {rated}."),
        Wanted(name="hysteresis_current", unit="A", how=f"dc_current {gap}"),
        Wanted(name="hysteresis_speed", unit="r/min", how=f"shaft_speed {gap}"),
        Wanted(name="hysteresis_at_torque", unit="N·m", how="shaft_torque where the hysteresis is stated."),
    ]
    wanted += [Wanted(name=c, unit="°C", how=f"Mean of {c} over the test's points.") for c in TEMPERATURES]
    ranges = " or ".join(joint.shaft.channels)
    torque = f"{ranges}, the narrowest range usable at the point" if len(joint.shaft.channels) > 1 else "shaft torque"
    torque += " plus J·dω/dt where the speed changed" if joint.shaft.adds_inertia else ""
    columns = [
        ("voltage", "V", f"at the motor terminals, {MEAN}"),
        ("current", "A", MEAN),
        ("speed", "r/min", MEAN),
        ("input_power", "W", f"voltage times current, each the {MEAN}"),
    ]
    if joint.has_torque:
        columns += [
            ("torque", "N·m", f"{torque}, {MEAN}"),
            ("output_power", "W", f"{torque} times speed times π/30, each the {MEAN}"),
            ("efficiency", "1", f"{torque} times speed times π/30, by voltage times current, each the {MEAN}"),
        ]
    for i in which.tolist():
        stem = f"point_{joint.table.asked[i].point:03d}"
        wanted += [Wanted(name=f"{stem}_{name}", unit=unit, how=how) for name, unit, how in columns]
    return wanted


def _torque_constant(joint: JointModel) -> str:
    if joint.has_friction_line:
        return (
            f"Kt by least squares of T = Kt·I - (T0 + b·ω + c·ω²) over the {joint.table.size} no-load and load points "
            "of the run together: shaft torque an ampere, friction's change with speed taken off."
        )
    if joint.held_speed:
        return "Kt = dT/dI, slope of shaft_torque over dc_current through the load points, all at one held speed."
    return (
        "Kt = dT/dI, slope of shaft_torque over dc_current through the load points, less half of what it would fall by "
        "if all friction were proportional to speed (no no-load points tell)."
    )
