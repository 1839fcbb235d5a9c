"""Read a bent curve between its points: a parabola through all of them, and what is left of it locally.

It must never reach beyond the points. Losses and currents bend over torque, so that a chord between two points lies
above them; the parabola follows the bend and the chord of its residuals keeps what the neighbouring points say.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.fits import SAME_LEVEL_SHARE, least_squares, levels_near, local_line

Floats = NDArray[np.float64]

DOUBTED_SHARE_OF_BEND = 0.5  # half width: a parabola may miss this much of what it adds to the chord


def distinct_levels(x: Floats) -> int:
    """How many levels the points (n,) have; up and down visits of one level count once."""
    if not x.size:
        return 0
    ordered = np.sort(x)
    return 1 + int((np.diff(ordered) > SAME_LEVEL_SHARE * max(float(np.ptp(x)), 1e-300)).sum())


def parabola(x: Floats, y: Floats) -> Floats:
    """Coefficients (b, 3) of y = a + b·x + c·x² by least squares, both (b, n)."""
    return least_squares(np.stack([np.ones_like(x), x, x**2], axis=-1), y)


def on(coefficients: Floats, x: Floats | float) -> Floats:
    """The parabolas' values at x, (b,) or (b, n)."""
    a, b, c = (coefficients[:, i] for i in range(3))
    if isinstance(x, np.ndarray) and x.ndim == 2:
        a, b, c = a[:, None], b[:, None], c[:, None]
    return np.asarray(a + b * x + c * x * x, dtype=np.float64)


class Reading:
    """Which points a value at `target` is read from: its neighbours, and all of them for the bend."""

    def __init__(self, x: Floats, which: NDArray[np.intp], target: float) -> None:
        """`x` (n,) at the points numbered `which`; raises `ValueError` where they do not reach the target."""
        near = levels_near(x, target)
        if near is None:
            raise ValueError(f"the settled points do not reach {target:g} on both sides")
        self.target = target
        self.which = which
        self.near = which[near]
        self.bends = distinct_levels(x) >= 4

    def line(self, x: Floats, y: Floats) -> Floats:
        """Value (b,) of y at the target on the chord between the neighbouring levels; x and y (b, n) of all points."""
        return local_line(x[:, self.near], y[:, self.near], self.target)

    def curve(self, x: Floats, y: Floats) -> Floats:
        """Value (b,) of y at the target: the parabola through all points, plus the chord of what it leaves."""
        if not self.bends:
            return self.line(x, y)
        fit = parabola(x[:, self.which], y[:, self.which])
        left = y[:, self.near] - on(fit, x[:, self.near])
        return np.asarray(on(fit, self.target) + local_line(x[:, self.near], left, self.target))

    def doubt(self, x: Floats, y: Floats) -> float:
        """Standard uncertainty of reading between the points, from nominal x and y (1, n)."""
        chord = float(self.line(x, y)[0])
        if self.bends:
            return DOUBTED_SHARE_OF_BEND * abs(float(self.curve(x, y)[0]) - chord) / math.sqrt(3.0)
        inner = x[0, self.near]
        # with two or three levels nothing shows the bend: a tenth of what the chord rises by, away from its ends
        span = float(np.ptp(inner))
        inside = (self.target - float(inner.min())) * (float(inner.max()) - self.target) / span**2 if span else 0.0
        return 0.4 * max(inside, 0.0) * float(np.ptp(y[0, self.near])) / math.sqrt(3.0)


def widest_gap(
    x: Floats, y: Floats, up: NDArray[np.intp], down: NDArray[np.intp]
) -> tuple[int, NDArray[np.intp]] | None:
    """The point of the way up whose y differs most from the way down at equal x, and the points down beside it.

    x and y (n,) of the whole table; `up` and `down` number its points. None where the ways do not overlap.
    """
    widest: tuple[int, NDArray[np.intp]] | None = None
    gap = -1.0
    for i in up.tolist() if down.size >= 2 else ():
        near = levels_near(x[down], float(x[i]))
        if near is None:
            continue
        beside = down[near]
        there = local_line(x[None, beside], y[None, beside], float(x[i]))[0]
        if abs(there - y[i]) > gap:
            widest, gap = (i, beside), abs(float(there - y[i]))
    return widest


def mean_difference(values: Sequence[float]) -> float:
    """Half the distance of two branches as a rectangular standard uncertainty."""
    return 0.5 * float(np.ptp(np.array(values))) / math.sqrt(3.0)
