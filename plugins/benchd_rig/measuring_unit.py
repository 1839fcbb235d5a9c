"""The measuring unit: the latest averaged value of each input, and the sample stream beside it.

Its one job is to answer for its inputs in volts and revolutions; noise, gain errors, overload and lost leads happen in
the plant's sensors, before the numbers arrive here. It switches nothing.
"""

import math
from collections.abc import Mapping
from typing import Protocol

from benchd_rig.scpi_instrument import Parameters, ScpiInstrument
from benchd_rig.scpi_parameters import (
    ScpiRefusal,
    channel_list,
    choice,
    definite_block,
    fixed,
    measured,
    number,
    switch,
)
from benchd_rig.waveform_stream import GRID_HZ, LEAST_RATE_HZ, WAVEFORM_SIGNALS, Sampler, WaveformStream
from benchd_rig.wire_faults import WireFaults

MODEL = "QM8"
_BYTE_ORDERS = ("NORMal", "SWAPped")
SIGNALS: Mapping[int, str] = {
    1: "ai1_v",
    2: "ai2_v",
    3: "ai3_v",
    4: "ai4_v",
    5: "encoder_rpm",
    6: "ai6_v",
}


class Sensors(Sampler, Protocol):
    """What the measuring unit reaches of the plant."""

    def measure(self) -> Mapping[int, float]:
        """Each input's averaged value; infinite for an overloaded one, NaN for a lead that is off."""


class MeasuringUnit:
    """Six inputs: 1 terminal voltage, 2 motor current, 3 torque wide, 4 torque narrow, 5 encoder, 6 DC link.

    Eight more are sampled: 11 to 13 phase voltages, 14 to 16 phase currents, 17 torque wide, 18 current of the link.
    """

    def __init__(self, *, sensors: Sensors, faults: WireFaults) -> None:
        self._sensors = sensors
        self._faults = faults
        self.waveforms = WaveformStream(sampler=sensors, faults=faults)

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
        identity=lambda: other_identity if faults.is_on("wrong_identity") else identity, reset=unit.waveforms.reset
    )

    def fetch(parameters: Parameters) -> str:
        inputs = channel_list(parameters[0], first=1, last=len(SIGNALS)) if parameters else tuple(SIGNALS)
        values = unit.values()
        return ",".join(measured(values[each]) for each in inputs)

    instrument.on("FETCh?", fetch, parameters=(0, 1))
    _add_waveforms(instrument, unit.waveforms, faults=faults)
    return instrument


def _add_waveforms(instrument: ScpiInstrument, stream: WaveformStream, *, faults: WireFaults) -> None:
    """The commands of the sample stream."""

    def kind(parameters: Parameters) -> None:
        choice(parameters[0], ("REAL",))
        if len(parameters) > 1 and number(parameters[1], unit="", low=0, high=64, default=32) != 32:
            raise ScpiRefusal(-224)

    def order(parameters: Parameters) -> None:
        stream.byte_order = "little" if choice(parameters[0], _BYTE_ORDERS) == "SWAPped" else "big"

    def channels(parameters: Parameters) -> None:
        stream.select(channel_list(parameters[0], first=min(WAVEFORM_SIGNALS), last=max(WAVEFORM_SIGNALS)))

    def rate(parameters: Parameters) -> None:
        stream.set_rate(number(parameters[0], unit="HZ", low=LEAST_RATE_HZ, high=GRID_HZ, default=GRID_HZ))

    def data(_: Parameters) -> bytes:
        block = stream.take()
        payload, announced = block.payload, len(block.payload)
        fault = faults.strike("truncated_block") if payload else None
        if fault is not None:
            payload = payload[: max(0, announced - round(fault["missing_bytes"]))]
        return f"{block.first_index:012d},{block.lost:06d},".encode() + definite_block(payload, announced=announced)

    one = (1, 1)
    instrument.on("FORMat[:DATA]", kind, parameters=(1, 2))
    instrument.on("FORMat[:DATA]?", lambda _: "REAL,32")
    instrument.on("FORMat:BORDer", order, parameters=one)
    instrument.on("FORMat:BORDer?", lambda _: "SWAP" if stream.byte_order == "little" else "NORM")
    instrument.on("WAVeform:CHANnels", channels, parameters=one)
    instrument.on("WAVeform:CHANnels?", lambda _: f"(@{','.join(map(str, stream.channels))})")
    instrument.on("WAVeform:RATE", rate, parameters=one)
    instrument.on("WAVeform:RATE?", lambda _: fixed(stream.rate_hz, decimals=3))
    instrument.on("WAVeform:STATe", lambda p: stream.start() if switch(p[0]) else stream.stop(), parameters=one)
    instrument.on("WAVeform:STATe?", lambda _: str(int(stream.running)))
    instrument.on("WAVeform:DATA?", data)
