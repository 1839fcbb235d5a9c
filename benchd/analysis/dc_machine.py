"""Closed forms of the brushed DC machine in steady state. Pure arithmetic; it must never see a measurement.

U = K·ω + R·I + Ub and K·I = T + Tc + b·ω, motoring in the positive direction; in SI units the voltage constant
(V·s/rad) and the torque constant (N·m/A) are one number K. Every number may be an array of one shape.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]

RAD_S_PER_RPM = 2.0 * np.pi / 60.0
COPPER_CONSTANT_DEGC = 235.0  # IEC 60034-1, 8.6.2: k for copper (value from memory)


@dataclass(frozen=True, slots=True, kw_only=True)
class DcMachine:
    """A machine with constant excitation: R in Ω, K in V·s/rad, brush drop in V, friction Coulomb (N·m) and viscous."""

    resistance_ohm: Number
    constant_vs: Number
    brush_drop_v: Number = 0.0
    coulomb_nm: Number = 0.0
    viscous_nms: Number = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingPoint:
    """One steady state; powers are positive when the machine motors."""

    speed_rad_s: Number
    current_a: Number
    back_emf_v: Number
    electromagnetic_torque_nm: Number
    shaft_torque_nm: Number
    input_power_w: Number
    electromagnetic_power_w: Number
    output_power_w: Number
    copper_loss_w: Number
    efficiency: Number  # output by input; meaningful only while motoring


def at_speed(machine: DcMachine, *, voltage_v: Number, speed_rad_s: Number) -> OperatingPoint:
    """The steady state at a terminal voltage and a speed that the load holds."""
    back_emf_v = machine.constant_vs * speed_rad_s
    current_a = (voltage_v - machine.brush_drop_v - back_emf_v) / machine.resistance_ohm
    return _point(machine, voltage_v, speed_rad_s, current_a)


def at_shaft_torque(machine: DcMachine, *, voltage_v: Number, shaft_torque_nm: Number) -> OperatingPoint:
    """The steady state at a terminal voltage and a torque that the load takes, while the machine turns forward."""
    gain, lost = torque_line(machine, voltage_v=voltage_v)
    current_a = (shaft_torque_nm + lost) / gain
    back_emf_v = voltage_v - machine.brush_drop_v - machine.resistance_ohm * current_a
    return _point(machine, voltage_v, back_emf_v / machine.constant_vs, current_a)


def _point(machine: DcMachine, voltage_v: Number, speed_rad_s: Number, current_a: Number) -> OperatingPoint:
    electromagnetic = machine.constant_vs * current_a
    friction = machine.coulomb_nm * np.sign(speed_rad_s) + machine.viscous_nms * speed_rad_s
    shaft = electromagnetic - friction
    input_w = voltage_v * current_a
    output_w = shaft * speed_rad_s
    return OperatingPoint(
        speed_rad_s=speed_rad_s,
        current_a=current_a,
        back_emf_v=machine.constant_vs * speed_rad_s,
        electromagnetic_torque_nm=electromagnetic,
        shaft_torque_nm=shaft,
        input_power_w=input_w,
        electromagnetic_power_w=electromagnetic * speed_rad_s,
        output_power_w=output_w,
        copper_loss_w=machine.resistance_ohm * current_a * current_a,
        efficiency=output_w / input_w,
    )


def torque_line(machine: DcMachine, *, voltage_v: Number) -> tuple[Number, Number]:
    """(N·m/A, N·m): shaft torque = first · current - second, along the characteristic at constant voltage.

    Viscous friction falls as the shaft slows down, so the slope is K + b·R/K, a little more than K.
    """
    slope = machine.constant_vs + machine.viscous_nms * machine.resistance_ohm / machine.constant_vs
    ideal_speed = (voltage_v - machine.brush_drop_v) / machine.constant_vs
    return slope, machine.coulomb_nm + machine.viscous_nms * ideal_speed


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


def characteristic_points_of(machine: DcMachine, *, voltage_v: Number) -> CharacteristicPoints:
    """The characteristic points of a machine at one terminal voltage."""
    slope, lost = torque_line(machine, voltage_v=voltage_v)
    return characteristic_points(
        voltage_v=voltage_v,
        resistance_ohm=machine.resistance_ohm,
        constant_vs=machine.constant_vs,
        brush_drop_v=machine.brush_drop_v,
        torque_per_ampere=slope,
        lost_torque_nm=lost,
    )


def constant_from_no_load(
    *, voltage_v: Number, current_a: Number, speed_rad_s: Number, resistance_ohm: Number, brush_drop_v: Number = 0.0
) -> Number:
    """K in V·s/rad from one no-load reading and a known resistance."""
    return (voltage_v - brush_drop_v - resistance_ohm * current_a) / speed_rad_s


def resistance_at(resistance_ohm: Number, *, from_degc: Number, to_degc: Number) -> Number:
    """A copper winding's resistance carried from one temperature to another, R·(235 + to)/(235 + from)."""
    return resistance_ohm * (COPPER_CONSTANT_DEGC + to_degc) / (COPPER_CONSTANT_DEGC + from_degc)
