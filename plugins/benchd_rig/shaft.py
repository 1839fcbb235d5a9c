"""Winding current, two rotors and the elastic coupling between them, stepped exactly for held voltage and torques.

The coupling resonates at some 500 Hz, where explicit integration at a few kHz is unstable; the exact step is not, and
shows the resonance where it is. Dry friction really holds: a rotor that sticks has exactly zero speed until the torques
on it exceed the friction. The voltage comes from `dc_link`, the load torque from `load_machine`; this file must never
know either.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchd_rig.commands import PlantFaults
from benchd_rig.energy import EnergyAccount
from benchd_rig.exact_step import held_input_step
from benchd_rig.load_machine import DRY_BEARING_NM
from benchd_rig.motor_dc import coulomb_nm, resistance_ohm
from benchd_rig.specimen import Specimen

_RESISTANCE_DRIFT = 0.01  # relative: below it the link's solution carries the change, beyond it the step is made anew
_STILL_RAD_S = 1e-6
_STILL_NM = 1e-6

# (current after the step without voltage, what a volt adds, the same two for the mean current) -> voltage over the step
Settle = Callable[[float, float, float, float], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """The exact step, a row each: current, its integral, both speeds, twist, both angles, integral of the twist."""

    free: tuple[tuple[float, ...], ...]  # by current, both speeds, twist, torque on the motor's, on the load's rotor
    volt: tuple[float, ...]  # by voltage


class Shaft:
    """State: motor current, both speeds and the twist between them, motor side ahead positive."""

    def __init__(self, specimen: Specimen, energy: EnergyAccount, *, step_s: float, winding_degc: float) -> None:
        self.current_a = 0.0
        self.motor_speed_rad_s = 0.0
        self.load_speed_rad_s = 0.0
        self.twist_rad = 0.0
        self.mean_current_a = 0.0  # over the last step
        self.motor_angle_rad = 0.0  # since time zero
        self.impulse_nm_s = 0.0  # integral of the shaft torque since time zero
        self.winding_ohm = resistance_ohm(specimen.motor, winding_degc=winding_degc)
        self.extra_ohm = 0.0  # winding resistance beyond what the step holds; the link's solution carries it
        self._motor = specimen.motor
        self._load = specimen.bench.load_machine
        self._coupling = specimen.bench.coupling
        self._cable_ohm = specimen.bench.link.cable_ohm
        self._energy = energy
        self._step_s = step_s
        self._steps: dict[tuple[bool, bool], _Step] = {}  # by which rotor sticks
        self._built_ohm = self.winding_ohm
        self._broken = False
        self._stiffness = self._coupling.stiffness_nm_rad
        self._damping = self._coupling.damping_nm_s_rad
        self._motor_friction_nm = self._motor.coulomb_nm
        self._load_friction_nm = self._load.coulomb_nm
        self._motor_slip = 0  # direction in which the rotor slips against its dry friction; 0: it sticks
        self._load_slip = 0

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
            self._steps.clear()
        self.extra_ohm = self.winding_ohm - self._built_ohm

    def set_condition(self, faults: PlantFaults) -> None:
        """Take over what is broken, jammed or dry. A mended coupling starts untwisted."""
        coupling_broken = faults.coupling_broken
        if coupling_broken != self._broken:
            self._energy.coupling_j += 0.5 * self._stiffness * self.twist_rad**2
            self._broken = coupling_broken
            self.twist_rad = 0.0
            self._stiffness = 0.0 if coupling_broken else self._coupling.stiffness_nm_rad
            self._damping = 0.0 if coupling_broken else self._coupling.damping_nm_s_rad
            self._steps.clear()
        friction_nm = coulomb_nm(self._motor, jammed=faults.rotor_jammed)
        if friction_nm != self._motor_friction_nm:
            self._motor_friction_nm = friction_nm
            self._motor_slip = _direction(self.motor_speed_rad_s)
        friction_nm = self._load.coulomb_nm + (DRY_BEARING_NM if faults.load_bearing_dry else 0.0)
        if friction_nm != self._load_friction_nm:
            self._load_friction_nm = friction_nm
            self._load_slip = _direction(self.load_speed_rad_s)

    def step(self, load_torque_nm: float, settle: Settle) -> None:
        """One step against this load torque, with the voltage that `settle` finds for the whole of it."""
        current, w_m, w_l, twist = self.current_a, self.motor_speed_rad_s, self.load_speed_rad_s, self.twist_rad
        exact = self._grip(load_torque_nm)
        push_m = -self._motor_slip * self._motor_friction_nm - self._motor.cubic_nm_s3 * w_m * w_m * w_m
        push_l = -self._load_slip * self._load_friction_nm - load_torque_nm
        free = [
            a * current + b * w_m + c * w_l + d * twist + e * push_m + f * push_l for a, b, c, d, e, f in exact.free
        ]
        volt = exact.volt
        per_s = 1.0 / self._step_s
        v = settle(free[0], volt[0], free[1] * per_s, volt[1] * per_s)
        current_1, charge, w_m1, w_l1, twist_1, angle_m, angle_l, twist_s = [
            x + g * v for x, g in zip(free, volt, strict=True)
        ]
        energy = self._energy
        square = self._mean_square_s(current, current_1)
        energy.copper_j += self.winding_ohm * square
        energy.cable_j += self._cable_ohm * square
        energy.coupling_j += self._damping * self._mean_square_s(w_m - w_l, w_m1 - w_l1)
        energy.load_machine_j += load_torque_nm * angle_l
        motor_j = self._motor.viscous_nm_s * self._mean_square_s(w_m, w_m1) - push_m * angle_m
        load_j = self._load.viscous_nm_s * self._mean_square_s(w_l, w_l1) - (push_l + load_torque_nm) * angle_l
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
        self.mean_current_a = charge * per_s
        self.motor_angle_rad += angle_m
        self.impulse_nm_s += self._stiffness * twist_s + self._damping * (angle_m - angle_l)
        self.current_a, self.motor_speed_rad_s, self.load_speed_rad_s, self.twist_rad = current_1, w_m1, w_l1, twist_1

    def halt(self) -> None:
        """Make a shaft that is as good as still exactly still and currentless; the twist stays."""
        self.current_a = self.mean_current_a = self.motor_speed_rad_s = self.load_speed_rad_s = 0.0

    def is_still(self) -> bool:
        """Whether nothing turns and nothing is about to: each rotor is held by friction or free of torque."""
        if abs(self.motor_speed_rad_s) > _STILL_RAD_S or abs(self.load_speed_rad_s) > _STILL_RAD_S:
            return False
        held_nm = max(min(self._motor_friction_nm, self._load_friction_nm), _STILL_NM)
        return abs(self.torque_nm) <= held_nm

    def _mean_square_s(self, start: float, end: float) -> float:
        """The integral of a square over the step, as if its root ran straight through it."""
        return self._step_s / 3.0 * (start * start + start * end + end * end)

    def _grip(self, load_torque_nm: float) -> _Step:
        """Decide which rotor breaks away from its dry friction, and pick the exact step for it."""
        motor_sticks = load_sticks = False
        if self._motor_friction_nm > 0.0:
            if not self._motor_slip:
                drive_nm = self._motor.constant_v_s * self.current_a - self.torque_nm
                self._motor_slip = _breakaway(drive_nm, friction_nm=self._motor_friction_nm)
            motor_sticks = not self._motor_slip
        if self._load_friction_nm > 0.0:
            if not self._load_slip:
                drive_nm = self.torque_nm - load_torque_nm
                self._load_slip = _breakaway(drive_nm, friction_nm=self._load_friction_nm)
            load_sticks = not self._load_slip
        key = (motor_sticks, load_sticks)
        exact = self._steps.get(key)
        if exact is None:
            exact = self._steps[key] = self._build(motor_sticks=motor_sticks, load_sticks=load_sticks)
        return exact

    def _build(self, *, motor_sticks: bool, load_sticks: bool) -> _Step:
        motor, load = self._motor, self._load
        k, d = self._stiffness, self._damping
        state, push = np.zeros((4, 4)), np.zeros((4, 3))
        loop_ohm = self._built_ohm + self._cable_ohm
        state[0] = np.array([-loop_ohm, -motor.constant_v_s, 0.0, 0.0]) / motor.inductance_h
        push[0, 2] = 1.0 / motor.inductance_h
        if not motor_sticks:
            state[1] = np.array([motor.constant_v_s, -d - motor.viscous_nm_s, d, -k]) / motor.inertia_kgm2
            push[1, 0] = 1.0 / motor.inertia_kgm2
        if not load_sticks:
            state[2] = np.array([0.0, d, -d - load.viscous_nm_s, k]) / load.inertia_kgm2
            push[2, 1] = 1.0 / load.inertia_kgm2
        if not self._broken:
            state[3] = [0.0, 1.0, -1.0, 0.0]
        whole = held_input_step(state, push, integrals_of=(0, 1, 2, 3), step_s=self._step_s)
        rows = whole[[0, 4, 1, 2, 3, 5, 6, 7]].tolist()
        return _Step(free=tuple(tuple(row[:6]) for row in rows), volt=tuple(row[6] for row in rows))


def _breakaway(drive_nm: float, *, friction_nm: float) -> int:
    """The direction in which a rotor at rest breaks away, 0 where friction holds it."""
    return (drive_nm > friction_nm) - (drive_nm < -friction_nm)


def _direction(speed_rad_s: float) -> int:
    return (speed_rad_s > 0.0) - (speed_rad_s < 0.0)
