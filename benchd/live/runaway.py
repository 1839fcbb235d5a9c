"""Tells whether a shaft that is being let go runs away: backwards, or faster than before. It takes nothing away.

Whatever a drive confirms, a shaft that gains speed is given energy by a machine that should give none.
"""

import math
from collections.abc import Callable

SWING_RATIO = 0.1  # of the run's speed: a drive that is told to hold standstill overshoots by less
SWING_STANDSTILLS = 20.0  # and by less than the standstill speed so many times, where no run tells a speed
UNBRAKED_STANDSTILLS = 5.0  # where nothing is told to brake, a shaft that coasts swings by nothing
AHEAD_S = 0.03  # what a reading's age and the chain take together; a light rotor changes by 600 r/min meanwhile
SHORTEST_S = 0.005  # between two readings: a slope over less is noise


class Runaway:
    """One shaft from the moment at which its stop begins.

    `speed` gives its signed speed in r/min and when that was taken, NaN when not believed. `braked` says whether a
    drive has taken the order to hold standstill. Until it has, what a shaft that began at speed is going to do counts
    as done: only a machine that should have let go can stop it that fast. One that began slower than a drive's own
    overshoot swings through standstill as steeply in every ordinary stop, and is judged by what it did.
    """

    def __init__(
        self,
        speed: Callable[[], tuple[float, float]],
        *,
        bound_rpm: float,
        standstill_rpm: float,
        braked: Callable[[], bool],
    ) -> None:
        self._speed = speed
        self._faster_rpm = max(SWING_RATIO * bound_rpm, SWING_STANDSTILLS * standstill_rpm)
        self._unbraked_rpm = UNBRAKED_STANDSTILLS * standstill_rpm
        self._braked = braked
        self._began_rpm, self._began_s = speed()
        self._last_rpm = self._last_s = math.nan  # until one is taken after the stop began
        self._slope_rpm_per_s = 0.0

    def sentence(self) -> str | None:
        """What the shaft does that it should not, or None; None too where no speed is believed."""
        now_rpm, taken_s = self._speed()
        if math.isnan(self._began_rpm):
            self._began_rpm = now_rpm
        if taken_s != self._began_s and not taken_s - self._last_s < SHORTEST_S:  # also the one after a gap
            slope_rpm_per_s = (now_rpm - self._last_rpm) / (taken_s - self._last_s)
            self._slope_rpm_per_s = 0.0 if math.isnan(slope_rpm_per_s) else slope_rpm_per_s
            self._last_rpm, self._last_s = now_rpm, taken_s
        way = math.copysign(1.0, self._began_rpm)
        began_rpm, forwards_rpm = abs(self._began_rpm), now_rpm * way
        looks_ahead = not self._braked() and began_rpm > self._faster_rpm
        ahead_s, backwards_rpm = (AHEAD_S, self._unbraked_rpm) if looks_ahead else (0.0, self._faster_rpm)
        if forwards_rpm > began_rpm + self._faster_rpm:
            what = "sped up"
        elif forwards_rpm + self._slope_rpm_per_s * way * ahead_s < -backwards_rpm:
            what = "was driven backwards"
        else:
            return None
        return f"The shaft {what} while it was let go: from {self._began_rpm:.0f} to {now_rpm:.0f} r/min."
