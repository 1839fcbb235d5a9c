"""What a channel does after a set-point, from both as they went: gain, lag, dead time, each with its doubt. Pure.

The model is gain·e^(−dead·s)/(1 + lag·s) with an offset and a steady drift beside it, fitted by least squares: gain,
offset and drift follow directly for each lag and dead time, and those two are searched. The set-point is the one that
was really in force, with its slopes, so that a step need not be steeper than the bench lets it be.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from benchd.rules.regulator_tuning import Plant

Array = NDArray[np.float64]

LEAST_READINGS = 50
LEAST_EXPLAINED = 0.97  # of the readings' variance without drift
LEAST_ANSWER = 6.0  # of the whole answer, in standard deviations of what the model leaves
MOST_BENT = 0.04  # a level's mean may be so much of the whole answer off the straight line
WORTH_COMPENSATING = 2.0  # a lag above so many of what is late besides; below it, it counts as late itself
_STARTS = (0.02, 0.1, 0.4)  # of the longest time, for the search


class NotIdentified(Exception):
    """The readings do not tell what the channel does; one sentence says why and where to look."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """A set-point and the channel that follows it, on one clock in s.

    `set_point` is in force from `set_s` on until the next; `reading` was taken at `read_s`. Both times rise.
    """

    what: str  # for sentences, such as "shaft_torque after the load drive's torque"
    set_s: Sequence[float]
    set_point: Sequence[float]
    read_s: Sequence[float]
    reading: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A value with its standard uncertainty."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified:
    """The fit. `left` is the standard deviation of what it does not explain, in the channel's unit."""

    gain: Fitted
    lag_s: Fitted
    dead_s: Fitted
    explained_ratio: float
    left: float
    readings: int


def identify(response: Response, *, expected_gain: float, gain_tolerance: float, longest_s: float = 1.0) -> Identified:
    """The channel's gain, lag and dead time.

    `expected_gain` is what the gain must be within `gain_tolerance` (a ratio): 1 where set-point and channel are the
    same quantity. A lag or dead time beyond `longest_s` is not looked for. Raises `NotIdentified`.
    """
    set_s, set_point, read_s, reading = (
        np.asarray(one, np.float64) for one in (response.set_s, response.set_point, response.read_s, response.reading)
    )
    swing = float(np.ptp(set_point)) if set_point.size else 0.0
    if reading.size < LEAST_READINGS or not all(np.isfinite(one).all() for one in (set_s, set_point, read_s, reading)):
        raise NotIdentified(
            f"{response.what}: there are {reading.size} good readings where {LEAST_READINGS} are needed: look at the "
            "channel's sensor and poll rate."
        )
    if swing == 0.0:
        raise NotIdentified(f"{response.what}: the set-point never moved: look whether a limit holds it back.")
    knots = _knots(set_s, set_point)
    began_s = float(read_s[0])

    def parts(times: Array) -> Array:
        """Columns that gain, offset and drift multiply."""
        lagged = _lagged(knots, read_s - times[1], lag_s=float(times[0]))
        return np.column_stack((lagged, np.ones_like(read_s), read_s - began_s))

    def left_over(times: Array) -> Array:
        columns = parts(times)
        return np.asarray(reading - columns @ np.linalg.lstsq(columns, reading, rcond=None)[0])

    times = _searched(left_over, longest_s)
    columns = parts(times)
    gain, _, drift = (float(one) for one in np.linalg.lstsq(columns, reading, rcond=None)[0])
    left = left_over(times)
    spread = float(np.std(left, ddof=5))
    undrifted = reading - drift * columns[:, 2]
    explained = 1.0 - float(np.var(left)) / float(np.var(undrifted)) if np.var(undrifted) > 0.0 else 0.0
    answer = abs(gain) * swing
    if answer < LEAST_ANSWER * spread and explained < LEAST_EXPLAINED:
        raise NotIdentified(
            f"{response.what}: the channel hardly answers (by {answer:.3g} in a scatter of {spread:.3g}): look at the "
            "coupling, the sensor and its noise."
        )
    _judge(
        response.what,
        gain,
        times,
        explained,
        expected_gain=expected_gain,
        tolerance=gain_tolerance,
        longest_s=longest_s,
    )
    _straight(response.what, set_s, set_point, read_s - float(times.sum()), left, answer=answer)
    doubts = _doubts(parts, times, gain, left)
    return Identified(
        gain=Fitted(value=gain, standard_uncertainty=doubts[0]),
        lag_s=Fitted(value=float(times[0]), standard_uncertainty=doubts[1]),
        dead_s=Fitted(value=float(times[1]), standard_uncertainty=doubts[2]),
        explained_ratio=explained,
        left=spread,
        readings=int(reading.size),
    )


def plant_of(found: Identified, *, seen_late_s: float) -> Plant:
    """The plant up to the moment at which a reading is taken; a regulator sees it `seen_late_s` later.

    A lag that is hardly longer than what is late anyway is not worth compensating and counts as small.
    """
    lag_s, dead_s = found.lag_s.value, found.dead_s.value
    if lag_s > WORTH_COMPENSATING * (dead_s + seen_late_s):
        return Plant(gain=found.gain.value, lag_s=lag_s, dead_s=dead_s)
    return Plant(gain=found.gain.value, lag_s=0.0, small_s=lag_s, dead_s=dead_s)


# --- the model


def _knots(set_s: Array, set_point: Array) -> tuple[Array, Array]:
    """The set-point as straight lines: a value that is held stands in the middle of its time."""
    held_s = np.diff(set_s)
    middle = set_s + 0.5 * np.append(held_s, held_s[-1:] if held_s.size else 0.0)
    bends = np.ones(set_point.size, bool)
    bends[1:-1] = (set_point[1:-1] != set_point[:-2]) | (set_point[1:-1] != set_point[2:])
    return middle[bends], set_point[bends]


