"""All true values of the plant at one instant, gathered from its parts. It computes no physics of its own."""

import math
from dataclasses import dataclass

from benchd_rig.brushless import Brushless
from benchd_rig.dc_link import DcLink
from benchd_rig.shaft import Shaft
from benchd_rig.thermal import Thermal

_RPM_PER_RAD_S = 30.0 / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """All true values at one instant of plant time, house signs; NaN for what a bench of this kind does not have.

    Powers, currents and voltages of a converter and the air-gap torque behind it are means over the last step.
    """

    time_s: float
    supply_voltage_v: float
    supply_current_a: float
    sink_current_a: float
    link_v: float
    link_power_w: float  # out of the link to the specimen or its converter, the cable's loss included
    terminal_voltage_v: float  # at the specimen, or at its converter's DC input
    motor_current_a: float  # direct current at the same place
    motor_emf_v: float  # brushless: line to line, rms
    brush_drop_v: float
    winding_ohm: float  # brushless: of a phase
    converter_input_w: float
    converter_output_w: float
    phase_current_a: float  # rms with the carrier's ripple
    line_voltage_v: float  # fundamental, rms
    d_current_a: float  # in the rotor's axes, peak
    q_current_a: float
    d_voltage_v: float
    q_voltage_v: float
    airgap_torque_nm: float  # between stator and rotor, before iron loss, cogging and friction
    iron_loss_w: float
    shaft_torque_nm: float
    load_torque_nm: float
    motor_speed_rpm: float
    load_speed_rpm: float
    twist_rad: float
    motor_angle_rad: float
    winding_degc: float
    housing_degc: float
    magnet_degc: float
    ambient_degc: float


def tell_truth(
    machine: Shaft | Brushless,
    link: DcLink,
    thermal: Thermal,
    *,
    time_s: float,
    load_torque_nm: float,
    ambient_degc: float,
) -> Truth:
    """The values as they stand."""
    rotors = machine.rotors
    input_w = output_w = phase_a = line_v = math.nan
    d_a = q_a = d_v = q_v = math.nan
    brush_v, iron_w = 0.0, 0.0
    if isinstance(machine, Brushless):
        current, voltage = machine.phases.mean_a, machine.phases.voltage_v
        input_w, output_w, iron_w = machine.input_w, machine.output_w, machine.iron_loss_w
        phase_a = math.sqrt(0.5 * abs(current) ** 2 + machine.ripple_a**2)
        line_v = math.sqrt(1.5) * abs(voltage)
        d_a, q_a, d_v, q_v = current.real, current.imag, voltage.real, voltage.imag
    else:
        brush_v = machine.brush_v(machine.current_a)
    return Truth(
        time_s=time_s,
        supply_voltage_v=link.link_v,
        supply_current_a=link.supply_current_a,
        sink_current_a=link.sink_current_a,
        link_v=link.link_v,
        link_power_w=link.link_v * machine.current_a,
        terminal_voltage_v=machine.terminal_v(link.link_v),
        motor_current_a=machine.current_a,
        motor_emf_v=machine.emf_v,
        brush_drop_v=brush_v,
        winding_ohm=machine.winding_ohm,
        converter_input_w=input_w,
        converter_output_w=output_w,
        phase_current_a=phase_a,
        line_voltage_v=line_v,
        d_current_a=d_a,
        q_current_a=q_a,
        d_voltage_v=d_v,
        q_voltage_v=q_v,
        airgap_torque_nm=machine.airgap_torque_nm,
        iron_loss_w=iron_w,
        shaft_torque_nm=rotors.torque_nm,
        load_torque_nm=load_torque_nm,
        motor_speed_rpm=rotors.motor_speed_rad_s * _RPM_PER_RAD_S,
        load_speed_rpm=rotors.load_speed_rad_s * _RPM_PER_RAD_S,
        twist_rad=rotors.twist_rad,
        motor_angle_rad=rotors.motor_angle_rad,
        winding_degc=thermal.winding_degc,
        housing_degc=thermal.housing_degc,
        magnet_degc=thermal.magnet_degc,
        ambient_degc=ambient_degc,
    )
