"""The table of a test's points: what was asked and what was found, with standard uncertainties. It must never judge."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.inputs import Inputs
from benchd.analysis.points import PointTable
from benchd.analysis.propagation import Output, propagate
from benchd.analysis.record import RecordedPoint
from benchd.analysis.results import Measured, PointResult

Floats = NDArray[np.float64]


def named(point: int, name: str) -> str:
    """The name of one point's output within a propagation."""
    return f"point_{point:03d}_{name}"


def spread(asked: Sequence[RecordedPoint], columns: Mapping[str, Floats], which: Sequence[int]) -> dict[str, Floats]:
    """Columns (b, n) taken apart into one output (b,) a point and name."""
    return {named(asked[i].point, name): values[:, i] for i in which for name, values in columns.items()}


def gathered(
    asked: Sequence[RecordedPoint], outputs: Mapping[str, Output], names: Sequence[str] | Mapping[str, str]
) -> tuple[PointResult, ...]:
    """The points with what the propagation found for them; what has no number is left out.

    A mapping tells by column under which name the propagation knows it.
    """
    within = names if isinstance(names, Mapping) else {name: name for name in names}
    return tuple(
        PointResult(
            number=point.point,
            direction=point.direction,
            asked=point.asked,
            values={
                name: Measured(value=output.value, standard_uncertainty=output.standard_uncertainty)
                for name, known in within.items()
                if (output := outputs.get(named(point.point, known))) is not None and math.isfinite(output.value)
            },
        )
        for point in asked
    )


def point_results(
    table: PointTable, inputs: Inputs, channels: Mapping[str, str]
) -> tuple[tuple[PointResult, ...], dict[str, str]]:
    """The table of plain channel means, by the columns' names, and the columns' units."""
    held = {name: c for name, c in channels.items() if c in inputs.channels}
    every = list(range(table.size))
    if not held or not every:
        return (), {}
    outputs = propagate(
        lambda x: spread(table.asked, {name: inputs.channel(x, c) for name, c in held.items()}, every),
        inputs.nominal,
        inputs.sources,
    )
    return gathered(table.asked, outputs, list(held)), {name: UNITS[name] for name in held}


UNITS: Mapping[str, str] = {
    "speed": "r/min",
    "torque": "N·m",
    "dc_voltage": "V",
    "dc_current": "A",
    "motor_voltage": "V",
    "motor_voltage_fundamental": "V",
    "motor_current": "A",
    "motor_frequency": "Hz",
    "power_factor": "1",
    "converter_input_power": "W",
    "input_power": "W",
    "shaft_power": "W",
    "converter_efficiency": "1",
    "efficiency": "1",
    "system_efficiency": "1",
    "converter_losses": "W",
    "losses": "W",
    "torque_per_ampere": "N·m/A",
    "friction_torque": "N·m",
    "drag_torque": "N·m",
    "winding_voltage": "V",
    "winding_current": "A",
    "winding_temperature": "°C",
    "housing_temperature": "°C",
    "magnet_temperature": "°C",
    "ambient_temperature": "°C",
}
"""The columns that a table of points may have, in their order, with their units."""
