"""Captured windows as the report wants them: scaled by what `run.json` says of each waveform. It must never filter."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from benchd.records.waveforms import WaveformWindow
from benchd.report import Window

Numbers = np.ndarray[Any, np.dtype[np.float64]]


def windows_of(found: Iterable[WaveformWindow], description: Mapping[str, Any]) -> tuple[list[Window], list[str]]:
    """The windows that hold samples, and a sentence for each that lacks some or cannot be read.

    A signal that `run.json` does not describe under `waveforms` keeps its own name and unit.
    """
    known = _described(description.get("waveforms"))
    windows, sentences = [], []
    for one in found:
        if one.lossy:
            sentences.append(f"Waveforms of point {one.point} of test {one.test}: {one.lossy}")
        if one.values:
            windows.append(_window(one, known))
    return windows, sentences


def _described(waveforms: object) -> dict[str, Mapping[str, Any]]:
    """Each described waveform by its own name and by the signal it is taken from."""
    listed: Sequence[Any] = waveforms if isinstance(waveforms, list) else ()
    found: dict[str, Mapping[str, Any]] = {}
    for key in ("signal", "name"):
        found |= {str(one[key]): one for one in listed if isinstance(one, Mapping) and key in one}
    return found


def _window(one: WaveformWindow, known: Mapping[str, Mapping[str, Any]]) -> Window:
    values: dict[str, Numbers] = {}
    units: dict[str, str] = {}
    for signal, raw in one.values.items():
        described = known.get(signal)
        name = signal if described is None else str(described.get("name", signal))
        values[name] = raw.astype(np.float64) if described is None else scaled(raw.astype(np.float64), described)
        units[name] = one.units.get(signal, "") if described is None else str(described.get("unit", ""))
    return Window(test=one.test, point=one.point, rate_hz=one.rate_hz, values=values, units=units, lost=one.lost)


def scaled(raw: Numbers, described: Mapping[str, Any]) -> Numbers:
    """Samples by the waveform's sign and calibration line, as `Calibration.value` does with one number."""
    sign = float(described.get("sign", 1.0))
    calibration = described.get("calibration")
    if not isinstance(calibration, Mapping):
        return sign * raw
    value: Numbers = float(calibration["gain"]) * raw + float(calibration["offset"])
    negative = calibration.get("negative")
    if isinstance(negative, Mapping):
        below: Numbers = float(negative["gain"]) * raw + float(negative["offset"])
        value = np.where(value < 0.0, below, value)
    return sign * value
