"""True power of two or three conductors from simultaneous samples, over whole cycles. It must never judge a channel.

Blondel's theorem: n conductors need n - 1 wattmeters, whatever the waveform and the load. The uncertainties here come
from the scatter of the cycles alone (Type A); what the sensors add belongs to whoever knows their calibration. Samples
behind an anti-alias filter hold the fundamental's power, not that of a converter's carrier.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.averages import effective_number
from benchd.analysis.cycles import Cycles, cycle_means, find_cycles
from benchd.analysis.harmonics import HIGHEST, Phasors, harmonic_phasors, total_distortion
from benchd.analysis.propagation import Model, Output, means_taken_together, propagate

Floats = NDArray[np.float64]

_A = np.exp(2j * np.pi / 3.0)
BY_CYCLE = "scatter of the cycles"


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleMean:
    """A mean over whole cycles with the standard uncertainty that the cycles' scatter gives it."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhasePower:
    """One conductor against the voltage reference: rms values, power W, apparent power VA and their ratio.

    The displacement factor is that of the fundamentals alone, cos φ; the distortions are those of voltage and current.
    """

    voltage_v: CycleMean
    current_a: CycleMean
    power_w: CycleMean
    apparent_va: CycleMean
    power_factor: CycleMean
    displacement_factor: float
    voltage_distortion: float
    current_distortion: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreePhasePower:
    """Three conductors: the sum and the phases. `apparent_va` is the sum of U·I of the phases.

    `voltage_phasors` and `current_phasors` (3, h + 1) are rms values by order, counted from the first zero crossing of
    the reference; `pulsation` is the standard deviation of the instantaneous sum by its mean.
    """

    cycles: Cycles
    phases: tuple[PhasePower, PhasePower, PhasePower]
    power_w: CycleMean
    apparent_va: CycleMean
    power_factor: CycleMean
    displacement_factor: float
    reactive_var: float  # of the fundamentals, positive where the current lags
    voltage_unbalance: float
    current_unbalance: float
    pulsation: float
    voltage_phasors: Phasors
    current_phasors: Phasors


def instantaneous_power(voltages_v: Floats, currents_a: Floats) -> Floats:
    """Σu·i at each sample, W (n,), of voltages and currents (k, n)."""
    return np.asarray(np.einsum("kn,kn->n", voltages_v, currents_a), dtype=np.float64)


def wattmeters(voltages_v: Floats, currents_a: Floats, cycles: Cycles) -> tuple[tuple[CycleMean, ...], CycleMean]:
    """What k wattmeters read, and their sum, W: voltages and currents (k, n) by meter.

    Three meters against a star point, or two with their voltages against the third conductor: the sum is the same.
    """
    by_cycle = cycle_means(voltages_v * currents_a, cycles)

    def model(x: Floats) -> Mapping[str, Floats]:
        return {"sum": x.sum(axis=1), **{str(k): x[:, k] for k in range(x.shape[1])}}

    found = _over_cycles(by_cycle, by_cycle.sum(axis=0), model)
    return tuple(_cycle_mean(found[str(k)]) for k in range(by_cycle.shape[0])), _cycle_mean(found["sum"])


