"""What the power analyser between converter and specimen integrates: true power, true rms, a certificate's errors.

Results by number: 1 to 3 phase voltage, 4 to 6 phase current, 7 to 9 phase power, 10 line voltage (mean true rms), 11
its fundamental, 12 current (mean rms), 13 power, 14 apparent power, 15 power factor, 16 frequency. Voltages of phases
stand against the star point. It must never know how a current came about.
"""

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchd_rig.commands import PlantFaults
from benchd_rig.specimen import AnalyserModel

RESULTS = range(1, 17)
_LONGEST_S = 2.0
_OVERLOAD = 1.05
_LEAST_HZ = 0.5  # below it no frequency is found
_ROOT_3 = math.sqrt(3.0)
_NOISE_STREAM = 3
_NOISE_S = 0.1  # window to which the stated noise belongs


@dataclass(frozen=True, slots=True, kw_only=True)
class Integrals:
    """Time, and what has been integrated over it; angle and current where they stand now."""

    time_s: float
    output_j: float
    current_square_s: float
    fundamental_square_s: float
    line_square_s: float
    angle_rad: float
    current_a: complex  # in the rotor's axes, peak


@dataclass(frozen=True, slots=True, kw_only=True)
class _Felt:
    """What arrives at the inputs, before the analyser's own errors."""

    voltages_v: tuple[float, ...]
    currents_a: tuple[float, ...]
    powers_w: tuple[float, ...]
    line_v: float
    fundamental_v: float
    frequency_hz: float


_NOTHING = _Felt(
    voltages_v=(0.0,) * 3,
    currents_a=(0.0,) * 3,
    powers_w=(0.0,) * 3,
    line_v=0.0,
    fundamental_v=0.0,
    frequency_hz=math.nan,
)


class Analyser:
    """The integrals of the last 2 s, one a tick."""

    def __init__(self, model: AnalyserModel, *, seed: int, tick_s: float = 0.001) -> None:
        self._model = model
        self._seed = seed
        self._tick_s = tick_s
        self._past: deque[Integrals] = deque(maxlen=round(_LONGEST_S / tick_s) + 1)

    def note(self, integrals: Integrals) -> None:
        """The integrals at the end of a tick."""
        self._past.append(integrals)

    def forget(self) -> None:
        """Nothing has flowed for a while."""
        self._past.clear()

    def results(self, window_s: float, faults: PlantFaults, *, tick: int) -> Mapping[int, float]:
        """Result number to its value over the window; infinite where overloaded, NaN for a frequency not found."""
        if len(self._past) < 2:
            return self._shown(_NOTHING, span_s=window_s, tick=tick)
        now = self._past[-1]
        ticks = max(1, round(window_s / self._tick_s))
        then = self._past[max(len(self._past) - 1 - ticks, 0)]
        span_s = now.time_s - then.time_s
        power_w = (now.output_j - then.output_j) / span_s
        line_v = math.sqrt((now.line_square_s - then.line_square_s) / span_s)
        fundamental_v = math.sqrt((now.fundamental_square_s - then.fundamental_square_s) / span_s)
        current_a = math.sqrt((now.current_square_s - then.current_square_s) / span_s)
        turned_rad = abs(now.angle_rad - then.angle_rad)
        frequency_hz = turned_rad / (2.0 * math.pi * span_s)
        shares: tuple[float, ...] = (1.0 / 3.0,) * 3
        if turned_rad < 2.0 * math.pi:  # less than a period: each phase has its own
            shares = _shares(now.current_a, now.angle_rad)
            frequency_hz = math.nan
        voltages = [line_v / _ROOT_3] * 3
        powers = [power_w * share for share in shares]
        if faults.analyser_lead_open:  # the first phase's own voltage, and one end of two line voltages
            voltages[0] = powers[0] = 0.0
            line_v *= (2.0 / _ROOT_3 + 1.0) / 3.0
            fundamental_v *= (2.0 / _ROOT_3 + 1.0) / 3.0
        felt = _Felt(
            voltages_v=tuple(voltages),
            currents_a=tuple(current_a * math.sqrt(3.0 * share) for share in shares),
            powers_w=tuple(powers),
            line_v=line_v,
            fundamental_v=fundamental_v,
            frequency_hz=frequency_hz if frequency_hz >= _LEAST_HZ else math.nan,
        )
        return self._shown(felt, span_s=span_s, tick=tick)

    def _shown(self, felt: _Felt, *, span_s: float, tick: int) -> Mapping[int, float]:
        """The felt values with the errors of a certificate and the ranges' ends."""
        model = self._model
        scale = model.noise * math.sqrt(_NOISE_S / max(span_s, self._tick_s))
        noise = (np.random.default_rng([self._seed, _NOISE_STREAM, tick]).standard_normal(11) * scale).tolist()
        volt, ampere = 1.0 + model.voltage_gain_error, 1.0 + model.current_gain_error
        watt = 1.0 + model.power_gain_error
        u = [one * (volt + noise[at]) for at, one in enumerate(felt.voltages_v)]
        i = [one * (ampere + noise[3 + at]) for at, one in enumerate(felt.currents_a)]
        p = [one * (watt + noise[6 + at]) + model.power_offset_w / 3.0 for at, one in enumerate(felt.powers_w)]
        apparent_va = sum(a * b for a, b in zip(u, i, strict=True))
        power_w = sum(p)
        values = dict(enumerate((*u, *i, *p), start=1))
        values[10] = felt.line_v * (volt + noise[9])
        values[11] = felt.fundamental_v * (volt + noise[10])
        values[12] = sum(i) / 3.0
        values[13] = power_w
        values[14] = apparent_va
        values[15] = power_w / apparent_va if apparent_va > 0.0 else math.nan
        values[16] = felt.frequency_hz
        over_v = max(max(u) * _ROOT_3, values[10]) > _OVERLOAD * model.voltage_range_v
        over_a = max(i) > _OVERLOAD * model.current_range_a
        if over_v:
            values |= dict.fromkeys((1, 2, 3, 10, 11), math.inf)
        if over_a:
            values |= dict.fromkeys((4, 5, 6, 12), math.inf)
        if over_v or over_a:
            values |= dict.fromkeys((7, 8, 9, 13, 14), math.inf) | {15: math.nan}
        return values


def _shares(current_a: complex, angle_rad: float) -> tuple[float, ...]:
    """Each phase's share of the sum of squares at this instant."""
    if not current_a:
        return (1.0 / 3.0,) * 3
    angle = angle_rad + math.atan2(current_a.imag, current_a.real)
    return tuple(2.0 / 3.0 * math.cos(angle - 2.0 * math.pi * phase / 3.0) ** 2 for phase in range(3))
