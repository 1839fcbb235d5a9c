"""What `run.json` says about waveforms, and samples scaled by it. It must never filter."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

Numbers = np.ndarray[Any, np.dtype[np.float64]]


def described_waveforms(waveforms: object) -> dict[str, Mapping[str, Any]]:
    """Each described waveform by its own name and by the signal it is taken from."""
    listed: Sequence[Any] = waveforms if isinstance(waveforms, list) else ()
    found: dict[str, Mapping[str, Any]] = {}
    for key in ("signal", "name"):
        found |= {str(one[key]): one for one in listed if isinstance(one, Mapping) and key in one}
    return found


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
