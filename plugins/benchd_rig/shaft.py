"""A brushed specimen on its shaft: winding current and two rotors, stepped exactly for held voltage and torques.

The voltage comes from `dc_link`, the load torque from `load_machine`, the mechanical laws from `rotors`; this file must
never know more of them than their steps.
"""

from dataclasses import dataclass

import numpy as np

from benchd_rig.commands import PlantFaults
from benchd_rig.dc_link import DcLink
from benchd_rig.energy import EnergyAccount
from benchd_rig.exact_step import held_input_step
from benchd_rig.motor_dc import brush_drop, resistance_ohm
from benchd_rig.rotors import Rotors, Sticking
from benchd_rig.specimen import DcMotor, Specimen

_RESISTANCE_DRIFT = 0.01  # relative: below it the link's solution carries the change, beyond it the step is made anew
_CURRENTLESS_A = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """The exact step, a row each: current, its integral, both speeds, twist, both angles, integral of the twist."""

    free: tuple[tuple[float, ...], ...]  # by current, both speeds, twist, torque on the motor's, on the load's rotor
    volt: tuple[float, ...]  # by voltage


class Shaft:
    """State: motor current and the rotors'."""

    def __init__(self, motor: DcMotor, specimen: Specimen, energy: EnergyAccount, *, step_s: float) -> None:
        self.rotors = Rotors(specimen, energy, step_s=step_s)
        self.current_a = 0.0
        self.mean_current_a = 0.0  # over the last step
        ambient_degc = specimen.bench.ambient_degc
        self.winding_ohm = resistance_ohm(motor, winding_degc=ambient_degc)
        self.record: tuple[float, ...] = (0.0,) * 6  # voltage, current, torque, each at both ends of the last step
        self._extra_ohm = 0.0  # winding resistance beyond what the step holds; the link's solution carries it
        self._brush = brush_drop(motor, winding_degc=ambient_degc)
        self._motor = motor
        self._constant_v_s = motor.constant_v_s  # negative with its leads exchanged
        self._cable_ohm = specimen.bench.link.cable_ohm
        self._energy = energy
        self._step_s = step_s
        self._steps: dict[Sticking, _Step] = {}
        self._built_ohm = self.winding_ohm
        self._open = False

    @property
    def airgap_torque_nm(self) -> float:
        """Torque of current and magnets."""
        return self._constant_v_s * self.current_a

    @property
    def emf_v(self) -> float:
        """Voltage that the turning rotor induces."""
        return self._constant_v_s * self.rotors.motor_speed_rad_s

    def brush_v(self, current_a: float) -> float:
        """Voltage across the brushes at this current."""
        return self._brush.voltage_v(current_a)

    @property
    def stored_j(self) -> float:
        """Energy in the winding, the rotors and the coupling."""
        return 0.5 * self._motor.inductance_h * self.current_a**2 + self.rotors.stored_j

    def terminal_v(self, link_v: float) -> float:
        """Voltage at the specimen's terminals beside this link."""
        return self.emf_v if self._open else link_v - self._cable_ohm * self.current_a

    def mean_terminal_v(self, link_v: float) -> float:
        """The same over the last step, at whose end the link has this voltage."""
        return self.emf_v if self._open else link_v - self._cable_ohm * self.mean_current_a

    def warm(self, *, winding_degc: float, magnet_degc: float) -> None:  # noqa: ARG002  (a brushless one's magnets act)
        """Take over the temperatures."""
        self.winding_ohm = resistance_ohm(self._motor, winding_degc=winding_degc)
        if abs(self.winding_ohm - self._built_ohm) > _RESISTANCE_DRIFT * self._built_ohm:
            self._built_ohm = self.winding_ohm
            self._steps.clear()
        self._extra_ohm = self.winding_ohm - self._built_ohm
        self._brush = brush_drop(self._motor, winding_degc=winding_degc)

    def set_condition(self, faults: PlantFaults, *, leads_open: bool) -> None:
        """Take over what is broken or exchanged, and whether the power leads are open. Opening draws an arc."""
        constant_v_s = -self._motor.constant_v_s if faults.motor_leads_swapped else self._motor.constant_v_s
        if constant_v_s != self._constant_v_s:
            self._constant_v_s = constant_v_s
            self._steps.clear()
        if leads_open != self._open:
            self._open = leads_open
            self._energy.brush_j += 0.5 * self._motor.inductance_h * self.current_a**2
            self.current_a = self.mean_current_a = 0.0
            self._steps.clear()
        if self.rotors.set_condition(faults):
            self._steps.clear()

    def step(self, load_nm: float, link: DcLink) -> None:
        """One step against this load torque, with the voltage that the link finds for the whole of it."""
        rotors, current = self.rotors, self.current_a
        w_m, w_l, twist = rotors.motor_speed_rad_s, rotors.load_speed_rad_s, rotors.twist_rad
        sticking = rotors.grip(motor_nm=self._constant_v_s * current, load_nm=load_nm)
        exact = self._steps.get(sticking)
        if exact is None:
            exact = self._steps[sticking] = self._build(sticking)
        push_m, push_l = rotors.pushes(load_nm)
        free = [
            a * current + b * w_m + c * w_l + d * twist + e * push_m + f * push_l for a, b, c, d, e, f in exact.free
        ]
        volt = exact.volt
        per_s = 1.0 / self._step_s
        link.warm(self._brush, extra_ohm=self._extra_ohm)
        v = link.settle(free[0], volt[0], free[1] * per_s, volt[1] * per_s)
        current_1, charge, w_m1, w_l1, twist_1, angle_m, angle_l, twist_s = [
            x + g * v for x, g in zip(free, volt, strict=True)
        ]
        square = rotors.mean_square_s(current, current_1)
        self._energy.copper_j += self.winding_ohm * square
        self._energy.cable_j += self._cable_ohm * square
        moved = (w_m1, w_l1, twist_1, angle_m, angle_l, twist_s)
        rotors.take(moved, friction_nm=push_m, push_nm=push_l, load_nm=load_nm)
        self.mean_current_a = charge * per_s
        self.current_a = current_1
        _, start_v, _, start_a, _, start_nm = self.record
        self.record = (start_v, self.terminal_v(link.link_v), start_a, current_1, start_nm, rotors.torque_nm)

    def halt(self) -> None:
        """Make a shaft that is as good as still exactly still and currentless; the twist stays."""
        self.current_a = self.mean_current_a = 0.0
        self.rotors.halt()
        torque_nm = self.rotors.torque_nm
        self.record = (0.0, 0.0, 0.0, 0.0, torque_nm, torque_nm)

    def is_still(self) -> bool:
        """Whether no current flows, nothing turns and nothing is about to."""
        return abs(self.current_a) < _CURRENTLESS_A and self.rotors.is_still(motor_nm=0.0)

    def _build(self, sticking: Sticking) -> _Step:
        motor = self._motor
        state, push = np.zeros((4, 4)), np.zeros((4, 3))
        self.rotors.fill(state, push, at=1, sticking=sticking)
        if not self._open:
            loop_ohm = self._built_ohm + self._cable_ohm
            state[0] = np.array([-loop_ohm, -self._constant_v_s, 0.0, 0.0]) / motor.inductance_h
            push[0, 2] = 1.0 / motor.inductance_h
            if not sticking[0]:
                state[1, 0] = self._constant_v_s / motor.inertia_kgm2
        whole = held_input_step(state, push, integrals_of=(0, 1, 2, 3), step_s=self._step_s)
        rows = whole[[0, 4, 1, 2, 3, 5, 6, 7]].tolist()
        return _Step(free=tuple(tuple(row[:6]) for row in rows), volt=tuple(row[6] for row in rows))
