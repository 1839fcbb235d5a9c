"""Winding current, two rotors and the elastic coupling between them, stepped exactly for held voltage and torques.

The coupling resonates at some 500 Hz, where explicit integration at a few kHz is unstable; the exact step is not, and
shows the resonance where it is. Dry friction really holds: a rotor that sticks has exactly zero speed until the torques
on it exceed the friction. The voltage comes from `dc_link`, the load torque from `load_machine`; neither is known here.
"""

from collections.abc import Callable
from typing import cast

import numpy as np

from benchd_rig.energy import EnergyAccount
from benchd_rig.exact_step import held_input_step
from benchd_rig.motor_dc import coulomb_nm, resistance_ohm
from benchd_rig.specimen import Specimen

_RESISTANCE_DRIFT = 0.01  # relative: the step matrices are made anew beyond it, below it the link's solution carries it

_STILL_RAD_S = 1e-6
_STILL_NM = 1e-6

# (current after the step without voltage, what a volt adds, the same two for the mean current) -> voltage over the step
Settle = Callable[[float, float, float, float], float]
Row = tuple[float, float, float, float, float, float, float]


class Shaft:
    """State: motor current, both speeds, twist; and over the last step: mean current, angles, mean shaft torque."""

    def __init__(self, specimen: Specimen, energy: EnergyAccount, *, step_s: float, winding_degc: float) -> None:
        self.current_a = 0.0
        self.motor_speed_rad_s = 0.0
        self.load_speed_rad_s = 0.0
        self.twist_rad = 0.0
        self.mean_current_a = 0.0
        self.motor_angle_rad = 0.0  # since time zero
        self.shaft_impulse_nm_s = 0.0  # integral of the shaft torque since time zero
        self._motor = specimen.motor
        self._load = specimen.bench.load_machine
        self._coupling = specimen.bench.coupling
        self._cable_ohm = specimen.bench.link.cable_ohm
        self._energy = energy
        self._step_s = step_s
        self._rows: dict[tuple[bool, bool], tuple[Row, ...]] = {}
        self._broken = False
        self._stiffness = self._coupling.stiffness_nm_rad
        self._damping = self._coupling.damping_nm_s_rad
        self._motor_friction_nm = self._motor.coulomb_nm
        self._load_friction_nm = self._load.coulomb_nm
        self._motor_slip = 0  # direction in which the rotor slips against dry friction; 0: it sticks
        self._load_slip = 0
        self._built_ohm = resistance_ohm(self._motor, winding_degc=winding_degc)
        self.winding_ohm = self._built_ohm
        self.extra_ohm = 0.0  # winding resistance beyond what the matrices hold; the link's solution carries it

    @property
    def torque_nm(self) -> float:
        """Torque that the specimen hands through the coupling, house sign."""
        slip_rad_s = self.motor_speed_rad_s - self.load_speed_rad_s
        return self._stiffness * self.twist_rad + self._damping * slip_rad_s

    @property
    def stored_j(self) -> float:
        """Energy in the winding, the rotors and the coupling."""
        return 0.5 * (
            self._motor.inductance_h * self.current_a**2
            + self._motor.inertia_kgm2 * self.motor_speed_rad_s**2
            + self._load.inertia_kgm2 * self.load_speed_rad_s**2
            + self._stiffness * self.twist_rad**2
        )

    def warm(self, *, winding_degc: float) -> None:
        """Take over the winding's temperature."""
        self.winding_ohm = resistance_ohm(self._motor, winding_degc=winding_degc)
        if abs(self.winding_ohm - self._built_ohm) > _RESISTANCE_DRIFT * self._built_ohm:
            self._built_ohm = self.winding_ohm
            self._rows.clear()
        self.extra_ohm = self.winding_ohm - self._built_ohm

    def set_condition(self, *, coupling_broken: bool, rotor_jammed: bool) -> None:
        """Break or mend the coupling, jam or free the specimen's rotor. A mended coupling starts untwisted."""
        if coupling_broken != self._broken:
            self._broken = coupling_broken
            self.twist_rad = 0.0
            self._stiffness = 0.0 if coupling_broken else self._coupling.stiffness_nm_rad
            self._damping = 0.0 if coupling_broken else self._coupling.damping_nm_s_rad
            self._rows.clear()
        friction_nm = coulomb_nm(self._motor, jammed=rotor_jammed)
        if friction_nm != self._motor_friction_nm:
            self._motor_friction_nm = friction_nm
            speed = self.motor_speed_rad_s
            self._motor_slip = (speed > 0.0) - (speed < 0.0)

    def step(self, load_torque_nm: float, settle: Settle) -> None:
        """One step against this load torque, with the voltage that `settle` finds for the whole of it."""
        current, w_m, w_l, twist = self.current_a, self.motor_speed_rad_s, self.load_speed_rad_s, self.twist_rad
        step_s = self._step_s
        shaft_nm = self._stiffness * twist + self._damping * (w_m - w_l)
        push_m = -self._motor.cubic_nm_s3 * w_m * w_m * w_m
        push_l = -load_torque_nm
        motor_sticks = load_sticks = False
        if self._motor_friction_nm > 0.0:
            if not self._motor_slip:
                self._motor_slip = _slip(self._motor.constant_v_s * current - shaft_nm, self._motor_friction_nm)
            motor_sticks = not self._motor_slip
            push_m -= self._motor_slip * self._motor_friction_nm
        if self._load_friction_nm > 0.0:
            if not self._load_slip:
                self._load_slip = _slip(shaft_nm + push_l, self._load_friction_nm)
            load_sticks = not self._load_slip
            push_l -= self._load_slip * self._load_friction_nm
        rows = self._rows.get((motor_sticks, load_sticks)) or self._build(motor_sticks, load_sticks)

        a, b, c, d, volt_current, e, f = rows[0]
        current_1 = a * current + b * w_m + c * w_l + d * twist + e * push_m + f * push_l
        a, b, c, d, volt_charge, e, f = rows[1]
        charge = a * current + b * w_m + c * w_l + d * twist + e * push_m + f * push_l
        v = settle(current_1, volt_current, charge / step_s, volt_charge / step_s)
        current_1 += volt_current * v
        charge += volt_charge * v
        a, b, c, d, g, e, f = rows[2]
        w_m1 = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l
        a, b, c, d, g, e, f = rows[3]
        w_l1 = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l
        a, b, c, d, g, e, f = rows[4]
        twist_1 = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l
        a, b, c, d, g, e, f = rows[5]
        angle_m = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l
        a, b, c, d, g, e, f = rows[6]
        angle_l = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l
        a, b, c, d, g, e, f = rows[7]
        twist_s = a * current + b * w_m + c * w_l + d * twist + g * v + e * push_m + f * push_l

        # Torques act over exactly known angles; squares are taken as if their factor ran straight through the step.
        third_s = step_s / 3.0
        energy = self._energy
        square = third_s * (current * current + current * current_1 + current_1 * current_1)
        energy.copper_j += self.winding_ohm * square
        energy.cable_j += self._cable_ohm * square
        s_0, s_1 = w_m - w_l, w_m1 - w_l1
        energy.coupling_j += self._damping * third_s * (s_0 * s_0 + s_0 * s_1 + s_1 * s_1)
        energy.load_machine_j += load_torque_nm * angle_l
        motor_j = self._motor.viscous_nm_s * third_s * (w_m * w_m + w_m * w_m1 + w_m1 * w_m1) - push_m * angle_m
        load_j = self._load.viscous_nm_s * third_s * (w_l * w_l + w_l * w_l1 + w_l1 * w_l1)
        load_j -= (push_l + load_torque_nm) * angle_l
        if self._motor_friction_nm > 0.0 and self._motor_slip * w_m1 <= 0.0:
            motor_j += 0.5 * self._motor.inertia_kgm2 * w_m1 * w_m1
            w_m1 = 0.0
            self._motor_slip = 0
        if self._load_friction_nm > 0.0 and self._load_slip * w_l1 <= 0.0:
            load_j += 0.5 * self._load.inertia_kgm2 * w_l1 * w_l1
            w_l1 = 0.0
            self._load_slip = 0
        energy.motor_friction_j += motor_j
        energy.load_friction_j += load_j

        self.mean_current_a = charge / step_s
        self.motor_angle_rad += angle_m
        self.shaft_impulse_nm_s += self._stiffness * twist_s + self._damping * (angle_m - angle_l)
        self.current_a, self.motor_speed_rad_s, self.load_speed_rad_s, self.twist_rad = current_1, w_m1, w_l1, twist_1

    def halt(self) -> None:
        """Make a shaft that is as good as still exactly still and currentless; the twist stays."""
        self.current_a = self.mean_current_a = self.motor_speed_rad_s = self.load_speed_rad_s = 0.0

    def is_still(self) -> bool:
        """Whether nothing turns and nothing is about to: each rotor is held by friction or free of torque."""
        if abs(self.motor_speed_rad_s) > _STILL_RAD_S or abs(self.load_speed_rad_s) > _STILL_RAD_S:
            return False
        torque_nm = abs(self.torque_nm)
        return torque_nm <= max(self._motor_friction_nm, _STILL_NM) and torque_nm <= max(
            self._load_friction_nm, _STILL_NM
        )

    def _build(self, motor_sticks: bool, load_sticks: bool) -> tuple[Row, ...]:
        """The step's rows: current, its integral, speeds, twist, both angles, integral of the twist."""
        motor, load = self._motor, self._load
        k, d = self._stiffness, self._damping
        state, push = np.zeros((4, 4)), np.zeros((4, 3))
        loop_ohm = self._built_ohm + self._cable_ohm
        state[0] = np.array([-loop_ohm, -motor.constant_v_s, 0.0, 0.0]) / motor.inductance_h
        push[0, 0] = 1.0 / motor.inductance_h
        if not motor_sticks:
            state[1] = np.array([motor.constant_v_s, -d - motor.viscous_nm_s, d, -k]) / motor.inertia_kgm2
            push[1, 1] = 1.0 / motor.inertia_kgm2
        if not load_sticks:
            state[2] = np.array([0.0, d, -d - load.viscous_nm_s, k]) / load.inertia_kgm2
            push[2, 2] = 1.0 / load.inertia_kgm2
        if not self._broken:
            state[3] = [0.0, 1.0, -1.0, 0.0]
        whole = held_input_step(state, push, integrals_of=(0, 1, 2, 3), step_s=self._step_s)
        rows = tuple(cast("Row", tuple(whole[row].tolist())) for row in (0, 4, 1, 2, 3, 5, 6, 7))
        self._rows[motor_sticks, load_sticks] = rows
        return rows


def _slip(drive_nm: float, friction_nm: float) -> int:
    """The direction in which a rotor at rest breaks away, 0 when friction holds it."""
    return (drive_nm > friction_nm) - (drive_nm < -friction_nm)
