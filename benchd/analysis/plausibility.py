"""Whether one test's points can be true, in sentences that name the likely suspect. It must never change a number."""

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.direct import (
    DC_CURRENT,
    DC_VOLTAGE,
    FREQUENCY,
    MOTOR_CURRENT,
    POWER_FACTOR,
    DirectPoints,
)
from benchd.analysis.point_results import named
from benchd.analysis.propagation import Output, coverage_factor
from benchd.analysis.torque import SPEED, points_named

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LOADED_SHARE = 0.2  # of rated torque asked for, from which on a point must show torque and power
UNBALANCED_SHARE = 0.2  # of a phase away from the middle one
NO_TORQUE_SHARE = 0.5  # of the torque that the current makes by the data sheet
POOR_TORQUE_SHARE = 0.8
SLIP_SHARE = 0.02  # between two speeds of one shaft
PAIRS_SHARE = 0.1  # between frequency by speed and the pole pairs of the motor file
CONTACT_V = 0.5  # beyond cable and 2 % of the voltage, a contact or sense lead is suspected
STANDING_SHARE = 0.1  # of the speed asked for, below which the shaft does not turn as it should
POWER_SHARE = 0.02  # of the input, below which an unbalanced phase means nothing


def plausibility_notes(points: DirectPoints, outputs: Mapping[str, Output]) -> list[str]:
    """What contradicts physics, the asked values or the motor file at the points of one test."""
    if not points.test.points:
        return ["The test holds no point."]
    notes = list(points.shaft.notes(points.test.index))
    if points.table.size < len(points.test.points):
        lost = len(points.test.points) - points.table.size
        notes.append(f"{lost} of {len(points.test.points)} points have no usable speed above standstill.")
    if points.table.size == 0:
        return notes
    checks: list[Callable[[DirectPoints], list[str]]] = [_standing, _speeds, _held, _supply, _direction]
    if points.brushless:
        checks += [_phases, _pole_pairs, _torque_of_current, _power_factor]
    for check in checks:
        notes += check(points)
    return notes + _balance(points, outputs)


def _mean(points: DirectPoints, channel: str) -> Floats:
    return points.table.mean.get(channel, np.full(points.table.size, math.nan))


def _asked(points: DirectPoints, name: str) -> Floats:
    return np.array([abs(p.asked.get(name, math.nan)) for p in points.table.asked], dtype=np.float64)


def _torque(points: DirectPoints) -> Floats:
    return np.asarray(points.way * points.shaft.mean)


def _loaded(points: DirectPoints) -> Flags:
    asked, rated = _asked(points, "torque_nm"), points.record.rated("torque_nm")
    return np.asarray(asked > LOADED_SHARE * (np.nanmax(asked, initial=0.0) if rated is None else rated))


def _turns(points: DirectPoints) -> Flags:
    """Where the shaft turned about as asked; elsewhere the phases carry direct current and nothing balances."""
    asked = _asked(points, "speed_rpm")
    return ~(np.abs(_mean(points, SPEED)) < STANDING_SHARE * asked)


def _standing(points: DirectPoints) -> list[str]:
    still = ~_turns(points)
    if not still.any():
        return []
    who = "two exchanged phase leads, a lost commutation" if points.brushless else "a lead that is off"
    return [
        (
            f"The shaft hardly turned at {points_named(points.table, still)}, where a speed was asked for: {who} or a "
            "jammed shaft is the likely suspect."
        )
    ]


def _speeds(points: DirectPoints) -> list[str]:
    """The load drive's encoder and ours stand on one shaft."""
    speed, drive = _mean(points, SPEED), _mean(points, "drive_speed")
    wrong = (np.abs(drive - speed) > SLIP_SHARE * np.abs(speed)) & _turns(points)
    if not wrong.any():
        return []
    where = points_named(points.table, wrong)
    return [
        (
            f"shaft_speed and drive_speed differ by more than {100.0 * SLIP_SHARE:g} % at {where}: a slipping or "
            "broken "
            "coupling, or one of the encoders, is the likely suspect."
        )
    ]


