"""The winding's temperature as its copper loss makes it, held against the thermometer. Pure."""

import math
from collections.abc import Mapping

from benchd.rules.channels import Quality
from benchd.rules.derivations import ThermalModel
from benchd.rules.derived import BELIEVED, Input, worst
from benchd.rules.frames import NOTHING_YET, Sample

_COPPER_K = 235.0  # IEC 60034-1, value from memory
_AT_DEGC = 20.0  # what data sheets state resistance at


class ThermalModelAtWork:
    """A `ThermalModel`, exact for a loss that is constant between two looks.

    Begins at the measured temperature: with each run, and anew where an input was not to be believed.
    """

    def __init__(self, rule: ThermalModel, inputs: Mapping[str, Input]) -> None:
        self._rule = rule
        self._inputs = tuple(inputs[name] for name in rule.inputs)
        self._network = _network(rule)
        self._winding_degc = math.nan
        self._housing_degc = math.nan
        self._squared = 0.0  # current squared at the last look
        self._looked_s = -math.inf

    def begin(self, _time_mono_s: float, /) -> None:
        """The model begins at what is measured now."""
        self._winding_degc = math.nan

    def leap(self, _seconds: float, /) -> None:
        """The next look steps over it: exact for a loss that stays the same."""

    def update(self, samples: Mapping[str, Sample], now_mono_s: float) -> Sample:
        """See `benchd.rules.derived.Derived`."""
        rule = self._rule
        if rule.resistance_ohm is None or rule.loss_factor is None:
            return NOTHING_YET
        quality, oldest_s = Quality.GOOD, math.inf
        for one in self._inputs:
            sample = samples[one.name]
            quality = worst(quality, one.quality(sample, now_mono_s))
            oldest_s = min(oldest_s, sample.taken_mono_s)
        current, measured, reference = (samples[one.name].value for one in self._inputs)
        if quality not in BELIEVED or not math.isfinite(current) or not math.isfinite(measured + reference):
            self._winding_degc = math.nan
            return Sample(math.nan, worst(quality, Quality.NOT_A_NUMBER), oldest_s)
        squared = current * current
        if math.isnan(self._winding_degc):
            self._winding_degc = self._housing_degc = measured
        elif now_mono_s > self._looked_s:
            ohm = rule.resistance_ohm * (_COPPER_K + self._winding_degc) / (_COPPER_K + _AT_DEGC)
            loss_w = rule.loss_factor * 0.5 * (self._squared + squared) * ohm
            self._step(loss_w, reference, now_mono_s - self._looked_s)
        self._squared, self._looked_s = squared, now_mono_s
        if not math.isfinite(self._winding_degc):  # of a current too large to compute with
            self._winding_degc = math.nan
            return Sample(math.nan, Quality.NOT_A_NUMBER, oldest_s)
        return Sample(self._winding_degc - measured, quality, oldest_s)

    def _step(self, loss_w: float, reference_degc: float, seconds: float) -> None:
        """Towards the steady state along the network's own exponentials."""
        to_housing, to_reference, fast_per_s, slow_per_s, a_per_s = self._network
        housing_end = reference_degc + loss_w * to_reference
        winding_end = housing_end + loss_w * to_housing
        winding = self._winding_degc - winding_end
        if to_reference == 0.0:
            self._winding_degc = winding_end + winding * math.exp(-a_per_s * seconds)
            return
        housing = self._housing_degc - housing_end
        fast, slow = math.exp(-fast_per_s * seconds), math.exp(-slow_per_s * seconds)
        # Sylvester's formula for the matrix [[-a, a], [b, -(b + c)]] with the eigenvalues -fast and -slow
        apart = fast_per_s - slow_per_s
        d_per_s = fast_per_s + slow_per_s - a_per_s  # b + c, by the trace
        b_per_s = d_per_s - fast_per_s * slow_per_s / a_per_s  # c is the determinant over a
        slope_w = -a_per_s * winding + a_per_s * housing
        slope_h = b_per_s * winding - d_per_s * housing
        self._winding_degc = (
            winding_end + (slow * (slope_w + fast_per_s * winding) - fast * (slope_w + slow_per_s * winding)) / apart
        )
        self._housing_degc = (
            housing_end + (slow * (slope_h + fast_per_s * housing) - fast * (slope_h + slow_per_s * housing)) / apart
        )


def _network(rule: ThermalModel) -> tuple[float, float, float, float, float]:
    """Thermal resistances to housing and on to the reference, both rates of the network, and the winding's own."""
    a_per_s = 1.0 / (rule.resistance_k_per_w * rule.capacity_j_per_k)
    if rule.housing_k_per_w is None or rule.housing_j_per_k is None:
        return rule.resistance_k_per_w, 0.0, a_per_s, a_per_s, a_per_s
    b_per_s = 1.0 / (rule.resistance_k_per_w * rule.housing_j_per_k)
    c_per_s = 1.0 / (rule.housing_k_per_w * rule.housing_j_per_k)
    middle = 0.5 * (a_per_s + b_per_s + c_per_s)
    apart = math.sqrt(middle * middle - a_per_s * c_per_s)
    return rule.resistance_k_per_w, rule.housing_k_per_w, middle + apart, middle - apart, a_per_s
