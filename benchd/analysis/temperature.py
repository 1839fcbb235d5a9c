"""Temperatures from resistances: windings and platinum sensors. Pure arithmetic; it must never see a measurement.

Numbers of IEC 60034-1, IEC 60034-2-1 and IEC 60751 are values from memory.
"""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]
Metal = Literal["copper", "aluminium"]
ThermalClass = Literal["A", "E", "B", "F", "H"]

COPPER_CONSTANT_DEGC = 235.0  # IEC 60034-1, 8.6.2: k for copper
CONSTANT_DEGC = {"copper": COPPER_CONSTANT_DEGC, "aluminium": 225.0}
REFERENCE_COOLANT_DEGC = 25.0  # IEC 60034-2-1
RISE_LIMIT_K = {"A": 60.0, "E": 75.0, "B": 80.0, "F": 105.0, "H": 125.0}  # by resistance, coolant at 40 °C
SMALL_RISE_LIMIT_K = {"A": 65.0, "E": 75.0, "B": 85.0, "F": 110.0, "H": 130.0}  # below 600 W, fanless or encapsulated

_PT_A, _PT_B, _PT_C = 3.9083e-3, -5.775e-7, -4.183e-12  # IEC 60751, Callendar and Van Dusen
PT_LOW_DEGC, PT_HIGH_DEGC = -200.0, 850.0
_TOLERANCE = {"AA": (0.10, 0.0017), "A": (0.15, 0.002), "B": (0.30, 0.005), "C": (0.60, 0.01)}  # K, K/K


def resistance_at(resistance_ohm: Number, *, from_degc: Number, to_degc: Number, metal: Metal = "copper") -> Number:
    """A winding's resistance carried from one temperature to another, R·(k + to)/(k + from) (IEC 60034-1, 8.6.2)."""
    k = CONSTANT_DEGC[metal]
    return resistance_ohm * (k + to_degc) / (k + from_degc)


def winding_degc(resistance_ohm: Number, *, cold_ohm: Number, cold_degc: Number, metal: Metal = "copper") -> Number:
    """A winding's mean temperature from its resistance now and cold, (R2/R1)·(k + cold) - k (IEC 60034-1, 8.6.2)."""
    k = CONSTANT_DEGC[metal]
    return resistance_ohm / cold_ohm * (k + cold_degc) - k


def coolant_correction(*, winding: Number, coolant_degc: Number, metal: Metal = "copper") -> Number:
    """What a copper loss is multiplied by to be that at a coolant of 25 °C (IEC 60034-2-1); `winding` in °C."""
    k = CONSTANT_DEGC[metal]
    return (k + winding + REFERENCE_COOLANT_DEGC - coolant_degc) / (k + winding)


def rise_limit_k(thermal_class: ThermalClass, *, small: bool = False) -> float:
    """The greatest winding temperature rise by resistance of a thermal class above coolant of 40 °C (IEC 60034-1).

    `small`: below 600 W, or without a fan, or encapsulated.
    """
    return (SMALL_RISE_LIMIT_K if small else RISE_LIMIT_K)[thermal_class]


def platinum_ohm(temperature_degc: Number, *, nominal_ohm: float = 100.0) -> Number:
    """The resistance of a platinum sensor (Pt100: 100 Ω at 0 °C); NaN outside of -200 to 850 °C (IEC 60751)."""
    t = np.asarray(temperature_degc, dtype=np.float64)
    below = np.where(t < 0.0, _PT_C * (t - 100.0) * t**3, 0.0)
    found = nominal_ohm * (1.0 + _PT_A * t + _PT_B * t**2 + below)
    return _as_given(np.where((t >= PT_LOW_DEGC) & (t <= PT_HIGH_DEGC), found, np.nan))


def platinum_degc(resistance_ohm: Number, *, nominal_ohm: float = 100.0) -> Number:
    """The temperature of a platinum sensor from its resistance; NaN outside of -200 to 850 °C (IEC 60751).

    Above 0 °C the quadratic's own root; below by Newton steps from there, exact to 1e-9 K.
    """
    ratio = np.asarray(resistance_ohm, dtype=np.float64) / nominal_ohm
    inside = _PT_A**2 - 4.0 * _PT_B * (1.0 - ratio)
    t = (-_PT_A + np.sqrt(np.where(inside > 0.0, inside, np.nan))) / (2.0 * _PT_B)
    for _ in range(6):
        cold = t < 0.0
        value = 1.0 + _PT_A * t + _PT_B * t**2 + np.where(cold, _PT_C * (t - 100.0) * t**3, 0.0)
        slope = _PT_A + 2.0 * _PT_B * t + np.where(cold, _PT_C * (4.0 * t - 300.0) * t**2, 0.0)
        t = t - (value - ratio) / slope
    edge = 1e-9
    return _as_given(np.where((t >= PT_LOW_DEGC - edge) & (t <= PT_HIGH_DEGC + edge), t, np.nan))


def platinum_tolerance_k(temperature_degc: Number, *, tolerance_class: Literal["AA", "A", "B", "C"]) -> Number:
    """The half width of a platinum sensor's tolerance at a temperature (IEC 60751): fixed part and part of |t|."""
    fixed, share = _TOLERANCE[tolerance_class]
    return fixed + share * np.abs(temperature_degc)


def _as_given(values: NDArray[np.float64]) -> Number:
    """A plain number where a plain number was given."""
    return float(values) if values.ndim == 0 else values
