"""Propagate distributions through an evaluation by drawing from them. It must never know what is being evaluated.

JCGM 101: the same models and sources as `propagation`; a normal contribution of finite degrees of freedom is drawn from
a scaled and shifted t (6.4.9), a rectangular one from its limits (6.4.2), with inexact limits where its degrees of
freedom are finite (6.4.3), and inputs that hang together from a multivariate normal (6.4.8) or t. Memory stays bounded
whatever the number of draws; one seed gives one result.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.propagation import (
    COVERAGE,
    Addition,
    Correlated,
    Distribution,
    Drawn,
    Model,
    Output,
    Source,
    propagate,
)

Floats = NDArray[np.float64]
Kind = Literal["symmetric", "shortest"]

# An end of the interval then scatters by 1.9 % of the standard uncertainty: within the tolerance that JCGM 101, 7.9
# sets for one significant digit of it (5 % for two such scatters), and a test's evaluation takes half a second more.
DRAWS = 20_000
SEED = 101
LEAST_DRAWS = 100  # fewer show nothing of the outermost twentieth
CHUNK_NUMBERS = 500_000  # of inputs drawn at once, 4 MB; the model's own arrays are a few times that
NO_NUMBER_SHARE = 1e-3  # of draws that may lie where the evaluation gives no number


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Draws that share one estimate of their size: a common scale from its degrees of freedom."""

    degrees_of_freedom: float
    sources: tuple[tuple[int, float, Distribution], ...]  # input, standard uncertainty, distribution


class _Generator:
    """Draws inputs about their nominal values, in one order that depends on nothing but the sources."""

    def __init__(
        self, nominal: Floats, sources: Sequence[Source], correlated: Sequence[Correlated], rng: np.random.Generator
    ) -> None:
        self._nominal, self._rng = nominal, rng
        self._blocks = [(block, _root(block.covariance)) for block in correlated]
        plain = np.zeros(nominal.size)  # normal contributions of a known size add up to one normal draw an input
        grouped: dict[str, list[Source]] = {}
        for n, s in enumerate(sources):
            if s.standard_uncertainty <= 0.0:
                continue
            if s.distribution == "normal" and math.isinf(s.degrees_of_freedom) and not _shares(s, sources):
                plain[s.input] += s.standard_uncertainty**2
            else:
                grouped.setdefault(s.group or f"#{n}", []).append(s)
        self._plain = np.flatnonzero(plain > 0.0)
        self._plain_size = np.sqrt(plain[self._plain])
        self._groups = [
            _Group(
                degrees_of_freedom=min(s.degrees_of_freedom for s in together),
                sources=tuple((s.input, s.standard_uncertainty, s.distribution) for s in together),
            )
            for together in grouped.values()
        ]

    def draw(self, count: int) -> Floats:
        """Inputs (count, m)."""
        x = np.repeat(self._nominal[None, :], count, axis=0)
        x[:, self._plain] += self._rng.standard_normal((count, self._plain.size)) * self._plain_size
        for group in self._groups:
            t_scale, width_scale = _scales(group, count, self._rng)
            for index, size, distribution in group.sources:
                scale = t_scale if distribution == "normal" else width_scale
                x[:, index] += _standard(distribution, count, self._rng) * (size * scale)
        for block, root in self._blocks:
            together = self._rng.standard_normal((count, root.shape[0])) @ root.T
            x[:, list(block.inputs)] += together * _t_scale(block.degrees_of_freedom, count, self._rng)[:, None]
        return x


def _shares(source: Source, sources: Sequence[Source]) -> bool:
    """Whether its group's size is known to finite degrees of freedom through another member."""
    return bool(source.group) and any(
        other.group == source.group and math.isfinite(other.degrees_of_freedom) for other in sources
    )


def _root(covariance: Floats) -> Floats:
    """A matrix whose product with its transpose is the covariance, also where that is singular (6.4.8.4)."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), dtype=np.float64)


def _standard(distribution: Distribution, count: int, rng: np.random.Generator) -> Floats:
    """Draws (count,) of standard deviation one about zero."""
    if distribution == "rectangular":
        return rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), count)
    return rng.standard_normal(count)


def _t_scale(degrees: float, count: int, rng: np.random.Generator) -> Floats:
    """What makes a normal draw one of Student's t; ones where the size is known."""
    if math.isinf(degrees):
        return np.ones(count)
    return np.asarray(np.sqrt(degrees / rng.chisquare(degrees, count)), dtype=np.float64)


def _width_scale(degrees: float, count: int, rng: np.random.Generator) -> Floats:
    """A rectangle's half width by its stated one: uniform about it, with a relative uncertainty of 1/√(2ν) (G.4.2)."""
    if math.isinf(degrees):
        return np.ones(count)
    inexact = min(math.sqrt(3.0 / (2.0 * degrees)), 1.0)
    return rng.uniform(1.0 - inexact, 1.0 + inexact, count)


