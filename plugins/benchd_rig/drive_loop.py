"""What a drive asks of its torque loop: the commanded torque within a speed bound, or what its speed loop wants.

Torque and speed count positive in one direction, whichever the caller takes. It must never know a machine.
"""

import math
from typing import Literal, Protocol

_RAD_S_PER_RPM = math.pi / 30.0


class Gains(Protocol):
    """A speed loop's settings."""

    @property
    def speed_gain_nm_s(self) -> float:
        """Newton metre per rad/s."""

    @property
    def speed_reset_s(self) -> float:
        """Integral time."""


class DriveLoop:
    """State: whether it follows a speed, and the speed loop's memory."""

    def __init__(self, gains: Gains, *, step_s: float) -> None:
        self._gain = gains.speed_gain_nm_s
        self._reset = gains.speed_gain_nm_s * step_s / gains.speed_reset_s
        self._memory_nm = 0.0
        self._follows_speed = False

    def let_go(self) -> None:
        """The power stage is off: forget the speed loop's memory."""
        self._follows_speed = False

    def target_nm(
        self,
        mode: Literal["torque", "speed"],
        *,
        torque_nm: float,
        wanted_rpm: float,
        speed_rad_s: float,
        present_nm: float,
        bound_nm: float,
        speed_bound_rpm: float,
    ) -> float:
        """The torque to make now; a speed loop that takes over starts from the torque that is made at present."""
        bound_rad_s, gain = speed_bound_rpm * _RAD_S_PER_RPM, self._gain
        if mode == "torque":
            self._follows_speed = False
            # beyond the speed bound it no longer drives, and brakes the more the further beyond
            target_nm = min(torque_nm, gain * (bound_rad_s - speed_rad_s))
            target_nm = max(target_nm, -gain * (speed_rad_s + bound_rad_s))
            return min(max(target_nm, -bound_nm), bound_nm)
        if not self._follows_speed:
            self._follows_speed = True
            self._memory_nm = present_nm
        error_rad_s = min(max(wanted_rpm * _RAD_S_PER_RPM, -bound_rad_s), bound_rad_s) - speed_rad_s
        target_nm = gain * error_rad_s + self._memory_nm
        limited_nm = min(max(target_nm, -bound_nm), bound_nm)
        if limited_nm == target_nm or (target_nm > limited_nm) != (error_rad_s > 0.0):
            self._memory_nm += self._reset * error_rad_s
        return limited_nm
