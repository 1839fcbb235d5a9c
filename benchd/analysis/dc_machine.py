"""The characteristic of a brushed DC machine at one voltage. Pure arithmetic; it must never see a measurement.

U = K·ω + R·I + Ub and K·I = T + Tc + b·ω, motoring in the positive direction; in SI units the voltage constant
(V·s/rad) and the torque constant (N·m/A) are one number K. Every number may be an array of one shape.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]

RAD_S_PER_RPM = 2.0 * np.pi / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CharacteristicPoints:
    """The ends and the peaks of the characteristic at one voltage."""

    stall_current_a: Number
    stall_torque_nm: Number
    no_load_current_a: Number
    no_load_speed_rad_s: Number
    maximum_power_w: Number
    maximum_efficiency: Number
    current_at_maximum_efficiency_a: Number
    speed_at_maximum_efficiency_rad_s: Number
    torque_at_maximum_efficiency_nm: Number


def characteristic_points(
    *,
    voltage_v: Number,
    resistance_ohm: Number,
    constant_vs: Number,
    brush_drop_v: Number,
    torque_per_ampere: Number,
    lost_torque_nm: Number,
) -> CharacteristicPoints:
    """Stall, no load, greatest power and greatest efficiency of two lines: speed over current, torque over current.

    ω = (U - Ub - R·I)/K and T = torque_per_ampere·I - lost_torque. Greatest efficiency is at √(I0·Is). Needs a positive
    lost torque; NaN where there is none.
    """
    stall_a = (voltage_v - brush_drop_v) / resistance_ohm
    no_load_a = lost_torque_nm / torque_per_ampere
    ideal_speed = (voltage_v - brush_drop_v) / constant_vs
    stall_nm = torque_per_ampere * stall_a - lost_torque_nm
    no_load_speed = ideal_speed - resistance_ohm / constant_vs * no_load_a
    best_a = np.sqrt(np.where(np.asarray(no_load_a) > 0.0, no_load_a * stall_a, np.nan))
    best_speed = ideal_speed - resistance_ohm / constant_vs * best_a
    best_nm = torque_per_ampere * best_a - lost_torque_nm
    return CharacteristicPoints(
        stall_current_a=stall_a,
        stall_torque_nm=stall_nm,
        no_load_current_a=no_load_a,
        no_load_speed_rad_s=no_load_speed,
        maximum_power_w=no_load_speed * stall_nm / 4.0,
        maximum_efficiency=best_nm * best_speed / (voltage_v * best_a),
        current_at_maximum_efficiency_a=best_a,
        speed_at_maximum_efficiency_rad_s=best_speed,
        torque_at_maximum_efficiency_nm=best_nm,
    )