def three_phase_power(
    voltages_v: Floats, currents_a: Floats, *, rate_hz: float, highest: int = HIGHEST
) -> ThreePhasePower:
    """Everything about three conductors from samples (3, n) taken together; voltages against one common point.

    The cycles are those of the first phase voltage. Raises `ValueError` without a fundamental or
    with fewer than four whole cycles.
    """
    cycles = find_cycles(voltages_v[0], rate_hz=rate_hz)
    squares = [cycle_means(signals**2, cycles) for signals in (voltages_v, currents_a)]
    power = cycle_means(voltages_v * currents_a, cycles)
    readings = np.concatenate([power, *squares])
    found = _over_cycles(readings, power.sum(axis=0), _power_model)
    first, last = math.ceil(cycles.bounds[0]), math.floor(cycles.bounds[-1]) + 1
    phasors = harmonic_phasors(
        np.concatenate([voltages_v, currents_a])[:, first:last],
        rate_hz=rate_hz,
        frequency_hz=cycles.frequency_hz,
        origin=float(cycles.bounds[0]) - first,
        highest=highest,
    )
    distortion = total_distortion(phasors)
    u1, i1 = phasors[:3, 1], phasors[3:, 1]
    complex_va = u1 * np.conj(i1)
    whole = complex(complex_va.sum())
    total = instantaneous_power(voltages_v, currents_a)[first:last]
    phases = tuple(
        PhasePower(
            **{name: _cycle_mean(found[f"{name}_{k}"]) for name in _PHASE_NAMES},
            displacement_factor=_cosine(complex(complex_va[k])),
            voltage_distortion=float(distortion[k]),
            current_distortion=float(distortion[3 + k]),
        )
        for k in range(3)
    )
    power_w = _cycle_mean(found["power_w"])
    return ThreePhasePower(
        cycles=cycles,
        phases=(phases[0], phases[1], phases[2]),
        power_w=power_w,
        apparent_va=_cycle_mean(found["apparent_va"]),
        power_factor=_cycle_mean(found["power_factor"]),
        displacement_factor=_cosine(whole),
        reactive_var=whole.imag,
        voltage_unbalance=unbalance(u1),
        current_unbalance=unbalance(i1),
        pulsation=float(total.std() / abs(power_w.value)) if power_w.value else math.nan,
        voltage_phasors=phasors[:3],
        current_phasors=phasors[3:],
    )


_PHASE_NAMES = ("voltage_v", "current_a", "power_w", "apparent_va", "power_factor")


def _power_model(x: Floats) -> Mapping[str, Floats]:
    """Phase powers and mean squares of voltage and current, (b, 9), to what is made of them."""
    p, u, i = x[:, :3], np.sqrt(np.maximum(x[:, 3:6], 0.0)), np.sqrt(np.maximum(x[:, 6:], 0.0))
    s = u * i
    sums = {"power_w": p.sum(axis=1), "apparent_va": s.sum(axis=1)}
    found = sums | {"power_factor": _ratio(sums["power_w"], sums["apparent_va"])}
    by_name = {"voltage_v": u, "current_a": i, "power_w": p, "apparent_va": s, "power_factor": _ratio(p, s)}
    return found | {f"{name}_{k}": columns[:, k] for name, columns in by_name.items() for k in range(3)}


def _ratio(upper: Floats, lower: Floats) -> Floats:
    found: Floats = np.full(lower.shape, np.nan)
    np.divide(upper, lower, out=found, where=lower > 0.0)
    return found


def _over_cycles(readings: Floats, series: Floats, model: Model) -> dict[str, Output]:
    """Outputs from readings (k, c) taken together by cycle; cycles of `series` (c,) that hang together count less."""
    means, block = means_taken_together(BY_CYCLE, readings, effective=effective_number(series))
    return propagate(model, means, [], correlated=[block])


def _cycle_mean(output: Output) -> CycleMean:
    return CycleMean(
        value=output.value,
        standard_uncertainty=output.standard_uncertainty,
        degrees_of_freedom=output.degrees_of_freedom,
    )


def _cosine(power_va: complex) -> float:
    return power_va.real / abs(power_va) if abs(power_va) > 0.0 else math.nan


def symmetrical_components(phasors: Phasors) -> tuple[complex, complex, complex]:
    """(zero, positive, negative) sequence of three phasors (3,); positive is the order 1-2-3."""
    one, two, three = (complex(p) for p in phasors)
    return (
        (one + two + three) / 3.0,
        (one + _A * two + _A**2 * three) / 3.0,
        (one + _A**2 * two + _A * three) / 3.0,
    )


def unbalance(phasors: Phasors) -> float:
    """The weaker of positive and negative sequence by the stronger, whichever way it turns; NaN without any."""
    _, positive, negative = (abs(part) for part in symmetrical_components(phasors))
    return min(positive, negative) / max(positive, negative) if max(positive, negative) > 0.0 else math.nan
