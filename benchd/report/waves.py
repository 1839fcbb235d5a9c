"""A captured window of waveforms as a picture of two or three periods. It must never filter what was captured."""

from typing import Any

import numpy as np

from benchd.report.material import Numbers, Window
from benchd.report.numbers import plain, unit_text, with_unit
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale
from benchd.report.words import split_unit

PERIODS = 2.5
MOST_SAMPLES = 1500
WITHOUT_PERIOD_S = 0.05  # shown where no fundamental can be seen, such as at standstill
PANEL_MM = 34.0
GROUPS = (("Phase voltages", "phase_voltage_"), ("Phase currents", "phase_current_"))


def waves(window: Window) -> tuple[dict[str, Any], str] | None:
    """Chart and caption, or None where the window holds no phase voltage and no phase current."""
    lengths = [values.size for name, values in window.values.items() if name.startswith(tuple(p for _, p in GROUPS))]
    if not lengths or min(lengths) < 8 or window.rate_hz <= 0.0:
        return None
    frequency_hz = fundamental_hz(_reference(window), window.rate_hz)
    shown_s = PERIODS / frequency_hz if frequency_hz else WITHOUT_PERIOD_S
    count = max(8, min(*lengths, round(shown_s * window.rate_hz) + 1))
    rows = np.unique(np.linspace(0, count - 1, min(count, MOST_SAMPLES)).astype(np.intp))
    time_ms = rows / window.rate_hz * 1e3
    panels = []
    for title, prefix in GROUPS:
        names = sorted(name for name in window.values if name.startswith(prefix))
        lines = [
            Line(label=split_unit(name)[0], x=time_ms, y=window.values[name][rows], ink=ink, plain=True)
            for ink, name in enumerate(names)
            if np.isfinite(window.values[name][rows]).any()
        ]
        if lines:
            unit = unit_text(window.units.get(names[0], ""))
            panels.append(Panel(title=f"{title} in {unit}" if unit else title, lines=lines, height_mm=PANEL_MM))
    if not panels:
        return None
    chart = stacked(
        panels,
        x=scale(0.0, float(time_ms[-1]), most=9, room=0.0),
        x_title="Time in the window in ms",
        alt=f"Waveforms of {plain(float(time_ms[-1]), 3)} ms: {'; '.join(panel.title for panel in panels)}.",
    )
    return chart, _caption(window, frequency_hz, count)


def _caption(window: Window, frequency_hz: float | None, count: int) -> str:
    whole_s = max(values.size for values in window.values.values()) / window.rate_hz
    said = (
        f"The first {with_unit(plain(count / window.rate_hz * 1e3, 3), 'ms')} of a window of "
        f"{with_unit(plain(whole_s, 3), 's')} at {with_unit(plain(window.rate_hz), 'Hz')} a channel"
    )
    if frequency_hz:
        said += f"; fundamental about {with_unit(plain(frequency_hz, 4), 'Hz')}"
    if window.lost:
        said += f"; {window.lost} samples were lost"
    return (
        f"{said}. Voltages pass the anti-alias filter of their inputs: the converter's carrier is not to be seen, "
        "and power is not computed from them."
    )


def _reference(window: Window) -> Numbers:
    """The waveform that shows the fundamental best: the first phase's current where one flows, else its voltage."""
    swings = {
        name: float(np.std(values[np.isfinite(values)]))
        for name, values in window.values.items()
        if name in {"phase_voltage_1", "phase_current_1"} and np.isfinite(values).sum() >= 8
    }
    if swings.get("phase_voltage_1", 0.0) > 0.0:
        return window.values["phase_voltage_1"]
    return window.values[max(swings, key=lambda name: swings[name])] if swings else np.zeros(8)


def fundamental_hz(wave: Numbers, rate_hz: float) -> float | None:
    """The strongest frequency, for the picture's width only; None where less than a period and a half is there."""
    known = np.where(np.isfinite(wave), wave, 0.0)
    centred = known - known.mean()
    if not np.any(centred):
        return None
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(centred.size), n=8 * centred.size))
    frequency_hz = float(np.argmax(spectrum)) * rate_hz / (8 * centred.size)
    periods = frequency_hz * centred.size / rate_hz
    return frequency_hz if periods >= 1.5 else None
