"""The specimen's converter: the current that its own loops ask for, the voltage it can give, and what it loses.

It works with what it believes of the motor, in its own frame. The motor itself, and where its currents really stand,
are in `brushless`.
"""

import math

from benchd_rig.commands import MotorDriveCommand
from benchd_rig.drive_loop import DriveLoop
from benchd_rig.pmsm import Axes
from benchd_rig.specimen import BrushlessMotor, ConverterModel

_ROOT_3 = math.sqrt(3.0)
_LEAST_LINK_V = 1.0
_VOLTAGE_MARGIN = 0.97  # share of the voltage that set-points use; the rest is for the loop and for wrong beliefs
_HALVINGS = 14
_RECTIFIED = 2.0 / math.pi  # mean of a rectified sine, beside its amplitude


class Converter:
    """State: its speed loop and the torque it last asked for."""

    def __init__(self, model: ConverterModel, motor: BrushlessMotor, *, step_s: float) -> None:
        self.believed = Axes(
            pole_pairs=motor.pole_pairs,
            resistance_ohm=motor.resistance_ohm,
            d_inductance_h=model.believed_d_inductance_h,
            q_inductance_h=model.believed_q_inductance_h,
            flux_v_s=model.believed_flux_v_s,
        )
        self.stays = math.exp(-step_s / model.current_lag_s)  # share of a current error that is left after a step
        self._model = model
        self._loop = DriveLoop(model, step_s=step_s)
        best_a = self.believed.best_current_a(model.current_limit_a, positive=True)
        self._peak_nm = self.believed.torque_nm(best_a)
        self._torque_nm = 0.0
        self._asked = (0.0, 0.0j)  # the last torque and the current for it

    def most_v(self, link_v: float) -> float:
        """Greatest phase voltage, peak of the fundamental, that it can make from this link (inscribed circle)."""
        return max(link_v - 2.0 * self._model.threshold_v, 0.0) / _ROOT_3

    def set_point_a(self, command: MotorDriveCommand, *, speed_rad_s: float, link_v: float) -> complex | None:
        """The current it wants, in its own frame; None while its power stage blocks."""
        if not command.power_stage_on or link_v < max(self._model.least_link_v, _LEAST_LINK_V):
            self._loop.let_go()
            self._torque_nm = 0.0
            return None
        self._torque_nm = self._loop.target_nm(
            command.mode,
            torque_nm=command.torque_nm,
            wanted_rpm=command.speed_rpm,
            speed_rad_s=speed_rad_s,
            present_nm=self._torque_nm,
            bound_nm=min(abs(command.torque_bound_nm), self._peak_nm),
            speed_bound_rpm=abs(command.speed_bound_rpm),
        )
        asked_nm, current_a = self._asked
        if asked_nm != self._torque_nm:
            current_a = self.believed.least_current_a(self._torque_nm, limit_a=self._model.current_limit_a)
            self._asked = (self._torque_nm, current_a)
        electrical_rad_s = speed_rad_s * self.believed.pole_pairs
        return self._weakened(current_a, electrical_rad_s, _VOLTAGE_MARGIN * self.most_v(link_v))

    def loss_w(self, amplitude_a: float, *, link_v: float) -> float:
        """Conduction and switching losses of all three legs at this current, and the electronics."""
        model = self._model
        mean_a = _RECTIFIED * amplitude_a
        return (
            3.0 * mean_a * (model.threshold_v + link_v * model.switching_s * model.carrier_hz)
            + 1.5 * model.on_ohm * amplitude_a * amplitude_a
            + model.idle_w
        )

    def ripple_a(self, *, link_v: float) -> float:
        """Ripple current of the carrier, rms of a phase, while it modulates."""
        return self._model.ripple_share * link_v / (self.believed.d_inductance_h * self._model.carrier_hz)

    def rectified_v(self, link_v: float, *, amplitude_a: float) -> float:
        """Peak of the phase voltage's fundamental that the diodes hold against while they conduct this current.

        From 1/√3 of the DC side, where a line voltage just reaches it, to 2/π, where each phase conducts all the time.
        """
        share = amplitude_a / (amplitude_a + 0.05 * self._model.current_limit_a)
        return (link_v + 2.0 * self._model.diode_v) * ((1.0 - share) / _ROOT_3 + share * _RECTIFIED)

    def rectified_a(self, link_v: float, *, amplitude_a: float) -> float:
        """Current that the diodes send into the link."""
        volt = self.rectified_v(link_v, amplitude_a=amplitude_a)
        return 1.5 * volt * amplitude_a / (link_v + 2.0 * self._model.diode_v)

    def _weakened(self, current_a: complex, electrical_rad_s: float, most_v: float) -> complex:
        """The current, its field weakened as far as the voltage wants, its torque given up where that is not enough."""
        believed = self.believed
        if abs(believed.voltage_v(current_a, electrical_rad_s=electrical_rad_s)) <= most_v:
            return current_a
        torque_nm, limit_a = believed.torque_nm(current_a), self._model.current_limit_a
        saliency_h = believed.q_inductance_h - believed.d_inductance_h
        per_amp = 1.5 * believed.pole_pairs

        def at(d_a: float) -> complex:
            q_a = torque_nm / (per_amp * (believed.flux_v_s - saliency_h * d_a))
            most_a = math.sqrt(max(limit_a * limit_a - d_a * d_a, 0.0))
            return complex(d_a, min(max(q_a, -most_a), most_a))

        short_d_a, long_d_a = current_a.real, -min(0.98 * limit_a, believed.flux_v_s / believed.d_inductance_h)
        weakest_a = at(long_d_a)
        if abs(believed.voltage_v(weakest_a, electrical_rad_s=electrical_rad_s)) > most_v:
            fits, exceeds = 0.0, 1.0
            for _ in range(_HALVINGS):
                share = 0.5 * (fits + exceeds)
                trial_a = complex(long_d_a, share * weakest_a.imag)
                if abs(believed.voltage_v(trial_a, electrical_rad_s=electrical_rad_s)) > most_v:
                    exceeds = share
                else:
                    fits = share
            return complex(long_d_a, fits * weakest_a.imag)
        for _ in range(_HALVINGS):
            middle_a = 0.5 * (short_d_a + long_d_a)
            if abs(believed.voltage_v(at(middle_a), electrical_rad_s=electrical_rad_s)) > most_v:
                short_d_a = middle_a
            else:
                long_d_a = middle_a
        return at(long_d_a)
