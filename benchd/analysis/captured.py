"""What a captured waveform tells beside averages: harmonics, ripple, phase order. It must never tell power.

The measuring unit sees voltages through its anti-alias filter: fundamental and low harmonics, no carrier. The
uncertainties are those of the window's own repeatability (its quarters); ratios hardly depend on the sensors' gains.
"""

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.phase_order import wiring_complaints
from benchd.analysis.plausibility import STANDING_SHARE
from benchd.analysis.power import ThreePhasePower, three_phase_power
from benchd.analysis.propagation import Output
from benchd.analysis.record import CapturedWaveform, Record, RecordedTest
from benchd.analysis.results import Wanted
from benchd.analysis.torque import SPEED, TORQUE

Floats = NDArray[np.float64]

VOLTAGES = tuple(f"phase_voltage_{n}" for n in (1, 2, 3))
CURRENTS = tuple(f"phase_current_{n}" for n in (1, 2, 3))
PARTS = 4  # of the window, whose scatter is its repeatability
OF_PHASES: Mapping[str, tuple[str, Callable[[ThreePhasePower], float]]] = {
    "displacement_factor": (
        "Cos φ between the fundamentals of phase voltages and currents",
        lambda p: p.displacement_factor,
    ),
    "voltage_distortion": (
        "Harmonics of the phase voltages by their fundamental, √(ΣUh²)/U1, without the carrier, mean of the phases",
        lambda p: float(np.mean([phase.voltage_distortion for phase in p.phases])),
    ),
    "current_distortion": (
        "Harmonics of the phase currents by their fundamental, √(ΣIh²)/I1, mean of the phases",
        lambda p: float(np.mean([phase.current_distortion for phase in p.phases])),
    ),
}
RIPPLES = {"torque_ripple": TORQUE, "dc_current_ripple": "dc_current"}


def captured_wanted(record: Record, test: RecordedTest, *, point: int) -> list[Wanted]:
    """The quantities of the waveforms kept at this point; none where nothing was kept."""
    waveform = _kept(record, test, point)
    if waveform is None:
        return []
    where = f"over the {_seconds(waveform):.3g} s of waveforms kept at point {point}"
    wanted = []
    if _has_phases(waveform):
        wanted += [Wanted(name=n, unit="1", how=f"{words}, {where}.") for n, (words, _) in OF_PHASES.items()]
    wanted += [
        Wanted(name=n, unit="1", how=f"Standard deviation of {c} by its mean, s/|mean|, {where}.")
        for n, c in RIPPLES.items()
        if c in waveform.values
    ]
    return wanted


def captured_outputs(record: Record, test: RecordedTest, *, point: int) -> dict[str, Output]:
    """Those of the quantities that the window carries."""
    waveform = _kept(record, test, point)
    if waveform is None:
        return {}
    found: dict[str, Output] = {}
    if _has_phases(waveform):
        whole = _power(waveform, slice(None))
        quarters = [_power(waveform, part) for part in _parts(waveform)]
        for name, (_, of) in OF_PHASES.items():
            if whole is not None:
                found[name] = _repeated(of(whole), [of(q) for q in quarters if q is not None], "phase waveforms")
    for name, channel in RIPPLES.items():
        if channel in waveform.values:
            series = waveform.values[channel]
            found[name] = _repeated(_ripple(series), [_ripple(series[part]) for part in _parts(waveform)], channel)
    return {name: output for name, output in found.items() if math.isfinite(output.value)}


def captured_notes(record: Record, test: RecordedTest) -> list[str]:
    """What the waveforms of one test say about leads and sensors, and what is missing in them."""
    notes = []
    for waveform in (w for w in record.waveforms if w.test == test.index):
        if waveform.lossy:
            notes.append(f"Waveforms of point {waveform.point}: {waveform.lossy}.")
        power = _power(waveform, slice(None)) if _has_phases(waveform) else None
        if power is None:
            if _has_phases(waveform):
                notes.append(f"Waveforms of point {waveform.point} show no fundamental over four periods.")
            continue
        rows = (record.test == test.index) & (record.point == waveform.point)
        speed = record.values.get(SPEED)
        mean_rpm = float(np.nanmean(speed[rows])) if speed is not None and rows.any() else math.nan
        asked = next((p.asked for p in test.points if p.point == waveform.point), {})
        if not abs(mean_rpm) > STANDING_SHARE * abs(asked.get("speed_rpm", 0.0)):
            continue  # a shaft that hardly turns has phases of direct current, which follow each other in no way
        fundamentals = power.voltage_phasors[:, 1], power.current_phasors[:, 1]
        complaints = wiring_complaints(*fundamentals, turning=1 if mean_rpm > 0.0 else -1)
        notes += [f"Waveforms of point {waveform.point}: {complaint}" for complaint in complaints]
    return notes


def _kept(record: Record, test: RecordedTest, point: int) -> CapturedWaveform | None:
    return next((w for w in record.waveforms if w.test == test.index and w.point == point), None)


def _has_phases(waveform: CapturedWaveform) -> bool:
    return all(name in waveform.values for name in (*VOLTAGES, *CURRENTS))


def _size(waveform: CapturedWaveform) -> int:
    return min((series.size for series in waveform.values.values()), default=0)


def _seconds(waveform: CapturedWaveform) -> float:
    return _size(waveform) / waveform.rate_hz


def _parts(waveform: CapturedWaveform) -> list[slice]:
    length = _size(waveform) // PARTS
    return [slice(k * length, (k + 1) * length) for k in range(PARTS)] if length else []


def _power(waveform: CapturedWaveform, part: slice) -> ThreePhasePower | None:
    volts, amperes = (np.stack([waveform.values[n][part] for n in names]) for names in (VOLTAGES, CURRENTS))
    if not np.isfinite(volts).all() or not np.isfinite(amperes).all():
        return None
    try:
        return three_phase_power(volts, amperes, rate_hz=waveform.rate_hz)
    except ValueError:  # no fundamental, or fewer than four periods of it
        return None


def _ripple(series: Floats) -> float:
    mean = float(np.mean(series)) if series.size else math.nan
    return float(np.std(series)) / abs(mean) if mean else math.nan


def _repeated(value: float, parts: list[float], channel: str) -> Output:
    """A value with the scatter of the window's parts; without any, half of itself either way."""
    kept = np.array([p for p in parts if math.isfinite(p)])
    if kept.size < 2:
        size, degrees, name = (
            abs(value) / math.sqrt(3.0),
            math.inf,
            f"{channel}, window too short to show its repeatability",
        )
    else:
        size, degrees = float(kept.std(ddof=1)) / math.sqrt(kept.size), float(kept.size - 1)
        name = f"{channel}, repeatability over the window"
    size = max(size, 1e-9 * abs(value), 1e-12)
    return Output(value=value, standard_uncertainty=size, degrees_of_freedom=degrees, budget={name: size})
