"""Carry uncertainties through an evaluation by differencing it. It must never know what is being evaluated.

Law of propagation of uncertainty: JCGM 100, 5.1.2 (5.2.2 with correlation); effective degrees of freedom:
Welch-Satterthwaite, JCGM 100, G.4.1; the step of each difference is the input's own standard uncertainty (5.1.4, note).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from benchd.rules.quantities import Quantity

Floats = NDArray[np.float64]
Distribution = Literal["normal", "rectangular"]
Model = Callable[[Floats], Mapping[str, Floats]]
"""Inputs (b, m) to outputs, each (b,): b variants of the m inputs are evaluated at once."""

COVERAGE = 0.95
NEGLIGIBLE_SHARE = 1e-4  # of the standard uncertainty: a hundred-millionth of u² is arithmetic, not knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One cause of doubt about one input: its name in the budget, standard uncertainty and degrees of freedom.

    Sources of one `group` share one estimate of their size (the scatter about a fit), so that its degrees of freedom
    count once. `distribution` is what the Monte Carlo method draws from; the law of propagation needs only the size.
    """

    name: str
    input: int
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    group: str = ""
    distribution: Distribution = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlated:
    """k inputs whose doubts move together, such as means of readings taken at the same time (JCGM 100, 5.2.3).

    `covariance` (k, k) is that of the inputs themselves (of the means, not of single readings).
    """

    name: str
    inputs: tuple[int, ...]
    covariance: Floats
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """A contribution that acts on an output itself, such as a difference between two branches of a curve."""

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    distribution: Distribution = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """One output by propagation of distributions: mean, standard deviation and 95 % coverage interval of its draws."""

    value: float
    standard_uncertainty: float
    low: float
    high: float
    draws: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """One propagated number; NaN where the evaluation gives none. `drawn` where its distribution was propagated too."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float
    budget: Mapping[str, float]
    drawn: Drawn | None = None


def sensitivities(model: Model, nominal: Floats, steps: Floats) -> tuple[dict[str, float], dict[str, Floats]]:
    """Each output at `nominal` (m,), and its (m,) derivatives by central differences; a zero step gives a zero."""
    active = np.flatnonzero(steps > 0.0)
    rows = np.arange(active.size)
    inputs = np.repeat(nominal[None, :], 2 * active.size + 1, axis=0)
    inputs[1 + rows, active] += steps[active]
    inputs[1 + active.size + rows, active] -= steps[active]
    values: dict[str, float] = {}
    derivatives: dict[str, Floats] = {}
    for name, output in model(inputs).items():
        values[name] = float(output[0])
        slope = np.zeros(nominal.size)
        above, below = output[1 : 1 + active.size], output[1 + active.size :]
        slope[active] = (above - below) / (2.0 * steps[active])
        derivatives[name] = slope
    return values, derivatives


def output_covariance(derivatives: Sequence[Floats], input_covariance: Floats) -> Floats:
    """The covariance matrix (q, q) of q outputs from that of m correlated inputs (JCGM 100, 5.2.2 and H.2.3)."""
    jacobian = np.stack(list(derivatives))
    return jacobian @ input_covariance @ jacobian.T


def effective_degrees_of_freedom(shares: Floats, degrees: Floats) -> float:
    """Welch-Satterthwaite: shares are standard uncertainties in the output's unit (JCGM 100, G.4.1)."""
    total = float(np.sum(shares**2))
    weight = float(np.sum(shares**4 / degrees))
    return math.inf if weight <= 0.0 else total**2 / weight


def _summed(variances: Floats, bin_of: NDArray[np.intp], count: int) -> Floats:
    """Columns (q, s) added up by bin to (q, count); without a matrix product, whose sums depend on BLAS threads."""
    sums = np.zeros((count, variances.shape[0]))
    np.add.at(sums, bin_of, variances.T)
    return sums.T


def means_taken_together(name: str, readings: Floats, *, effective: float | None = None) -> tuple[Floats, Correlated]:
    """The means (k,) of k quantities read n times together, readings (k, n), and how their doubts hang together.

    JCGM 100, 4.2.3 and 5.2.3: covariance of the means s(x, y)/n, with n - 1 degrees of freedom. Readings that follow
    each other count as `effective` ones, where that is given. Raises `ValueError` for fewer than two readings.
    """
    k, n = readings.shape
    if n < 2:
        raise ValueError(f"{name}: a scatter needs at least 2 readings taken together, got {n}: take more readings")
    count = float(n) if effective is None else min(max(effective, 2.0), float(n))
    centred = readings - readings.mean(axis=1, keepdims=True)
    covariance = np.einsum("in,jn->ij", centred, centred) / n / (count - 1.0)
    block = Correlated(name=name, inputs=tuple(range(k)), covariance=covariance, degrees_of_freedom=count - 1.0)
    return readings.mean(axis=1), block


