"""How near a record came to each of its limits, and what energy and heat it took. It must never judge a specimen.

Values are those of the ticks: what a device showed between two ticks and no more at either is not in a record.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.rules.channels import Quality
from benchd.rules.course_pairs import RAD_S_PER_RPM

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The value nearest to or furthest beyond a bound, in the channel's unit, and when; None where none was read.

    `share` is the part of the bound that the peak uses up, 1 at the bound; None where zero is not the harmless end.
    """

    value: float | None
    at_mono_s: float | None
    share: float | None


def peak(
    bound: str, limit: float, *, time_mono_s: Numbers, values: Numbers, ages_s: Numbers, quality: NDArray[np.uint8]
) -> Peak:
    """The peak of one channel against its bound: "high", "low" or "stale" (greatest age, s), over rows of one length.

    Readings beyond an input's range count, others that are not good do not.
    """
    believed = (quality == Quality.GOOD) | (quality == Quality.OVER_RANGE)
    if bound == "stale":
        seen, believed = ages_s, np.isfinite(ages_s)
    else:
        seen = values
        believed = believed & ~np.isnan(values)
    rows = np.flatnonzero(believed)
    if rows.size == 0:
        return Peak(value=None, at_mono_s=None, share=None)
    at = int(rows[np.argmin(seen[rows]) if bound == "low" else np.argmax(seen[rows])])
    value = float(seen[at])
    return Peak(value=value, at_mono_s=float(time_mono_s[at]), share=share_of(bound, limit, value))


def share_of(bound: str, limit: float, value: float) -> float | None:
    """The part of the way from zero to the limit; 0 on the other side of zero, None where zero is beyond the limit."""
    if not math.isfinite(value) or (limit >= 0.0 if bound == "low" else limit <= 0.0):
        return None
    return max(0.0, value / limit)


def energy_ws(time_mono_s: Numbers, power_w: Numbers) -> tuple[float, float]:
    """What went one way and what came back, W·s, both positive: trapezoids between rows whose power is known."""
    known = np.isfinite(power_w)
    time, power = time_mono_s[known], power_w[known]
    if time.size < 2:
        return 0.0, 0.0
    steps = np.diff(time)
    given, back = np.maximum(power, 0.0), np.maximum(-power, 0.0)
    return (
        float(np.sum(0.5 * (given[1:] + given[:-1]) * steps)),
        float(np.sum(0.5 * (back[1:] + back[:-1]) * steps)),
    )


def powers_w(values: Mapping[str, Numbers]) -> Mapping[str, Numbers]:
    """The powers along the way of the energy that the channels of this record tell, W, positive when motoring."""
    found: dict[str, Numbers] = {}
    if {"supply_voltage", "supply_current"} <= values.keys():
        found["supply"] = values["supply_voltage"] * values["supply_current"]
    if {"dc_voltage", "dc_current"} <= values.keys():
        found["specimen, DC side"] = values["dc_voltage"] * values["dc_current"]
    if "motor_power" in values:
        found["specimen, motor terminals"] = values["motor_power"]
    if {"shaft_torque", "shaft_speed"} <= values.keys():
        found["shaft"] = values["shaft_torque"] * values["shaft_speed"] * RAD_S_PER_RPM
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """A temperature over a record, °C: at its first good row, at its highest and when that was, at its last."""

    first: float
    highest: float
    at_mono_s: float
    last: float


def warmth(time_mono_s: Numbers, values: Numbers, quality: NDArray[np.uint8]) -> Warmth | None:
    """How one temperature went; None without a good row."""
    rows: Sequence[int] = np.flatnonzero((quality == Quality.GOOD) & np.isfinite(values)).tolist()
    if not rows:
        return None
    at = max(rows, key=lambda row: values[row])
    return Warmth(
        first=float(values[rows[0]]),
        highest=float(values[at]),
        at_mono_s=float(time_mono_s[at]),
        last=float(values[rows[-1]]),
    )
