"""The mean of one channel over one settled window, with its Type A uncertainty. It must never count a sample twice.

Type A evaluation after JCGM 100, 4.2; correlated samples count by their effective number (the variance of a mean of an
autocorrelated series is s²·(1 + 2·Σρ)/n).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from benchd.rules.channels import Quality

DRIFT_FALSE_ALARM = 6e-5  # two-sided, four standard deviations: with a hundred means a run, three would cry wolf
NO_SAMPLES = "the record holds no sample of it"  # complaint about an empty window
BAD_SHARE_LIMIT = 0.1
DIRECT_UP_TO = 256  # samples; beyond it the transform is faster
SAME_SAMPLE_SHARE_OF_ROW = 0.05  # journalled ages are rounded; real samples are further apart than this


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """A settled mean in the channel's unit; `complaint` says in words why it must not be used ("" when it may)."""

    value: float
    scatter: float  # standard uncertainty of the mean, from the samples' scatter
    degrees_of_freedom: float
    drift: float  # standard uncertainty from a trend beyond noise, else 0
    change: float  # fitted change from first to last sample
    slope: float  # fitted, in the channel's unit per second
    slope_uncertainty: float  # standard, from the scatter about the fitted line
    centre_s: float  # the mean time of the samples, where the mean belongs
    samples: int
    effective_samples: float
    complaint: str = ""


def first_rows(time_mono_s: NDArray[np.float64], ages_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """True where a row shows a sample for the first time; the rows that hold it are False. Both arrays (n,), s."""
    if time_mono_s.size == 0:
        return np.zeros(0, dtype=np.bool_)
    taken = time_mono_s - ages_s
    taken = np.where(np.isfinite(taken), taken, -np.inf)
    row_s = float(np.median(np.diff(time_mono_s))) if time_mono_s.size > 1 else 0.0
    moved = np.ones(taken.shape, dtype=np.bool_)
    both = np.isfinite(taken[1:]) & np.isfinite(taken[:-1])
    step = np.zeros(taken.size - 1)
    np.subtract(taken[1:], taken[:-1], out=step, where=both)
    moved[1:] = np.where(both, np.abs(step) > SAME_SAMPLE_SHARE_OF_ROW * row_s, True)
    return moved


def _autocorrelation(centred: NDArray[np.float64]) -> NDArray[np.float64]:
    n = centred.size
    if n <= DIRECT_UP_TO:
        return np.correlate(centred, centred, mode="full")[n - 1 :]
    length = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, length)
    return np.fft.irfft(spectrum * np.conj(spectrum), length)[:n]


def effective_number(residuals: NDArray[np.float64]) -> float:
    """How many independent samples the scatter of this series is worth: between 1 and n.

    n / (1 + 2·Σρ), the sum taken over pairs of autocorrelations as long as a pair is positive (the initial positive
    sequence of Geyer, Statistical Science 7, 1992); never more than n, so that anticorrelation earns nothing.
    """
    n = residuals.size
    centred = residuals - residuals.mean() if n else residuals
    power = float(centred @ centred)
    if n < 4 or power <= 0.0:
        return float(n)
    rho = _autocorrelation(centred)[: n - n % 2] / power
    pairs = rho[0::2] + rho[1::2]
    negative = np.flatnonzero(pairs <= 0.0)
    end = int(negative[0]) if negative.size else pairs.size
    inflation = 2.0 * float(pairs[:end].sum()) - 1.0
    return float(np.clip(n / max(inflation, 1.0), 1.0, n))


def _unusable(complaint: str, samples: int) -> Mean:
    nan = math.nan
    return Mean(
        value=nan,
        scatter=nan,
        degrees_of_freedom=nan,
        drift=nan,
        change=nan,
        slope=nan,
        slope_uncertainty=nan,
        centre_s=nan,
        samples=samples,
        effective_samples=nan,
        complaint=complaint,
    )


def settled_mean(
    values: NDArray[np.float64], taken_s: NDArray[np.float64], quality: NDArray[np.uint8], *, least_samples: int
) -> Mean:
    """The mean of real samples (held rows already taken out) over one window; all arrays (n,).

    One over-range sample spoils the mean (a clipped signal is biased); a tenth of samples that are stale, missing or
    not a number does too; so do fewer than `least_samples` good ones.
    """
    if values.size == 0:
        return _unusable(NO_SAMPLES, 0)
    finite = np.isfinite(values) & np.isfinite(taken_s)
    good = (quality == Quality.GOOD) & finite
    count = int(good.sum())
    over = int((quality == Quality.OVER_RANGE).sum())
    if over:
        return _unusable(f"{over} of {values.size} samples are over range", count)
    bad = values.size - count
    if bad > BAD_SHARE_LIMIT * values.size:
        which = f"{bad} of {values.size} samples" if count else "all samples"  # alike at every point: one sentence
        return _unusable(f"{which} are not a number, stale or missing", count)
    if count < least_samples:
        return _unusable(f"only {count} good samples, {least_samples} needed", count)
    x, t = values[good], taken_s[good]
    mean = float(x.mean())
    if count < 3:
        scatter = float(np.std(x, ddof=1)) / math.sqrt(count) if count > 1 else 0.0
        return Mean(
            value=mean,
            scatter=scatter,
            degrees_of_freedom=max(count - 1.0, 1.0),
            drift=0.0,
            change=0.0,
            slope=0.0,
            slope_uncertainty=0.0,
            centre_s=float(t.mean()),
            samples=count,
            effective_samples=float(count),
        )
    return _with_trend(x, t, mean)


def carried(mean: Mean, *, to_s: float) -> Mean:
    """The mean along its own slope to another instant of its window, where it shows a trend beyond noise.

    Devices are polled at different times; only so do the means of one window belong to one instant. A mean without a
    trend stays as it is: its slope is noise. The trend's part of the uncertainty stays too.
    """
    if not mean.drift > 0.0:
        return mean
    return replace(mean, value=mean.value + mean.slope * (to_s - mean.centre_s), centre_s=to_s)


def _with_trend(x: NDArray[np.float64], t: NDArray[np.float64], mean: float) -> Mean:
    n = x.size
    tc = t - t.mean()
    slope = float(tc @ (x - mean)) / float(tc @ tc)
    detrended = x - mean - slope * tc
    change = slope * float(t[-1] - t[0])
    n_effective = effective_number(detrended)
    noise = math.sqrt(float(detrended @ detrended) / (n - 2))
    change_noise = noise * math.sqrt(12.0 / n_effective)
    significance = float(stdtrit(max(n_effective - 2.0, 1.0), 1.0 - DRIFT_FALSE_ALARM / 2.0))
    drifting = abs(change) > significance * change_noise + 1e-12 * abs(mean)
    residuals = detrended if drifting else x - mean
    # the scatter of a correlated series about its own mean comes out small by (1 - 1/n_effective)
    share = max(1.0 - 1.0 / n_effective, 1.0 / n)
    deviation = math.sqrt(float(residuals @ residuals) / (n * share))
    return Mean(
        value=mean,
        scatter=deviation / math.sqrt(n_effective),
        degrees_of_freedom=max(n_effective - 1.0, 1.0),
        drift=abs(change) / math.sqrt(12.0) if drifting else 0.0,
        change=change,
        slope=slope,
        slope_uncertainty=change_noise / float(t[-1] - t[0]),
        centre_s=float(t.mean()),
        samples=n,
        effective_samples=n_effective,
    )
