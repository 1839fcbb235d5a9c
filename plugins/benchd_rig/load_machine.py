"""The load machine's drive: follows torque or speed within its bounds, with the lag of its torque loop.

Torques have the house sign: positive brakes a specimen that motors in the positive direction. The rotor itself is in
`shaft`; the device that commands it is elsewhere.
"""

import math

from benchd_rig.commands import LoadCommand
from benchd_rig.drive_loop import DriveLoop
from benchd_rig.specimen import LoadMachineModel

DRY_BEARING_NM = 0.01  # friction that a dry bearing adds


class LoadMachine:
    """State: the torque it makes now, and its loop."""

    def __init__(self, model: LoadMachineModel, *, step_s: float) -> None:
        self.torque_nm = 0.0
        self._model = model
        self._loop = DriveLoop(model, step_s=step_s)
        ratio = step_s / model.torque_lag_s
        self._stays = math.exp(-ratio)
        self._mean_stays = -math.expm1(-ratio) / ratio

    def step(self, command: LoadCommand, *, speed_rad_s: float, runs_away: bool) -> float:
        """One step of the drive at this speed; returns the mean torque over it, N·m."""
        target_nm = self._target_nm(command, speed_rad_s=speed_rad_s, runs_away=runs_away)
        missing_nm = self.torque_nm - target_nm
        self.torque_nm = target_nm + missing_nm * self._stays
        return target_nm + missing_nm * self._mean_stays

    def _target_nm(self, command: LoadCommand, *, speed_rad_s: float, runs_away: bool) -> float:
        if not command.power_stage_on:
            self._loop.let_go()
            return 0.0
        if runs_away:
            return -self._model.rated_torque_nm
        return self._loop.target_nm(
            command.mode,
            torque_nm=command.torque_nm,
            wanted_rpm=-command.speed_rpm,  # a braking torque counts positive: the loop's direction is the negative one
            speed_rad_s=-speed_rad_s,
            present_nm=self.torque_nm,
            bound_nm=min(abs(command.torque_bound_nm), self._model.peak_torque_nm),
            speed_bound_rpm=abs(command.speed_bound_rpm),
        )

    def rest(self) -> None:
        """Make a torque that is as good as gone exactly none."""
        self.torque_nm = 0.0
