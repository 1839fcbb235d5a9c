"""The simulated measuring devices as in-process ports: averaged inputs, sample stream, power analyser, thermometers.

Its one job is to say in the contract's words what the device models tell. None of these ports can energise anything.
"""

import math

from benchd.contract import (
    MeasuringReading,
    PowerReading,
    Refused,
    ReplyWrong,
    SampleBlock,
    ThermometersReading,
)
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.measuring_unit import SIGNALS, MeasuringUnit
from benchd_rig.power_analyser import RESULTS, PowerAnalyser
from benchd_rig.scpi_parameters import ScpiRefusal
from benchd_rig.thermometers import Thermometers
from benchd_rig.waveform_stream import WAVEFORM_SIGNALS, WaveformStream
from benchd_rig.wire_faults import WireFaults


class InProcessMeasuringUnit:
    """The port "inputs"."""

    def __init__(self, wire: InProcessWire, unit: MeasuringUnit) -> None:
        self._wire = wire
        self._unit = unit

    async def read(self) -> MeasuringReading:
        """Every input's averaged value; infinite for an overloaded one, NaN for a lead that is off."""

        def look() -> MeasuringReading:
            values = {SIGNALS[number]: value for number, value in self._unit.values().items()}
            overloaded = frozenset(name for name, value in values.items() if math.isinf(value))
            return MeasuringReading(values=values, overloaded=overloaded, taken_mono_s=self._wire.now())

        return await self._wire.exchange("reading", look)


class InProcessWaveforms:
    """The port "waveforms": all eight sampled inputs at the unit's full rate, `ai11_v` to `ai18_v`."""

    def __init__(self, wire: InProcessWire, stream: WaveformStream, faults: WireFaults) -> None:
        self._wire = wire
        self._stream = stream
        self._faults = faults

    async def start(self) -> None:
        """Start the stream anew, counting samples from 0."""
        await self._wire.write("stream", self._begin, lambda: self._stream.running)

    async def read_block(self) -> SampleBlock:
        """All samples since the last block. Raises `Refused` while the stream does not run."""
        block = await self._wire.exchange("block", self._block)
        if block.data and self._faults.strike("truncated_block") is not None:
            raise self._wire.spoil(ReplyWrong("The measuring_unit's sample block ends too early: reconnect."))
        return block

    async def stop(self) -> None:
        """End the stream."""
        await self._wire.write("stream", self._stream.stop, lambda: not self._stream.running)

    def _begin(self) -> None:
        self._stream.reset()
        self._stream.byte_order = "little"
        self._stream.start()

    def _block(self) -> SampleBlock:
        try:
            taken = self._stream.take()
        except ScpiRefusal as refusal:
            raise Refused(f"The measuring_unit refuses: {refusal}; start the stream first.") from refusal
        return SampleBlock(
            signals=tuple(WAVEFORM_SIGNALS.values()),
            rate_hz=self._stream.rate_hz,
            first_index=taken.first_index,
            lost=taken.lost,
            data=taken.payload,
            taken_mono_s=self._wire.now(),
        )


class InProcessPowerAnalyser:
    """The port "result"."""

    def __init__(self, wire: InProcessWire, analyser: PowerAnalyser) -> None:
        self._wire = wire
        self._analyser = analyser

    async def read(self) -> PowerReading:
        """The latest result; infinite for an overloaded value, NaN where there is no number."""

        def look() -> PowerReading:
            values = {RESULTS[number]: value for number, value in self._analyser.values().items()}
            return PowerReading(
                values=values,
                overloaded=frozenset(name for name, value in values.items() if math.isinf(value)),
                window_s=self._analyser.window_s,
                taken_mono_s=self._wire.now(),
            )

        return await self._wire.exchange("reading", look)


class InProcessThermometers:
    """The port "group"."""

    def __init__(self, wire: InProcessWire, thermometers: Thermometers) -> None:
        self._wire = wire
        self._thermometers = thermometers

    async def read(self) -> ThermometersReading:
        """All temperatures; None for an open sensor."""

        def look() -> ThermometersReading:
            temperatures = self._thermometers.temperatures_degc()
            return ThermometersReading(temperatures_degc=temperatures, taken_mono_s=self._wire.now())

        return await self._wire.exchange("reading", look)
