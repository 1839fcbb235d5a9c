"""Whole fundamental periods in a window of samples, and means over each. It must never know what is sampled."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.fits import straight_line

Floats = NDArray[np.float64]

LEAST_CYCLES = 4  # fewer tell neither the frequency's scatter nor a mean's
_ROUNDS = 4  # of fitting the frequency anew; the error shrinks by a factor of more than ten in each


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """c whole periods: `bounds` (c + 1,) in samples, not whole numbers, where the fundamental rises through zero.

    `edge_uncertainty_s` is how well the outermost bound is known in time.
    """

    rate_hz: float
    frequency_hz: float
    frequency_uncertainty_hz: float
    bounds: Floats
    edge_uncertainty_s: float

    @property
    def count(self) -> int:
        """How many whole periods."""
        return self.bounds.size - 1


def find_cycles(signal: Floats, *, rate_hz: float) -> Cycles:
    """The whole periods of the largest component of `signal` (n,), found from the fundamental's phase cycle by cycle.

    A straight line through the phases of single cycles gives frequency and phase with their scatter; harmonics do not
    move it, as they would move the signal's own zero crossings. Raises `ValueError` without a fundamental or with fewer
    than four periods.
    """
    centred = signal - signal.mean()
    frequency = _rough_frequency(centred, rate_hz)
    for _ in range(_ROUNDS):
        period = rate_hz / frequency
        count = math.floor((signal.size - 1) / period)
        if count < LEAST_CYCLES:
            raise ValueError(
                f"{signal.size} samples at {rate_hz:g} Hz hold {count} whole periods of {frequency:.4g} Hz, "
                f"{LEAST_CYCLES} are needed: capture longer"
            )
        bounds = period * np.arange(count + 1)
        turning = centred * np.exp(-2j * np.pi * frequency / rate_hz * np.arange(signal.size))
        parts = np.stack([turning.real, turning.imag]).astype(np.float64)
        cosine, sine = _means_between(parts, np.asarray(bounds, dtype=np.float64))
        middle_s = 0.5 * (bounds[1:] + bounds[:-1]) / rate_hz
        phase = np.unwrap(np.arctan2(sine, cosine))
        line = straight_line(middle_s, phase, reference=float(middle_s.mean()))
        phase_at_0, _ = line.at(0.0)
        frequency += line.slope / (2.0 * np.pi)
    # the signal is A·cos(2π·f·t + phase): it rises through zero where that angle is -π/2
    first = (-0.25 - phase_at_0 / (2.0 * np.pi)) % 1.0
    last_s = (signal.size - 1) / rate_hz
    crossings_s = (first + np.arange(math.floor(last_s * frequency) + 1)) / frequency
    crossings_s = crossings_s[crossings_s <= last_s]
    if crossings_s.size < LEAST_CYCLES + 1:
        raise ValueError(
            f"the window holds {crossings_s.size - 1} whole periods of {frequency:.4g} Hz from zero to zero, "
            f"{LEAST_CYCLES} are needed: capture longer"
        )
    edge_rad = max(line.at(float(crossings_s[0]))[1], line.at(float(crossings_s[-1]))[1])
    return Cycles(
        rate_hz=rate_hz,
        frequency_hz=frequency,
        frequency_uncertainty_hz=line.slope_uncertainty / (2.0 * np.pi),
        bounds=np.asarray(crossings_s * rate_hz, dtype=np.float64),
        edge_uncertainty_s=edge_rad / (2.0 * np.pi * frequency),
    )


def _rough_frequency(centred: Floats, rate_hz: float) -> float:
    """The largest line of a Hann-weighted spectrum, between the bins by the parabola through its logarithm."""
    size = np.abs(np.fft.rfft(centred * np.hanning(centred.size)))
    if size.size < 4 or not float(size[1:-1].max()) > 0.0:
        raise ValueError("the samples show no fundamental: capture while the specimen is energised and turns")
    top = int(np.argmax(size[1:-1])) + 1
    low, mid, high = np.log(np.maximum(size[top - 1 : top + 2], 1e-300 + 1e-12 * size[top]))
    curvature = low - 2.0 * mid + high
    offset = 0.5 * (low - high) / curvature if curvature < 0.0 else 0.0
    return float((top + np.clip(offset, -0.5, 0.5)) * rate_hz / centred.size)


def cycle_means(signals: Floats, cycles: Cycles) -> Floats:
    """The mean of each signal over each period, signals (k, n) to (k, c)."""
    return _means_between(signals, cycles.bounds)


def _means_between(signals: Floats, bounds: Floats) -> Floats:
    """Means (k, c) between bounds (c + 1,) that need not be whole: the integral of the samples joined by lines."""
    running = np.zeros(signals.shape)
    np.cumsum(0.5 * (signals[:, 1:] + signals[:, :-1]), axis=1, out=running[:, 1:])
    whole = np.minimum(np.floor(bounds).astype(np.intp), signals.shape[1] - 2)
    part = bounds - whole
    here, step = signals[:, whole], signals[:, whole + 1] - signals[:, whole]
    up_to = running[:, whole] + part * here + 0.5 * part**2 * step
    return np.asarray(np.diff(up_to, axis=1) / np.diff(bounds), dtype=np.float64)