def _held(points: DirectPoints) -> list[str]:
    band = points.test.settings.get("speed_band_rpm")
    if isinstance(band, bool) or not isinstance(band, int | float):
        return []
    off = np.abs(np.abs(_mean(points, SPEED)) - _asked(points, "speed_rpm")) > float(band)
    if not off.any():
        return []
    return [
        (
            f"The speed never settled within {float(band):g} r/min of what was asked at "
            f"{points_named(points.table, off)}: "
            "the values hold for the speed that was measured."
        )
    ]


def _supply(points: DirectPoints) -> list[str]:
    """The supply's own voltage less the drop of the cable is the voltage at the terminals."""
    supply, volts, amperes = (_mean(points, c) for c in ("supply_voltage", DC_VOLTAGE, DC_CURRENT))
    cable = points.record.setup.get("cable")
    ohm = cable.get("resistance_ohm") if isinstance(cable, Mapping) else None
    drop = np.abs(amperes) * (float(ohm) if isinstance(ohm, int | float) and not isinstance(ohm, bool) else 0.0)
    allowed = 3.0 * drop + SLIP_SHARE * np.abs(supply) + CONTACT_V
    wrong = np.abs(np.abs(supply) - np.abs(volts)) > allowed
    if not wrong.any():
        return []
    apart = float((np.abs(supply) - np.abs(volts))[wrong][0])
    return [
        (
            f"dc_voltage is {apart:.3g} V below supply_voltage at {points_named(points.table, wrong)}, far beyond "
            "what the "
            "cable drops: a sense lead that is off, or a poor contact in the supply's line, is the likely suspect."
        )
    ]


def _direction(points: DirectPoints) -> list[str]:
    wrong = _loaded(points) & (_torque(points) < 0.0) & _turns(points)
    if not wrong.any():
        return []
    return [
        (
            "The specimen was asked to drive and the transducer shows it braking at "
            f"{points_named(points.table, wrong)}: "
            "the sign of shaft_torque or of shaft_speed is the likely suspect."
        )
    ]


