"""Straight lines and linear least squares, one or many at once. It must never choose the points it is given by hand."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SAME_LEVEL_SHARE = 0.02  # up and down visits of one level lie closer than this share of the whole span
BEYOND_SHARE = 0.03  # how far beyond the last point a local line may reach, as a share of the level asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """y = intercept + slope · (x - reference), with uncertainties from the scatter about the line (JCGM 100, H.3)."""

    intercept: float
    slope: float
    intercept_uncertainty: float
    slope_uncertainty: float
    correlation: float
    scatter: float  # standard deviation about the line, in the unit of y
    degrees_of_freedom: float
    reference: float

    def at(self, x: float) -> tuple[float, float]:
        """The value at x and its standard uncertainty, with the correlation of the two parameters (H.3.4)."""
        d = x - self.reference
        covariance = self.correlation * self.intercept_uncertainty * self.slope_uncertainty
        variance = self.intercept_uncertainty**2 + (d * self.slope_uncertainty) ** 2 + 2.0 * d * covariance
        return self.intercept + self.slope * d, math.sqrt(max(variance, 0.0))


def straight_line(x: Floats, y: Floats, *, reference: float = 0.0) -> Line:
    """The least-squares line through n > 2 points, all of one weight (JCGM 100, H.3.2 and H.3.3)."""
    n = x.size
    if n < 3:
        raise ValueError(f"a line with uncertainty needs at least 3 points, got {n}: give more points")
    d = x - reference
    sum_d, sum_dd = float(d.sum()), float(d @ d)
    determinant = n * sum_dd - sum_d**2
    slope = (n * float(d @ y) - sum_d * float(y.sum())) / determinant
    intercept = (float(y.sum()) - slope * sum_d) / n
    residuals = y - intercept - slope * d
    scatter = math.sqrt(float(residuals @ residuals) / (n - 2))
    return Line(
        intercept=intercept,
        slope=slope,
        intercept_uncertainty=scatter * math.sqrt(sum_dd / determinant),
        slope_uncertainty=scatter * math.sqrt(n / determinant),
        correlation=-sum_d / math.sqrt(n * sum_dd),
        scatter=scatter,
        degrees_of_freedom=float(n - 2),
        reference=reference,
    )


def least_squares(columns: Floats, y: Floats) -> Floats:
    """Parameters (b, p) of y (b, n) = columns (b, n, p) · parameters, by orthogonalisation, all b at once.

    Gram-Schmidt in its modified form with y as the last column, each column freed of the others twice: as good as an
    orthogonal factorisation for a handful of parameters, and several times as fast for thousands of small fits. No
    number comes out where one column is another's multiple.
    """
    count = columns.shape[-1]
    scale = np.sqrt(np.mean(columns**2, axis=(0, 1)))  # volts, amperes and ones: keep the triangle well conditioned
    q: list[Floats] = []
    r = np.zeros((count, count + 1, y.shape[0]))
    for j in range(count):
        column = columns[..., j] / scale[j]
        for _ in range(2):
            column = _freed(column, q, r[:, j])
        r[j, j] = np.sqrt(np.einsum("bn,bn->b", column, column))
        with np.errstate(divide="ignore", invalid="ignore"):
            q.append(column / r[j, j][:, None])
    _freed(y, q, r[:, count])
    solution = np.empty((y.shape[0], count))
    for j in reversed(range(count)):
        rest = r[j, count] - np.einsum("kb,bk->b", r[j, j + 1 : count], solution[:, j + 1 :])
        with np.errstate(divide="ignore", invalid="ignore"):
            solution[:, j] = rest / r[j, j]
    return np.asarray(solution / scale, dtype=np.float64)


def _freed(column: Floats, q: Sequence[Floats], shares: Floats) -> Floats:
    """The column (b, n) without its parts along each of q; the parts are added to `shares` (p, b)."""
    for i, unit in enumerate(q):
        part = np.einsum("bn,bn->b", unit, column)
        shares[i] += part
        column = column - part[:, None] * unit
    return column


def levels_near(x: Floats, target: float) -> NDArray[np.intp] | None:
    """Which points (n,) a local line at `target` should use: the two nearest distinct levels, all visits of each.

    None where the points do not reach the target or form only one level.
    """
    span = float(np.ptp(x)) if x.size else 0.0
    if span <= 0.0:
        return None
    beyond = BEYOND_SHARE * abs(target)
    if target < float(x.min()) - beyond or target > float(x.max()) + beyond:
        return None
    order = np.argsort(x, kind="stable")
    starts_level = np.diff(x[order], prepend=-np.inf) > SAME_LEVEL_SHARE * span
    level = np.empty(x.size, dtype=np.intp)
    level[order] = np.cumsum(starts_level) - 1
    centres = np.bincount(level, x) / np.bincount(level)
    if centres.size < 2:
        return None
    above = int(np.clip(np.searchsorted(centres, target), 1, centres.size - 1))
    return np.flatnonzero((level == above) | (level == above - 1))


def local_line(x: Floats, y: Floats, target: Floats | float) -> Floats:
    """The value (b,) at `target` of the line through x, y, both (b, k)."""
    mean_x, mean_y = x.mean(axis=1), y.mean(axis=1)
    d = x - mean_x[:, None]
    slope = np.sum(d * (y - mean_y[:, None]), axis=1) / np.sum(d * d, axis=1)
    return np.asarray(mean_y + slope * (target - mean_x), dtype=np.float64)
