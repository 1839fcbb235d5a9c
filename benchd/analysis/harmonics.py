"""Fundamental, harmonics and their groups, from samples. It must never decide which window a signal is taken from.

A variable fundamental is fitted at its own frequency over whole cycles; the grouping of IEC 61000-4-7 (5 Hz bins of a
gapless window of ten periods) belongs to fixed fundamentals, such as the mains.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Phasors = NDArray[np.complex128]

HIGHEST = 40  # order up to which harmonics count (IEC 61000-4-7, value from memory)
BAND_SHARE = 0.45  # of the sampling rate: above it the sampler's own filter is at work
SYNCHRONY = 3e-4  # how far a window may be from whole periods (IEC 61000-4-7, 4.4.1, value from memory)


def harmonic_phasors(
    signals: Floats, *, rate_hz: float, frequency_hz: float, origin: float, highest: int = HIGHEST
) -> Phasors:
    """Rms phasors (k, h + 1) of orders 0 to h of signals (k, n): the signal is √2·|X|·sin(2π·h·f·t + angle X).

    Time counts from sample `origin`, which need not be a whole number; order 0 is the mean. Least squares, so that
    neither the rate nor the window need be a multiple of the fundamental; h is `highest`, or what the rate can show.
    Raises `ValueError` where it cannot even show the fundamental.
    """
    orders = min(highest, math.floor(BAND_SHARE * rate_hz / frequency_hz))
    if orders < 1:
        raise ValueError(
            f"a fundamental of {frequency_hz:g} Hz cannot be seen in samples taken at {rate_hz:g} Hz: sample faster"
        )
    angle = 2.0 * np.pi * frequency_hz / rate_hz * (np.arange(signals.shape[1]) - origin)
    turns = np.exp(1j * np.outer(np.arange(1, orders + 1), angle))
    columns = np.concatenate([np.ones((1, angle.size)), math.sqrt(2.0) * turns.imag, math.sqrt(2.0) * turns.real])
    # sines of whole cycles are nearly orthogonal: the normal equations lose nothing
    solution = np.linalg.solve(columns @ columns.T, columns @ signals.T).T
    found = np.zeros((signals.shape[0], orders + 1), dtype=np.complex128)
    found[:, 0] = solution[:, 0]
    found[:, 1:] = solution[:, 1 : orders + 1] + 1j * solution[:, orders + 1 :]
    return found


def total_distortion(phasors: Phasors) -> Floats:
    """Rms of the harmonics by the fundamental's (k,), THD; NaN where there is no fundamental."""
    above = np.sqrt(np.sum(np.abs(phasors[:, 2:]) ** 2, axis=1))
    first = np.abs(phasors[:, 1])
    found: Floats = np.full(first.shape, np.nan)
    np.divide(above, first, out=found, where=first > 0.0)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Grouped:
    """Rms values (h + 1,) by order, in the signal's unit: the bin itself, with its neighbours, and with all around it.

    The distortions are each of orders 2 to h by order 1, of the same kind of value.
    """

    bins: Floats
    subgroups: Floats
    groups: Floats
    windows: int
    thd: float
    thd_subgroups: float
    thd_groups: float


def grouped_harmonics(
    signal: Floats, *, rate_hz: float, fundamental_hz: float, periods: int = 10, highest: int = HIGHEST
) -> Grouped:
    """Harmonics of a fixed fundamental after IEC 61000-4-7, over gapless windows of `periods` (ten at 50, 12 at 60 Hz).

    The squares of several windows are averaged; samples beyond the last whole window are left out. Raises `ValueError`
    where a window is no whole number of samples, none is whole, or the rate cannot show the highest order.
    """
    length = periods * rate_hz / fundamental_hz
    size = round(length)
    if abs(size - length) > SYNCHRONY * length:
        raise ValueError(
            f"{periods} periods of {fundamental_hz:g} Hz are {length:.6g} samples: grouping needs a whole number, take "
            "the rate to fit or fit the harmonics over whole cycles"
        )
    windows = signal.size // size
    if windows == 0:
        raise ValueError(f"{signal.size} samples hold no whole window of {size}: capture longer")
    half = periods // 2
    if highest * periods + half > size // 2:
        raise ValueError(f"order {highest} of {fundamental_hz:g} Hz is beyond half of {rate_hz:g} Hz: sample faster")
    spectra = np.fft.rfft(signal[: windows * size].reshape(windows, size), axis=1) / size
    squares = 2.0 * np.mean(np.abs(spectra) ** 2, axis=0)
    squares[0] /= 2.0
    centre = periods * np.arange(1, highest + 1)
    bins = squares[centre]
    subgroups = squares[centre - 1] + bins + squares[centre + 1]
    around = squares[centre[:, None] + np.arange(1 - half, half)].sum(axis=1)
    groups = around + 0.5 * (squares[centre - half] + squares[centre + half])
    three = [np.sqrt(np.concatenate([squares[:1], part])) for part in (bins, subgroups, groups)]
    thd, thd_subgroups, thd_groups = (float(np.sqrt(np.sum(v[2:] ** 2)) / v[1]) for v in three)
    return Grouped(
        bins=three[0],
        subgroups=three[1],
        groups=three[2],
        windows=windows,
        thd=thd,
        thd_subgroups=thd_subgroups,
        thd_groups=thd_groups,
    )
