"""The load machine's drive: follows torque or speed within its bounds, with the lag of its torque loop.

Torques have the house sign: positive brakes a specimen that motors in the positive direction. The rotor itself is in
`shaft`; the device that commands it is elsewhere.
"""

import math

from benchd_rig.commands import LoadCommand
from benchd_rig.specimen import LoadMachineModel

DRY_BEARING_NM = 0.01  # friction that a dry bearing adds
_RAD_S_PER_RPM = math.pi / 30.0


class LoadMachine:
    """State: the torque it makes now and the speed loop's memory."""

    def __init__(self, model: LoadMachineModel, *, step_s: float) -> None:
        self.torque_nm = 0.0
        self._model = model
        self._step_s = step_s
        self._memory_nm = 0.0
        ratio = step_s / model.torque_lag_s
        self._stays = math.exp(-ratio)
        self._mean_stays = -math.expm1(-ratio) / ratio
        self._follows_speed = False

    def step(self, command: LoadCommand, *, speed_rad_s: float, runs_away: bool) -> float:
        """One step of the drive at this speed; returns the mean torque over it, N·m."""
        target_nm = self._target_nm(command, speed_rad_s=speed_rad_s, runs_away=runs_away)
        missing_nm = self.torque_nm - target_nm
        self.torque_nm = target_nm + missing_nm * self._stays
        return target_nm + missing_nm * self._mean_stays

    def _target_nm(self, command: LoadCommand, *, speed_rad_s: float, runs_away: bool) -> float:
        model = self._model
        if not command.power_stage_on:
            self._follows_speed = False
            return 0.0
        if runs_away:
            return -model.rated_torque_nm
        bound_nm = min(abs(command.torque_bound_nm), model.peak_torque_nm)
        bound_rad_s = abs(command.speed_bound_rpm) * _RAD_S_PER_RPM
        gain = model.speed_gain_nm_s
        if command.mode == "torque":
            self._follows_speed = False
            # beyond the speed bound it no longer drives, and brakes the more the further beyond
            target_nm = min(command.torque_nm, gain * (bound_rad_s + speed_rad_s))
            target_nm = max(target_nm, gain * (speed_rad_s - bound_rad_s))
            return min(max(target_nm, -bound_nm), bound_nm)
        if not self._follows_speed:
            self._follows_speed = True
            self._memory_nm = self.torque_nm
        wanted_rad_s = min(max(command.speed_rpm * _RAD_S_PER_RPM, -bound_rad_s), bound_rad_s)
        error_rad_s = speed_rad_s - wanted_rad_s
        target_nm = gain * error_rad_s + self._memory_nm
        limited_nm = min(max(target_nm, -bound_nm), bound_nm)
        if limited_nm == target_nm or (target_nm > limited_nm) != (error_rad_s > 0.0):
            self._memory_nm += gain * error_rad_s * self._step_s / model.speed_reset_s
        return limited_nm

    def rest(self) -> None:
        """Make a torque that is as good as gone exactly none."""
        self.torque_nm = 0.0
