"""What a channel should show of a set-point that moved: led through dead time and lags, without gain. Pure.

A regulator that compares with this instead of the set-point itself does not take a lag that is known for an error. It
is exact for a set-point that moves in straight lines from one look to the next and a dead time of whole looks.
"""

import math
from bisect import bisect_right
from collections import deque
from operator import itemgetter

from benchd.rules.regulator_tuning import Plant

LEAST_APART = 1e-4  # of two lags
LONGEST_MEMORY_S = 5.0  # of set-points; a dead time beyond it is cut there


class Expected:
    """The set-point as the plant will show it, from rest at `value`. Times are of one clock and never run backwards."""

    def __init__(self, plant: Plant, value: float, *, time_s: float) -> None:
        self._dead_s = min(plant.dead_s, LONGEST_MEMORY_S)
        self._lags = _side_by_side(0.0 if plant.integrates else plant.lag_s, plant.small_s)
        self._asked: deque[tuple[float, float]] = deque([(time_s, value)])
        self._time_s = time_s
        self._delayed = value
        self._shown = [value for _ in self._lags]

    def ask(self, value: float, *, time_s: float) -> None:
        """The set-point is this now."""
        self._asked.append((time_s, value))
        while len(self._asked) > 2 and self._asked[1][0] < time_s - LONGEST_MEMORY_S:
            self._asked.popleft()

    def at(self, time_s: float) -> float:
        """What the channel should show at this time; where a later one was asked for already, what it showed then."""
        passed_s = time_s - self._time_s
        if passed_s > 0.0:
            self._time_s = time_s
            came_in, self._delayed = self._delayed, self._then(time_s - self._dead_s)
            slope = (self._delayed - came_in) / passed_s
            for place, (lag_s, _) in enumerate(self._lags):
                # of a ramp a + s·t a lag shows a + s·(t − T) and what is left of where it was
                left = math.exp(-passed_s / lag_s) * (self._shown[place] - came_in + slope * lag_s)
                self._shown[place] = self._delayed - slope * lag_s + left
        if not self._lags:
            return self._delayed
        return math.fsum(share * value for (_, share), value in zip(self._lags, self._shown, strict=True))

    def _then(self, time_s: float) -> float:
        """The set-point at this time, in straight lines; before the first one known that one."""
        asked = self._asked
        place = bisect_right(asked, time_s, key=itemgetter(0))
        if place == 0:
            return asked[0][1]
        if place == len(asked):
            return asked[-1][1]
        (early_s, early), (late_s, late) = asked[place - 1], asked[place]
        return early + (late - early) * (time_s - early_s) / (late_s - early_s)


def _side_by_side(lag_s: float, small_s: float) -> tuple[tuple[float, float], ...]:
    """Two lags one after the other as two side by side with their shares, each solved exactly; equal ones nearly so."""
    lags_s = sorted(each for each in (lag_s, small_s) if each > 0.0)
    if len(lags_s) < 2:
        return tuple((each, 1.0) for each in lags_s)
    short_s, long_s = lags_s[0], max(lags_s[1], lags_s[0] * (1.0 + LEAST_APART))
    return (short_s, -short_s / (long_s - short_s)), (long_s, long_s / (long_s - short_s))
