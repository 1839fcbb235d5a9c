"""Two rotors, the elastic coupling between them and their friction: the mechanical half of every motor's exact step.

The coupling resonates at some 500 Hz, where explicit integration at a few kHz is unstable; the exact step is not, and
shows the resonance where it is. Dry friction really holds: a rotor that sticks has exactly zero speed until the torques
on it exceed the friction. It must never know where the torque on a rotor comes from.
"""

import numpy as np
from numpy.typing import NDArray

from benchd_rig.commands import PlantFaults
from benchd_rig.energy import EnergyAccount
from benchd_rig.load_machine import DRY_BEARING_NM
from benchd_rig.specimen import BrushlessMotor, DcMotor, Specimen

_JAM_TORQUE_NM = 10.0  # friction of a jammed rotor, at least: more than specimen and load machine make together
_JAM_RATIO = 3.0  # and as a multiple of the load machine's peak torque
_STILL_RAD_S = 1e-6
_STILL_NM = 1e-6

Matrix = NDArray[np.float64]
Sticking = tuple[bool, bool]  # whether the motor's, whether the load's rotor is held by dry friction


class Rotors:
    """State: both speeds and the twist between them, motor side ahead positive; angle and impulse since time zero."""

    def __init__(self, specimen: Specimen, energy: EnergyAccount, *, step_s: float) -> None:
        self.motor_speed_rad_s = 0.0
        self.load_speed_rad_s = 0.0
        self.twist_rad = 0.0
        self.motor_angle_rad = 0.0
        self.impulse_nm_s = 0.0  # integral of the shaft torque
        self.motor: DcMotor | BrushlessMotor = specimen.motor
        self.load = specimen.bench.load_machine
        self.broken = False
        self._coupling = specimen.bench.coupling
        self._stiffness = self._coupling.stiffness_nm_rad
        self._damping = self._coupling.damping_nm_s_rad
        self._motor_friction_nm = self.motor.coulomb_nm
        self._load_friction_nm = self.load.coulomb_nm
        self._motor_slip = 0  # direction in which the rotor slips against its dry friction; 0: it sticks
        self._load_slip = 0
        self._energy = energy
        self._step_s = step_s

    @property
    def torque_nm(self) -> float:
        """Torque that the specimen hands through the coupling, house sign."""
        slip_rad_s = self.motor_speed_rad_s - self.load_speed_rad_s
        return self._stiffness * self.twist_rad + self._damping * slip_rad_s

    @property
    def stored_j(self) -> float:
        """Energy in the rotors and the coupling."""
        return 0.5 * (
            self.motor.inertia_kgm2 * self.motor_speed_rad_s**2
            + self.load.inertia_kgm2 * self.load_speed_rad_s**2
            + self._stiffness * self.twist_rad**2
        )

    def set_condition(self, faults: PlantFaults) -> bool:
        """Take over what is broken, jammed or dry; returns whether steps must be made anew.

        A mended coupling starts untwisted.
        """
        changed = faults.coupling_broken != self.broken
        if changed:
            self._energy.coupling_j += 0.5 * self._stiffness * self.twist_rad**2
            self.broken = faults.coupling_broken
            self.twist_rad = 0.0
            self._stiffness = 0.0 if self.broken else self._coupling.stiffness_nm_rad
            self._damping = 0.0 if self.broken else self._coupling.damping_nm_s_rad
        friction_nm = self.motor.coulomb_nm
        if faults.rotor_jammed:
            friction_nm += max(_JAM_TORQUE_NM, _JAM_RATIO * self.load.peak_torque_nm)
        if friction_nm != self._motor_friction_nm:
            self._motor_friction_nm = friction_nm
            self._motor_slip = _direction(self.motor_speed_rad_s)
        friction_nm = self.load.coulomb_nm + (DRY_BEARING_NM if faults.load_bearing_dry else 0.0)
        if friction_nm != self._load_friction_nm:
            self._load_friction_nm = friction_nm
            self._load_slip = _direction(self.load_speed_rad_s)
        return changed

    def grip(self, *, motor_nm: float, load_nm: float) -> Sticking:
        """Decide which rotor breaks away from its dry friction under the torques on it before friction."""
        motor_sticks = load_sticks = False
        if self._motor_friction_nm > 0.0:
            if not self._motor_slip:
                self._motor_slip = _breakaway(motor_nm - self.torque_nm, friction_nm=self._motor_friction_nm)
            motor_sticks = not self._motor_slip
        if self._load_friction_nm > 0.0:
            if not self._load_slip:
                self._load_slip = _breakaway(self.torque_nm - load_nm, friction_nm=self._load_friction_nm)
            load_sticks = not self._load_slip
        return motor_sticks, load_sticks

    def pushes(self, load_nm: float) -> tuple[float, float]:
        """Dry friction and windage on the motor's rotor, dry friction and the load torque on the load's."""
        w_m = self.motor_speed_rad_s
        return (
            -self._motor_slip * self._motor_friction_nm - self.motor.cubic_nm_s3 * w_m * w_m * w_m,
            -self._load_slip * self._load_friction_nm - load_nm,
        )

    def fill(self, state: Matrix, push: Matrix, *, at: int, sticking: Sticking) -> None:
        """Write the laws of both speeds and the twist into rows `at` on; inputs 0 and 1 push motor and load."""
        motor, load, k, d = self.motor, self.load, self._stiffness, self._damping
        columns = slice(at, at + 3)
        if not sticking[0]:
            state[at, columns] = np.array([-d - motor.viscous_nm_s, d, -k]) / motor.inertia_kgm2
            push[at, 0] = 1.0 / motor.inertia_kgm2
        if not sticking[1]:
            state[at + 1, columns] = np.array([d, -d - load.viscous_nm_s, k]) / load.inertia_kgm2
            push[at + 1, 1] = 1.0 / load.inertia_kgm2
        if not self.broken:
            state[at + 2, columns] = [1.0, -1.0, 0.0]

    def take(
        self,
        moved: tuple[float, float, float, float, float, float],
        *,
        friction_nm: float,
        push_nm: float,
        load_nm: float,
    ) -> None:
        """Take over speeds, twist, the angles turned and the twist's integral; stop what came to rest.

        `friction_nm` and `push_nm` are what `pushes` said.
        """
        w_m1, w_l1, twist_1, angle_m, angle_l, twist_s = moved
        w_m, w_l, energy = self.motor_speed_rad_s, self.load_speed_rad_s, self._energy
        energy.coupling_j += self._damping * self.mean_square_s(w_m - w_l, w_m1 - w_l1)
        energy.load_machine_j += load_nm * angle_l
        motor_j = self.motor.viscous_nm_s * self.mean_square_s(w_m, w_m1) - friction_nm * angle_m
        load_j = self.load.viscous_nm_s * self.mean_square_s(w_l, w_l1) - (push_nm + load_nm) * angle_l
        if self._motor_friction_nm > 0.0 and self._motor_slip * w_m1 <= 0.0:
            motor_j += 0.5 * self.motor.inertia_kgm2 * w_m1 * w_m1
            w_m1 = 0.0
            self._motor_slip = 0
        if self._load_friction_nm > 0.0 and self._load_slip * w_l1 <= 0.0:
            load_j += 0.5 * self.load.inertia_kgm2 * w_l1 * w_l1
            w_l1 = 0.0
            self._load_slip = 0
        energy.motor_friction_j += motor_j
        energy.load_friction_j += load_j
        self.motor_angle_rad += angle_m
        self.impulse_nm_s += self._stiffness * twist_s + self._damping * (angle_m - angle_l)
        self.motor_speed_rad_s, self.load_speed_rad_s, self.twist_rad = w_m1, w_l1, twist_1

    def mean_square_s(self, start: float, end: float) -> float:
        """The integral of a square over the step, as if its root ran straight through it."""
        return self._step_s / 3.0 * (start * start + start * end + end * end)

    def halt(self) -> None:
        """Make rotors that are as good as still exactly still; the twist stays."""
        self.motor_speed_rad_s = self.load_speed_rad_s = 0.0

    def is_still(self, *, motor_nm: float) -> bool:
        """Whether nothing turns and nothing is about to: each rotor is held by friction or free of torque."""
        if abs(self.motor_speed_rad_s) > _STILL_RAD_S or abs(self.load_speed_rad_s) > _STILL_RAD_S:
            return False
        torque_nm = self.torque_nm
        return abs(motor_nm - torque_nm) <= max(self._motor_friction_nm, _STILL_NM) and abs(torque_nm) <= max(
            self._load_friction_nm, _STILL_NM
        )


def _breakaway(drive_nm: float, *, friction_nm: float) -> int:
    """The direction in which a rotor at rest breaks away, 0 where friction holds it."""
    return (drive_nm > friction_nm) - (drive_nm < -friction_nm)


def _direction(speed_rad_s: float) -> int:
    return (speed_rad_s > 0.0) - (speed_rad_s < 0.0)