def _scales(group: _Group, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    kinds = {distribution for _, _, distribution in group.sources}
    one = np.ones(count)
    t_scale = _t_scale(group.degrees_of_freedom, count, rng) if "normal" in kinds else one
    width_scale = _width_scale(group.degrees_of_freedom, count, rng) if "rectangular" in kinds else one
    return t_scale, width_scale


def coverage_interval(values: Floats, *, coverage: float = COVERAGE, kind: Kind = "symmetric") -> tuple[float, float]:
    """The interval that holds this share of the draws (n,): probabilistically symmetric, or shortest (7.7)."""
    n = values.size
    inside = min(math.floor(coverage * n + 0.5), n - 1)
    if kind == "symmetric":
        first = (n - inside) // 2
        ends = np.partition(values, (first, first + inside))
        return float(ends[first]), float(ends[first + inside])
    ordered = np.sort(values)
    first = int(np.argmin(ordered[inside:] - ordered[: n - inside]))
    return float(ordered[first]), float(ordered[first + inside])


def draw_outputs(
    model: Model,
    nominal: Floats,
    sources: Sequence[Source],
    wanted: Sequence[str],
    *,
    additions: Mapping[str, Sequence[Addition]] | None = None,
    correlated: Sequence[Correlated] = (),
    draws: int,
    seed: int,
) -> dict[str, Floats]:
    """The draws (draws,) of the wanted outputs of `model` about `nominal` (m,); an output the model lacks is left out.

    Every output sees the same draws of the inputs, so that outputs may be subtracted from each other draw by draw.
    """
    rng = np.random.default_rng(seed)
    generator = _Generator(nominal, sources, correlated, rng)
    rows = max(CHUNK_NUMBERS // max(nominal.size, 1), 1)
    found: dict[str, Floats] = {}
    for begin in range(0, draws, rows):
        count = min(rows, draws - begin)
        with np.errstate(all="ignore"):  # draws far out may leave the model's domain; its NaN are counted
            outputs = model(generator.draw(count))
        for name in wanted:
            if name in outputs:
                found.setdefault(name, np.empty(draws))[begin : begin + count] = outputs[name]
    for name in found:
        for addition in (additions or {}).get(name, ()):
            group = _Group(
                degrees_of_freedom=addition.degrees_of_freedom,
                sources=((0, addition.standard_uncertainty, addition.distribution),),
            )
            t_scale, width_scale = _scales(group, draws, rng)
            scale = t_scale if addition.distribution == "normal" else width_scale
            found[name] += _standard(addition.distribution, draws, rng) * (addition.standard_uncertainty * scale)
    return found


def headline_intervals(
    model: Model,
    nominal: Floats,
    sources: Sequence[Source],
    headlines: Sequence[str],
    *,
    additions: Mapping[str, Sequence[Addition]] | None = None,
    correlated: Sequence[Correlated] = (),
    draws: int | None = None,
    seed: int | None = None,
    kind: Kind = "symmetric",
) -> dict[str, Drawn]:
    """The 95 % coverage intervals of these outputs of `model` by propagation of distributions.

    An output is left out where the model does not give it or gives no number for more than a thousandth of the draws.
    Raises `ValueError` for fewer than 100 draws.
    """
    draws = DRAWS if draws is None else draws
    seed = SEED if seed is None else seed
    if draws < LEAST_DRAWS:
        raise ValueError(f"an interval needs at least {LEAST_DRAWS} draws, got {draws}: ask for more")
    drawn = draw_outputs(
        model, nominal, sources, headlines, additions=additions, correlated=correlated, draws=draws, seed=seed
    )
    found = {}
    for name, values in drawn.items():
        numbers = values[np.isfinite(values)]
        if numbers.size < (1.0 - NO_NUMBER_SHARE) * draws:
            continue
        low, high = coverage_interval(numbers, kind=kind)
        found[name] = Drawn(
            value=float(numbers.mean()),
            standard_uncertainty=float(numbers.std(ddof=1)),
            low=low,
            high=high,
            draws=draws,
            seed=seed,
        )
    return found


def propagate_both(
    model: Model,
    nominal: Floats,
    sources: Sequence[Source],
    additions: Mapping[str, Sequence[Addition]] | None = None,
    correlated: Sequence[Correlated] = (),
    *,
    headlines: Sequence[str],
) -> dict[str, Output]:
    """The outputs by the law of propagation of uncertainty, those among `headlines` also by their distributions."""
    outputs = propagate(model, nominal, sources, additions, correlated)
    known = [name for name in headlines if name in outputs]
    if not known:
        return outputs
    drawn = headline_intervals(model, nominal, sources, known, additions=additions, correlated=correlated)
    return outputs | {name: replace(outputs[name], drawn=found) for name, found in drawn.items()}
