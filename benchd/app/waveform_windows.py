"""Captured windows as the report wants them: scaled by what `run.json` says of each waveform. It must never filter."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from benchd.app.waveform_scales import Numbers, described_waveforms, scaled
from benchd.records.waveforms import WaveformWindow
from benchd.report import Window


def windows_of(found: Iterable[WaveformWindow], description: Mapping[str, Any]) -> tuple[list[Window], list[str]]:
    """The windows that hold samples, and a sentence for each that lacks some or cannot be read.

    A signal that `run.json` does not describe under `waveforms` keeps its own name and unit.
    """
    known = described_waveforms(description.get("waveforms"))
    windows, sentences = [], []
    for one in found:
        if one.lossy:
            sentences.append(f"Waveforms of point {one.point} of test {one.test}: {one.lossy}")
        if one.values:
            windows.append(_window(one, known))
    return windows, sentences


def _window(one: WaveformWindow, known: Mapping[str, Mapping[str, Any]]) -> Window:
    values: dict[str, Numbers] = {}
    units: dict[str, str] = {}
    for signal, raw in one.values.items():
        described = known.get(signal)
        name = signal if described is None else str(described.get("name", signal))
        values[name] = raw.astype(np.float64) if described is None else scaled(raw.astype(np.float64), described)
        units[name] = one.units.get(signal, "") if described is None else str(described.get("unit", ""))
    return Window(test=one.test, point=one.point, rate_hz=one.rate_hz, values=values, units=units, lost=one.lost)
