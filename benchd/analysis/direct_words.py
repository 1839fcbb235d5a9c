"""How each directly measured number comes about, in sentences with formulas. Words only; it must never compute."""

from collections.abc import Mapping, Sequence

from benchd.analysis.direct import DirectPoints
from benchd.analysis.load_quantities import MEAN
from benchd.analysis.point_results import UNITS, named
from benchd.analysis.record import RecordedPoint
from benchd.analysis.results import Wanted


def formulas(points: DirectPoints) -> Mapping[str, str]:
    """By column: what it is and from which channels, without a full stop."""
    ranges = " or ".join(points.shaft.channels) or "shaft_torque"
    torque = (
        f"torque T ({ranges}, the narrowest range usable at the point)" if " or " in ranges else f"torque T ({ranges})"
    )
    inertia = "" if points.record.inertia_kgm2 is None else ", with J·dω/dt of rotor and coupling added"
    shaft = "shaft power T·n·π/30"
    terminals = "motor_power of the power analyser" if points.brushless else "dc_voltage·dc_current"
    words = {
        "speed": "speed n (shaft_speed)",
        "torque": f"{torque}{inertia}",
        "shaft_power": shaft,
        "input_power": f"the motor's input power P1, {terminals}",
        "losses": f"the motor's losses P1 - P2, {terminals} less {shaft}",
        "efficiency": f"motor efficiency P2/P1, {shaft} by {terminals}",
        "torque_per_ampere": f"torque by current, T/{points.input_current}",
        "power_factor": "power factor (power_factor, or motor_power by motor_apparent_power)",
        "converter_input_power": "the converter's input power, dc_voltage·dc_current",
        "converter_losses": "the converter's losses, dc_voltage·dc_current less motor_power",
        "converter_efficiency": "converter efficiency, motor_power by dc_voltage·dc_current",
        "system_efficiency": f"efficiency of converter and motor, {shaft} by dc_voltage·dc_current",
    }
    return {name: words.get(name, name) for name in UNITS}


def of_point(points: DirectPoints, asked: RecordedPoint, names: Sequence[str]) -> list[Wanted]:
    """The quantities of one point, by `names`."""
    words = formulas(points)
    return [
        Wanted(
            name=named(asked.point, name),
            unit=UNITS[name],
            how=f"At point {asked.point}: {words[name]}, each channel the {MEAN}.",
        )
        for name in names
    ]