def propagate(
    model: Model,
    nominal: Floats,
    sources: Sequence[Source],
    additions: Mapping[str, Sequence[Addition]] | None = None,
    correlated: Sequence[Correlated] = (),
) -> dict[str, Output]:
    """Every output of `model` at `nominal` (m,) with its uncertainty, degrees of freedom and budget by source name."""
    extra = additions or {}
    sources = [s for s in sources if s.standard_uncertainty > 0.0]
    index = np.array([s.input for s in sources], dtype=np.intp)
    size = np.array([s.standard_uncertainty for s in sources], dtype=np.float64)
    steps = np.zeros(nominal.size)
    np.add.at(steps, index, size**2)
    for block in correlated:
        np.add.at(steps, np.array(block.inputs, dtype=np.intp), np.diag(block.covariance))
    values, derivatives = sensitivities(model, nominal, np.sqrt(steps))
    names = sorted({s.name for s in sources} | {block.name for block in correlated})
    bins = [s.name for s in sources] + [block.name for block in correlated]
    name_of = np.array([names.index(name) for name in bins], dtype=np.intp)
    groups: dict[str, int] = {}
    keys = [s.group or f"#{n}" for n, s in enumerate(sources)] + [f"#block {n}" for n in range(len(correlated))]
    group_of = np.array([groups.setdefault(key, len(groups)) for key in keys], np.intp)
    degrees = np.full(len(groups), math.inf)
    all_of = [s.degrees_of_freedom for s in sources] + [block.degrees_of_freedom for block in correlated]
    np.minimum.at(degrees, group_of, np.array(all_of, dtype=np.float64))
    jacobian = np.stack(list(derivatives.values()))
    variances = np.concatenate([(jacobian[:, index] * size) ** 2, _of_blocks(jacobian, correlated)], axis=1)
    by_names = _summed(variances, name_of, len(names))
    by_groups = _summed(variances, group_of, len(groups))
    outputs = {}
    for row, (output, value) in enumerate(values.items()):
        by_name = dict(zip(names, by_names[row].tolist(), strict=True))
        added = extra.get(output, ())
        for addition in added:
            by_name[addition.name] = by_name.get(addition.name, 0.0) + addition.standard_uncertainty**2
        shares = np.sqrt(np.concatenate([by_groups[row], [a.standard_uncertainty**2 for a in added]]))
        all_degrees = np.concatenate([degrees, [a.degrees_of_freedom for a in added]])
        total = math.sqrt(float(np.sum(shares**2)))
        outputs[output] = Output(
            value=value,
            standard_uncertainty=total,
            degrees_of_freedom=effective_degrees_of_freedom(shares, all_degrees),
            budget={
                name: math.sqrt(variance)
                for name, variance in by_name.items()
                if variance > (NEGLIGIBLE_SHARE * total) ** 2
            },
        )
    return outputs


def _of_blocks(jacobian: Floats, correlated: Sequence[Correlated]) -> Floats:
    """The variance (q, k) that each of k correlated blocks gives to each of q outputs."""
    columns = np.zeros((jacobian.shape[0], len(correlated)))
    for k, block in enumerate(correlated):
        rows = list(jacobian[:, np.array(block.inputs, dtype=np.intp)])
        columns[:, k] = np.maximum(np.diag(output_covariance(rows, block.covariance)), 0.0)
    return columns


def coverage_factor(degrees_of_freedom: float) -> float:
    """Student's t for 95 % (two-sided) at these degrees of freedom, at least one (JCGM 100, G.3.2)."""
    # beyond this t equals the normal quantile to more digits than anybody states
    return float(stdtrit(min(max(degrees_of_freedom, 1.0), 1e9), 0.5 + COVERAGE / 2.0))


def expanded(quantity: Quantity) -> tuple[float, float]:
    """(U, k): expanded uncertainty for 95 % in the quantity's unit, and coverage factor. NaN without a value."""
    if quantity.value is None:
        return math.nan, math.nan
    k = coverage_factor(quantity.degrees_of_freedom)
    return k * quantity.standard_uncertainty, k
