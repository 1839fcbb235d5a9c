"""A brushless specimen with its converter on the shaft: motor, losses and books, step by step against rotors and link.

Each step holds the voltage and the torque: first the currents by the speed that is to be expected, then the rotors by
the torque of the currents, then what the link gives or takes for it. It must never know who commands the converter.
"""

import math

import numpy as np

from benchd_rig.analyser_physics import Integrals
from benchd_rig.commands import MotorDriveCommand, PlantFaults
from benchd_rig.converter import Converter
from benchd_rig.dc_link import DcLink
from benchd_rig.energy import EnergyAccount
from benchd_rig.exact_step import held_input_step
from benchd_rig.phase_currents import PhaseCurrents
from benchd_rig.pmsm import Cogging, Iron, axes, warmed
from benchd_rig.rotors import Rotors, Sticking
from benchd_rig.specimen import BrushlessMotor, ConverterModel, Specimen

_DRIFT = 1e-6  # relative change of resistance or flux from which on the motor's data are taken anew
_CURRENTLESS_A = 1e-6
_LEAST_LINK_V = 1e-3

Row = tuple[float, float, float, float, float]


class Brushless:
    """State: the currents, the rotors', and what the converter has used and not yet drawn."""

    def __init__(
        self,
        motor: BrushlessMotor,
        model: ConverterModel,
        specimen: Specimen,
        energy: EnergyAccount,
        *,
        step_s: float,
    ) -> None:
        self.command = MotorDriveCommand()
        self.rotors = Rotors(specimen, energy, step_s=step_s)
        self.phases = PhaseCurrents(step_s=step_s)
        self.converter = Converter(model, motor, step_s=step_s)
        self.mean_current_a = 0.0  # from the link into the converter, over the last step
        self.airgap_torque_nm = 0.0  # this and the following are means over the last step
        self.iron_loss_w = 0.0
        self.input_w = 0.0  # into the converter
        self.output_w = 0.0  # converter to motor
        self.ripple_a = 0.0
        self.counted_ratio = 1.0  # of the speed that the converter counts, to that of the rotor
        self.record: tuple[float, ...] = (0.0,) * 11  # see `phase_waveforms`
        self._motor = motor
        self._cogging = Cogging(motor)
        self._iron = Iron(motor)
        ambient_degc = specimen.bench.ambient_degc
        self.axes = axes(motor, winding_degc=ambient_degc, magnet_degc=ambient_degc)
        self._cable_ohm = specimen.bench.link.cable_ohm
        self._energy = energy
        self._step_s = step_s
        self._steps: dict[Sticking, tuple[Row, ...]] = {}
        self._owed_j = 0.0
        self._open = False
        self._seen_a = 0j
        self._output_j = 0.0  # integrals since time zero, see `integrals`
        self._current_square_s = 0.0
        self._fundamental_square_s = 0.0
        self._line_square_s = 0.0

    @property
    def current_a(self) -> float:
        """Current from the link into the converter."""
        return self.mean_current_a

    @property
    def winding_ohm(self) -> float:
        """Resistance of a phase."""
        return self.axes.resistance_ohm

    @property
    def phase_spread(self) -> tuple[float, float, float]:
        """Relative deviation of each phase's resistance from their mean."""
        return self._motor.phase_spread

    @property
    def emf_v(self) -> float:
        """Voltage that the turning rotor induces, line to line, rms."""
        electrical_rad_s = self._motor.pole_pairs * self.rotors.motor_speed_rad_s
        return math.sqrt(1.5) * abs(electrical_rad_s) * self.axes.flux_v_s

    @property
    def believed_torque_nm(self) -> float:
        """The converter's own estimate of its torque; none while its power stage blocks."""
        return self.converter.believed.torque_nm(self._seen_a)

    @property
    def electrical_angle_rad(self) -> float:
        """Angle of the rotor's d axis from phase 1's, since time zero."""
        return self._motor.pole_pairs * self.rotors.motor_angle_rad

    @property
    def stored_j(self) -> float:
        """Energy in windings, slots' pull, rotors and coupling, less what is still to be drawn from the link."""
        field_j = self.axes.stored_j(self.phases.current_a) + self._cogging.stored_j(self.rotors.motor_angle_rad)
        return field_j + self.rotors.stored_j - self._owed_j

    def terminal_v(self, link_v: float) -> float:
        """Voltage at the converter's DC input beside this link."""
        return link_v - self._cable_ohm * self.mean_current_a

    def mean_terminal_v(self, link_v: float) -> float:
        """The same over the last step, at whose end the link has this voltage."""
        return link_v - self._cable_ohm * self.mean_current_a

    def integrals(self, time_s: float) -> Integrals:
        """What the power analyser integrates, since time zero."""
        return Integrals(
            time_s=time_s,
            output_j=self._output_j,
            current_square_s=self._current_square_s,
            fundamental_square_s=self._fundamental_square_s,
            line_square_s=self._line_square_s,
            angle_rad=self.electrical_angle_rad,
            current_a=self.phases.current_a,
        )

    def sums(self) -> tuple[float, float, float, float]:
        """The analyser's sums alone: energy to the motor, then the squares of current, fundamental and line voltage."""
        return self._output_j, self._current_square_s, self._fundamental_square_s, self._line_square_s

    def warm(self, *, winding_degc: float, magnet_degc: float) -> None:
        """Take over the temperatures of winding and magnets."""
        was = self.axes
        resistance_ohm, flux_v_s = warmed(self._motor, winding_degc=winding_degc, magnet_degc=magnet_degc)
        if (
            abs(resistance_ohm - was.resistance_ohm) > _DRIFT * was.resistance_ohm
            or abs(flux_v_s - was.flux_v_s) > _DRIFT * was.flux_v_s
        ):
            self.axes = axes(self._motor, winding_degc=winding_degc, magnet_degc=magnet_degc)

    def set_condition(self, faults: PlantFaults, *, leads_open: bool) -> None:
        """Take over what is broken, swapped or offset, and whether the power leads are open."""
        self._open = leads_open
        self.phases.swapped = faults.phases_swapped
        self.phases.offset_rad = math.radians(faults.commutation_offset_deg)
        self.counted_ratio = self._motor.pole_pairs / (faults.believed_pole_pairs or self._motor.pole_pairs)
        if self.rotors.set_condition(faults):
            self._steps.clear()

    def step(self, load_nm: float, link: DcLink) -> None:
        """One step against this load torque, fed from the link."""
        rotors, phases, cogging, step_s = self.rotors, self.phases, self._cogging, self._step_s
        w_m, w_l, twist = rotors.motor_speed_rad_s, rotors.load_speed_rad_s, rotors.twist_rad
        angle, pairs, present_nm = rotors.motor_angle_rad, self._motor.pole_pairs, self.airgap_torque_nm
        torque_0, start_a = rotors.torque_nm, phases.current_a
        drag_nm = self._iron.torque_nm(w_m, flux=self.axes.flux(start_a))
        pull_nm = cogging.mean_torque_nm(angle, w_m * step_s)
        beside_nm = pull_nm - drag_nm
        sticking = rotors.grip(motor_nm=present_nm + beside_nm, load_nm=load_nm)
        rows = self._steps.get(sticking)
        if rows is None:
            rows = self._steps[sticking] = self._build(sticking)
        friction_nm, push_nm = rotors.pushes(load_nm)
        push_m = friction_nm + beside_nm
        free = [a * w_m + b * w_l + c * twist + d * push_m + e * push_nm for a, b, c, d, e in rows]
        turn_e = pairs * (free[3] + rows[3][3] * present_nm)  # as far as it turns if the torque stays
        angle_e = pairs * angle
        modulates, lost_j = self._lead(link.link_v, angle_rad=angle_e, turn_rad=turn_e)
        torque_nm = self.airgap_torque_nm = self.axes.torque_nm(phases.mean_a)
        w_m1, w_l1, twist_1, turned, angle_l, twist_s = [
            x + row[3] * torque_nm for x, row in zip(free, rows, strict=True)
        ]
        moved = (w_m1, w_l1, twist_1, turned, angle_l, twist_s)
        rotors.take(moved, friction_nm=friction_nm, push_nm=push_nm, load_nm=load_nm)
        # the books: what goes into the motor is what it loses, stores and gives
        energy, axes_now = self._energy, self.axes
        self.ripple_a = self.converter.ripple_a(link_v=link.link_v) if modulates else 0.0
        square_a = 1.5 * abs(phases.mean_a) ** 2 + 3.0 * self.ripple_a * self.ripple_a
        copper_j = axes_now.resistance_ohm * square_a * step_s
        stored_j = axes_now.stored_j(phases.current_a) - axes_now.stored_j(start_a)
        output_j = copper_j + stored_j + torque_nm * turned
        if not modulates:
            output_j += lost_j  # what a cut-off current lost, the motor's side
        energy.copper_j += copper_j
        energy.iron_j += drag_nm * turned
        energy.motor_friction_j -= pull_nm * turned + cogging.stored_j(rotors.motor_angle_rad) - cogging.stored_j(angle)
        self.iron_loss_w = drag_nm * turned / step_s
        link_v = link.link_v
        self._draw(link, output_j=output_j, lost_j=lost_j, modulates=modulates)
        self._sum(link_v, output_j=output_j, square_a=square_a, modulates=modulates)
        end_a, voltage_v = phases.current_a, phases.voltage_v
        self.record = (
            *(angle_e, turn_e, start_a.real, start_a.imag, end_a.real, end_a.imag, voltage_v.real, voltage_v.imag),
            *(torque_0, rotors.torque_nm, self.mean_current_a),
        )

    def halt(self) -> None:
        """Make a shaft that is as good as still exactly still and currentless; the twist stays."""
        self.phases.current_a = self.phases.mean_a = self.phases.voltage_v = self._seen_a = 0j
        self.mean_current_a = self.airgap_torque_nm = self.iron_loss_w = self.input_w = self.output_w = 0.0
        self.rotors.halt()
        torque_nm = self.rotors.torque_nm
        self.record = (self.electrical_angle_rad, *(0.0,) * 7, torque_nm, torque_nm, 0.0)

    def is_still(self) -> bool:
        """Whether no current flows, nothing turns and nothing is about to."""
        if self.command.power_stage_on or abs(self.phases.current_a) > _CURRENTLESS_A:
            return False
        return self.rotors.is_still(motor_nm=self._cogging.torque_nm(self.rotors.motor_angle_rad))

    def _lead(self, link_v: float, *, angle_rad: float, turn_rad: float) -> tuple[bool, float]:
        """Move the currents; whether the converter modulates, and the energy lost beside copper and conduction."""
        phases, converter = self.phases, self.converter
        counted_rad_s = self.counted_ratio * self.rotors.motor_speed_rad_s
        target_a = converter.set_point_a(self.command, speed_rad_s=counted_rad_s, link_v=link_v)
        if target_a is None or self._open:
            self._seen_a = 0j
            if self._open:
                return False, phases.interrupt(self.axes, turn_rad=turn_rad)
            return False, phases.rectify(
                self.axes,
                turn_rad=turn_rad,
                hold=lambda amplitude_a: converter.rectified_v(link_v, amplitude_a=amplitude_a),
            )
        phases.follow(
            target_a,
            self.axes,
            stays=converter.stays,
            angle_rad=angle_rad,
            turn_rad=turn_rad,
            most_v=converter.most_v(link_v),
        )
        self._seen_a = phases.as_seen(phases.current_a, angle_rad=angle_rad + turn_rad)
        return True, converter.loss_w(abs(phases.mean_a), link_v=link_v) * self._step_s

    def _draw(self, link: DcLink, *, output_j: float, lost_j: float, modulates: bool) -> None:
        """Let the link give what the converter used, and take what came back."""
        step_s, cable_ohm, before_v = self._step_s, self._cable_ohm, link.link_v
        if modulates:
            used_j = output_j + lost_j
            terminal_v = max(before_v - cable_ohm * self.mean_current_a, _LEAST_LINK_V)
            current_a = (used_j + self._owed_j) / (step_s * terminal_v)
        else:
            current_a = 0.0 - self.converter.rectified_a(before_v, amplitude_a=abs(self.phases.mean_a))
        link.settle(current_a, 0.0, current_a, 0.0)
        taken_j = current_a * (link.link_v - cable_ohm * current_a) * step_s
        energy = self._energy
        energy.cable_j += cable_ohm * current_a * current_a * step_s
        if modulates:
            self._owed_j += used_j - taken_j  # the link moved while it gave: the rest is drawn in the next step
            energy.converter_j += lost_j
        else:
            energy.converter_j += taken_j - output_j + lost_j
        self.mean_current_a = current_a
        self.input_w, self.output_w = taken_j / step_s, output_j / step_s

    def _sum(self, link_v: float, *, output_j: float, square_a: float, modulates: bool) -> None:
        step_s = self._step_s
        self._output_j += output_j
        self._current_square_s += square_a / 3.0 * step_s
        amplitude_v = abs(self.phases.voltage_v)
        fundamental = 1.5 * amplitude_v * amplitude_v
        self._fundamental_square_s += fundamental * step_s
        # a line voltage of pulses is the link's or nothing: its mean square is the link's voltage times its mean
        pulsed = 2.0 / math.pi * math.sqrt(3.0) * amplitude_v * link_v
        self._line_square_s += (max(pulsed, fundamental) if modulates else fundamental) * step_s

    def _build(self, sticking: Sticking) -> tuple[Row, ...]:
        state, push = np.zeros((3, 3)), np.zeros((3, 2))
        self.rotors.fill(state, push, at=0, sticking=sticking)
        whole = held_input_step(state, push, integrals_of=(0, 1, 2), step_s=self._step_s)
        rows: list[list[float]] = whole.tolist()
        return tuple((a, b, c, d, e) for a, b, c, d, e in rows)