def _unbalance(points: DirectPoints, what: str) -> tuple[Flags, NDArray[np.intp], Floats]:
    """(which points, which phase, its value by the middle one) where one phase stands far from the other two."""
    each = np.stack([_mean(points, f"phase_{what}_{n}") for n in (1, 2, 3)])
    middle = np.median(each, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(np.abs(middle) > 0.0, each / middle, math.nan)
    known = np.isfinite(share).all(axis=0)
    phase = np.where(known, np.argmax(np.abs(np.nan_to_num(share, nan=1.0) - 1.0), axis=0), 0)
    worst = share[phase, np.arange(points.table.size)]
    return known & (np.abs(worst - 1.0) > UNBALANCED_SHARE), np.asarray(phase), worst


def _phases(points: DirectPoints) -> list[str]:
    notes = []
    suspects = {
        "voltage": "the analyser's voltage lead of this phase is off or on another phase",
        "current": "this phase's lead is open, or its current sensor is off",
    }
    for what, suspect in suspects.items():
        wrong, phase, share = _unbalance(points, what)
        wrong = wrong & _turns(points)
        if what == "current":  # without load the phases carry little but offsets
            wrong = wrong & (_mean(points, MOTOR_CURRENT) > 0.1 * (points.record.rated("phase_current_a") or 0.0))
        for k in sorted(set(phase[wrong].tolist())):
            mine = wrong & (phase == k)
            notes.append(
                f"phase_{what}_{k + 1} is {100.0 * float(share[mine][0]):.0f} % of the other phases at "
                f"{points_named(points.table, mine)}: {suspect}."
            )
    return notes + _phase_powers(points, known=bool(notes))


def _phase_powers(points: DirectPoints, *, known: bool) -> list[str]:
    """Three phases of a symmetric machine take a third of the power each."""
    each = np.stack([_mean(points, f"phase_power_{n}") for n in (1, 2, 3)])
    total = np.abs(each).sum(axis=0)
    apparent = _mean(points, "motor_apparent_power")
    spread = each.max(axis=0) - each.min(axis=0)
    wrong = (total > 0.0) & (spread > UNBALANCED_SHARE * total) & ~(total < POWER_SHARE * apparent) & _loaded(points)
    wrong = wrong & _turns(points)
    if known or not wrong.any():
        return []
    low = int(np.argmin(each[:, np.flatnonzero(wrong)[0]])) + 1
    return [
        (
            f"The three phase powers do not balance at {points_named(points.table, wrong)} (phase {low} shows the "
            "least): "
            "a voltage and a current of different phases in one channel of the analyser (two leads exchanged), "
            "or a current "
            "sensor turned round, is the likely suspect."
        )
    ]


def _pole_pairs(points: DirectPoints) -> list[str]:
    pairs = points.record.motor.get("pole_pairs")
    if isinstance(pairs, bool) or not isinstance(pairs, int):
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        found = _mean(points, FREQUENCY) * 60.0 / np.abs(_mean(points, SPEED))
    wrong = (np.abs(found - pairs) > PAIRS_SHARE * pairs) & _turns(points)
    if not wrong.any():
        return []
    return [
        (
            f"motor_frequency and shaft_speed make {float(found[wrong][0]):.2f} pole pairs at "
            f"{points_named(points.table, wrong)} where the motor file says {pairs}: the motor file, or an "
            "analyser that "
            "does not lock onto the fundamental, is the likely suspect."
        )
    ]


def _torque_of_current(points: DirectPoints) -> list[str]:
    """A sine-fed machine makes about √3·Ke of torque an ampere; reluctance adds to it, nothing sound halves it."""
    sheet = points.record.data_sheet("voltage_constant_v_per_krpm")
    rated = points.record.rated("phase_current_a")
    if sheet is None or rated is None:
        return []
    expected = math.sqrt(3.0) * sheet * 60.0 / (2000.0 * math.pi) * _mean(points, MOTOR_CURRENT)
    flowing = (_mean(points, MOTOR_CURRENT) > LOADED_SHARE * rated) & _turns(points) & (points.test.kind != "back_emf")
    torque = _torque(points)
    none = flowing & (torque < NO_TORQUE_SHARE * expected)
    poor = flowing & ~none & (torque < POOR_TORQUE_SHARE * expected)
    notes = []
    if none.any():
        notes.append(
            f"Current flows and makes less than half of its torque at {points_named(points.table, none)}: "
            "two exchanged phase leads, a wrong phase order or a commutation offset is the likely suspect."
        )
    if poor.any():
        notes.append(
            f"The torque an ampere is more than {100.0 * (1.0 - POOR_TORQUE_SHARE):.0f} % below what the data sheet's "
            f"voltage constant makes at {points_named(points.table, poor)}: a commutation offset, a weakened field or "
            "a demagnetised rotor is the likely suspect."
        )
    return notes


def _power_factor(points: DirectPoints) -> list[str]:
    factor, power = _mean(points, POWER_FACTOR), _mean(points, "motor_power")
    wrong = _loaded(points) & (_torque(points) > 0.0) & ((factor < 0.0) | (power < 0.0))
    if not wrong.any():
        return []
    return [
        (
            f"The analyser shows power out of a motor that drives at {points_named(points.table, wrong)}: current "
            "sensors "
            "turned round, or a phase order that differs between its voltage and current leads, is the likely suspect."
        )
    ]


def _balance(points: DirectPoints, outputs: Mapping[str, Output]) -> list[str]:
    """DC side, terminals, shaft: what is lost between two of them is positive."""
    suspects = {
        "losses": (
            "the shaft gives more power than the terminals take",
            "a lead of the power analyser that is off" if points.brushless else "dc_current or dc_voltage",
        ),
        "converter_losses": (
            "the terminals take more power than the DC side gives",
            "dc_current, dc_voltage or the analyser's scaling",
        ),
    }
    notes = []
    for name, (what, who) in suspects.items():
        wrong = np.zeros(points.table.size, dtype=np.bool_)
        least = 0.0
        for i, asked in enumerate(points.table.asked):
            found = outputs.get(named(asked.point, name))
            if found is None or not math.isfinite(found.value):
                continue
            bound = coverage_factor(found.degrees_of_freedom) * found.standard_uncertainty
            wrong[i] = found.value < -bound
            least = min(least, found.value) if wrong[i] else least
        if wrong.any():
            also = ", the torque's scale or sign" if name == "losses" else ""
            notes.append(
                f"The power does not balance at {points_named(points.table, wrong)}: {what} ({least:.3g} W of losses, "
                f"beyond their uncertainty). The likely suspect is {who}{also}."
            )
    return notes