def _lagged(knots: tuple[Array, Array], at_s: Array, *, lag_s: float) -> Array:
    """What a first-order lag makes of straight lines, exactly; it has come to rest before the first of them."""
    knot_s, value = knots
    line = np.interp(at_s, knot_s, value)
    if lag_s <= 0.0:
        return np.asarray(line)
    slope = np.append(np.diff(value) / np.diff(knot_s), 0.0)
    stays = np.exp(-np.diff(knot_s) / lag_s)
    behind = np.zeros(value.size)  # by how much the lagged value is ahead of the line, at each knot
    for number, (one, steep) in enumerate(zip(stays.tolist(), (slope * lag_s).tolist(), strict=False)):
        behind[number + 1] = (behind[number] + steep) * one - steep
    place = np.clip(np.searchsorted(knot_s, at_s, side="right") - 1, 0, value.size - 1)
    since_s = np.maximum(at_s - knot_s[place], 0.0)
    steep = np.where(at_s < knot_s[0], 0.0, slope[place] * lag_s)
    return np.asarray(line + (behind[place] + steep) * np.exp(-since_s / lag_s) - steep)


def _searched(left_over: Callable[[Array], Array], longest_s: float) -> Array:
    """Lag and dead time that leave the least over, from several beginnings."""
    best: tuple[float, Array] | None = None
    for lag in _STARTS:
        for dead in _STARTS:
            found = least_squares(
                left_over,
                np.array([lag * longest_s, dead * longest_s]),
                bounds=(0.0, longest_s),
                x_scale=0.05 * longest_s,
                diff_step=np.array([1e-3, 1e-3]),
                xtol=1e-8,
            )
            if best is None or found.cost < best[0]:
                best = float(found.cost), np.asarray(found.x, np.float64)
    assert best is not None  # noqa: S101 - there are starts
    return best[1]


# --- what speaks against it


def _judge(
    what: str,
    gain: float,
    times: Array,
    explained: float,
    *,
    expected_gain: float,
    tolerance: float,
    longest_s: float,
) -> None:
    if gain * expected_gain < 0.0:
        raise NotIdentified(
            f"{what}: the channel falls where it should rise: look at the signs of sensor and drive in the bench file."
        )
    if float(times.max()) >= 0.98 * longest_s:
        raise NotIdentified(
            f"{what}: it answers later than the {longest_s:g} s that are looked at: such a channel is not held by an "
            "outer loop here."
        )
    if explained < LEAST_EXPLAINED:
        raise NotIdentified(
            f"{what}: a gain, a lag and a dead time explain {100.0 * explained:.0f} % of what the channel did and "
            f"{100.0 * LEAST_EXPLAINED:.0f} % are needed: look at noise, resonances and what else acts on the shaft."
        )
    if abs(gain / expected_gain - 1.0) > tolerance:
        raise NotIdentified(
            f"{what}: the gain is {gain:.4g} where {expected_gain:.4g} ± {100.0 * tolerance:.0f} % belongs: look at "
            "scales, the torque limit in force and slip."
        )


def _straight(what: str, set_s: Array, set_point: Array, at_s: Array, left: Array, *, answer: float) -> None:
    """Refuses a channel whose levels do not lie on one straight line: something saturates, sticks or has play."""
    place = np.clip(np.searchsorted(set_s, at_s, side="right") - 1, 0, set_s.size - 1)
    new = np.flatnonzero(np.diff(set_point, prepend=np.inf) != 0.0)
    changed_s = set_s[new[np.searchsorted(new, place, side="right") - 1]]
    level = np.round((set_point[place] - set_point.min()) / (np.ptp(set_point) / 8.0)).astype(int)
    for one in np.unique(level):
        rests = (level == one) & (at_s - changed_s > 0.2)
        if np.count_nonzero(rests) >= LEAST_READINGS // 5:
            off = float(np.mean(left[rests]))
            if abs(off) > MOST_BENT * answer:
                raise NotIdentified(
                    f"{what}: at one of its levels the channel is {100.0 * abs(off) / answer:.0f} % of the step off "
                    "the straight line: look for a limit that holds it back, for sticking and for play."
                )


def _doubts(parts: Callable[[Array], Array], times: Array, gain: float, left: Array) -> tuple[float, float, float]:
    """Standard uncertainties of gain, lag and dead time: linearised, widened for what scatters in runs."""
    columns = parts(times)
    step_s = 1e-4
    lag = gain * (parts(times + np.array([step_s, 0.0]))[:, 0] - columns[:, 0]) / step_s
    dead = gain * (parts(times + np.array([0.0, step_s]))[:, 0] - columns[:, 0]) / step_s
    jacobian = np.column_stack((columns, lag, dead))
    size = np.linalg.norm(jacobian, axis=0)
    normal = np.linalg.pinv((jacobian / size).T @ (jacobian / size))
    spread = float(np.var(left, ddof=5)) * _runs(left)
    gained, lagged, died = (
        math.sqrt(max(0.0, spread * float(normal[one, one]))) / float(size[one]) for one in (0, 3, 4)
    )
    return gained, lagged, died


def _runs(left: Array) -> float:
    """How many readings count as one, because what is left goes on from reading to reading (at least 1)."""
    centred = left - left.mean()
    power = float(centred @ centred)
    together = 1.0
    for lag in range(1, left.size // 4):
        alike = float(centred[lag:] @ centred[:-lag]) / power if power > 0.0 else 0.0
        if alike <= 0.0:
            break
        together += 2.0 * alike
    return together
