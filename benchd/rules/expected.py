"""What a channel should show of a set-point that moved: led through dead time and lags, without gain. Pure.

A regulator that compares with this instead of the set-point itself does not take a lag that is known for an error. It
is exact for a set-point that moves in straight lines from one look to the next.
"""

import math
from bisect import bisect_right
from collections import deque
from operator import itemgetter

from benchd.rules.regulator_tuning import Plant

LONGEST_MEMORY_S = 5.0  # of set-points; a dead time beyond it is cut there


class Expected:
    """The set-point as the plant will show it, from rest at `value`. Times are of one clock and never run backwards."""

    def __init__(self, plant: Plant, value: float, *, time_s: float) -> None:
        self._dead_s = min(plant.dead_s, LONGEST_MEMORY_S)
        self._lags_s = tuple(lag_s for lag_s in (0.0 if plant.integrates else plant.lag_s, plant.small_s) if lag_s > 0)
        self._asked: deque[tuple[float, float]] = deque([(time_s, value)])
        self._time_s = time_s
        self._delayed = value
        self._through = [value for _ in self._lags_s]
        self._before = [value for _ in self._lags_s]  # of each lag, what it was given last

    def ask(self, value: float, *, time_s: float) -> None:
        """The set-point is this now."""
        self._asked.append((time_s, value))
        while len(self._asked) > 2 and self._asked[1][0] < time_s - LONGEST_MEMORY_S:
            self._asked.popleft()

    def at(self, time_s: float) -> float:
        """What the channel should show at this time; not before the last time that was asked for."""
        passed_s = time_s - self._time_s
        if passed_s <= 0.0:
            return self._through[-1] if self._through else self._delayed
        self._time_s = time_s
        goes_in = self._delayed = self._then(time_s - self._dead_s)
        for place, lag_s in enumerate(self._lags_s):
            came_in, self._before[place] = self._before[place], goes_in
            slope = (goes_in - came_in) / passed_s
            stays = math.exp(-passed_s / lag_s)
            # of a ramp x(t) = a + s·t a lag shows x(t) − s·T and what is left of where it was
            shows = goes_in - slope * lag_s + stays * (self._through[place] - came_in + slope * lag_s)
            self._through[place] = goes_in = shows
        return goes_in

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
