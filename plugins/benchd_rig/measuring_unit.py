"""The measuring unit: the latest averaged value of each input.

Its one job is to answer for its inputs in volts and revolutions; noise, gain errors, overload and lost leads happen in
the plant's sensors, before the numbers arrive here. It switches nothing.
"""

import math
from collections.abc import Mapping
from typing import Protocol

from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import channel_list, measured
from benchd_rig.wire_faults import WireFaults

MODEL = "QM8"
SIGNALS: Mapping[int, str] = {
    1: "ai1_v",
    2: "ai2_v",
    3: "ai3_v",
    4: "ai4_v",
    5: "encoder_rpm",
    6: "ai6_v",
}


class Sensors(Protocol):
    """What the measuring unit reaches of the plant."""

    def measure(self) -> Mapping[int, float]:
        """Each input's averaged value; infinite for an overloaded one, NaN for a lead that is off."""


class MeasuringUnit:
    """Six inputs: 1 terminal voltage, 2 motor current, 3 torque wide, 4 torque narrow, 5 encoder, 6 DC link."""

    def __init__(self, *, sensors: Sensors, faults: WireFaults) -> None:
        self._sensors = sensors
        self._faults = faults

    def values(self) -> Mapping[int, float]:
        """Each input's averaged value in V or r/min, by input number."""
        if self._faults.is_on("nan"):
            return dict.fromkeys(SIGNALS, math.nan)
        return self._sensors.measure()


def measuring_instrument(
    unit: MeasuringUnit, *, faults: WireFaults, identity: str, other_identity: str
) -> ScpiInstrument:
    """The measuring unit's SCPI command tree."""
    instrument = ScpiInstrument(
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=lambda: None
    )

    def fetch(parameters: Parameters) -> str:
        inputs = channel_list(parameters[0], first=1, last=len(SIGNALS)) if parameters else tuple(SIGNALS)
        values = unit.values()
        return ",".join(measured(values[each]) for each in inputs)

    instrument.on("FETCh?", fetch, parameters=(0, 1))
    return instrument
