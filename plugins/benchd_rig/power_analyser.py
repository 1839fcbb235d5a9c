"""The power analyser between converter and specimen: results integrated over a window.

Its one job is to answer for its results and its window; rms, power, frequency and their errors happen in the plant. It
switches nothing.
"""

import math
from collections.abc import Mapping
from typing import Protocol

from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import channel_list, fixed, measured, number
from benchd_rig.wire_faults import WireFaults

MODEL = "QP3"
RESULTS: Mapping[int, str] = {
    1: "u1_v",
    2: "u2_v",
    3: "u3_v",
    4: "i1_a",
    5: "i2_a",
    6: "i3_a",
    7: "p1_w",
    8: "p2_w",
    9: "p3_w",
    10: "u_v",
    11: "u_fundamental_v",
    12: "i_a",
    13: "p_w",
    14: "s_va",
    15: "power_factor",
    16: "frequency_hz",
}
BANDWIDTH_HZ = 500_000.0
LEAST_WINDOW_S = 0.05
LONGEST_WINDOW_S = 1.0
USUAL_WINDOW_S = 0.1


class Analysed(Protocol):
    """What the analyser reaches of the plant."""

    def analyse(self, window_s: float) -> Mapping[int, float]:
        """Results by number over the last window; infinite for an overloaded one, NaN where there is none."""


class PowerAnalyser:
    """Sixteen results of three phases, see `RESULTS`."""

    def __init__(self, *, phases: Analysed, faults: WireFaults) -> None:
        self._phases = phases
        self._faults = faults
        self.reset()

    def reset(self) -> None:
        """The state after power-up and after `*RST`."""
        self.window_s = USUAL_WINDOW_S

    def set_window(self, window_s: float) -> None:
        """Integrate over this time, within [0.05, 1] s, in steps of 1 ms."""
        self.window_s = round(window_s, 3)

    def values(self) -> Mapping[int, float]:
        """Each result by its number."""
        if self._faults.is_on("nan"):
            return dict.fromkeys(RESULTS, math.nan)
        return self._phases.analyse(self.window_s)


def analyser_instrument(
    analyser: PowerAnalyser, *, faults: WireFaults, identity: str, other_identity: str
) -> ScpiInstrument:
    """The power analyser's SCPI command tree."""
    instrument = ScpiInstrument(
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=analyser.reset
    )

    def fetch(parameters: Parameters) -> str:
        results = channel_list(parameters[0], first=1, last=len(RESULTS)) if parameters else tuple(RESULTS)
        values = analyser.values()
        return ",".join(measured(values[each]) for each in results)

    def window(parameters: Parameters) -> None:
        low, high = LEAST_WINDOW_S, LONGEST_WINDOW_S
        analyser.set_window(number(parameters[0], unit="S", low=low, high=high, default=USUAL_WINDOW_S))

    instrument.on("FETCh?", fetch, parameters=(0, 1))
    instrument.on("[SENSe:]BANDwidth?", lambda _: measured(BANDWIDTH_HZ))
    instrument.on("[SENSe:]SWEep:TIME", window, parameters=(1, 1))
    instrument.on("[SENSe:]SWEep:TIME?", lambda _: fixed(analyser.window_s, decimals=3))
    return instrument
