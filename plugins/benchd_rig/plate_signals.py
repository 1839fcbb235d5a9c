"""Ports whose signals bear a bench file's own names and scales, on the rig's own devices behind them.

Its one job is names and scales: a signal is what the bench's sensor would put out for the true quantity, so that the
live code above reads it back through the same calibration. It must never change what a device does.
"""

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from benchd.contract import (
    DriveParameters,
    MeasuringReading,
    PlatePort,
    PlateSignal,
    PowerReading,
    SampleBlock,
)
from benchd_rig.axis_drive import AxisDrive
from benchd_rig.in_process_drive import InProcessDrive
from benchd_rig.in_process_measuring import InProcessMeasuringUnit, InProcessPowerAnalyser, InProcessWaveforms
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.measuring_unit import SIGNALS, MeasuringUnit
from benchd_rig.power_analyser import RESULTS, PowerAnalyser
from benchd_rig.sensors import FULL_SCALE_V
from benchd_rig.specimen import SensorsModel
from benchd_rig.waveform_stream import WaveformStream
from benchd_rig.wire_faults import WireFaults

INPUTS: Mapping[str, int] = {
    "dc_voltage": 1,
    "dc_current": 2,
    "shaft_torque": 3,
    "shaft_torque_narrow": 4,
    "shaft_speed": 5,
    "link_voltage": 6,
}
SAMPLED: Mapping[str, int] = {
    **{f"phase_voltage_{phase}": phase - 1 for phase in (1, 2, 3)},
    **{f"phase_current_{phase}": phase + 2 for phase in (1, 2, 3)},
    "dc_voltage": 0,  # of a brushed specimen
    "shaft_torque": 6,
    "dc_current": 7,
}
ANALYSED: Mapping[str, int] = {
    **{f"phase_voltage_{phase}": phase for phase in (1, 2, 3)},
    **{f"phase_current_{phase}": phase + 3 for phase in (1, 2, 3)},
    **{f"phase_power_{phase}": phase + 6 for phase in (1, 2, 3)},
    "motor_voltage": 10,
    "motor_voltage_fundamental": 11,
    "motor_current": 12,
    "motor_power": 13,
    "motor_apparent_power": 14,
    "power_factor": 15,
    "motor_frequency": 16,
}
TEMPERATURES = ("winding", "housing", "ambient", "magnet")


def raw(signal: PlateSignal, quantity: float) -> float:
    """What the bench's sensor puts out for this value of its channel's quantity."""
    return (signal.sign * quantity - signal.offset) / signal.gain


def unsimulated(port: PlatePort, known: Mapping[str, int]) -> list[str]:
    """A sentence for each signal of the port behind which nothing is simulated."""
    return [
        f"{port.device}.{port.port}.{signal.signal}: nothing is simulated for the channel {signal.channel}; it reads "
        "nothing."
        for signal in port.signals
        if signal.channel is not None and signal.channel not in known
    ]


class PlateInputs:
    """A measuring unit's port."""

    def __init__(self, wire: InProcessWire, unit: MeasuringUnit, port: PlatePort, model: SensorsModel) -> None:
        self._inner = InProcessMeasuringUnit(wire, unit)
        transducer = model.transducer
        per_volt = {
            1: 1.0 / model.volt_per_volt,
            2: 1.0 / model.volt_per_ampere,
            3: transducer.nominal_nm / FULL_SCALE_V,
            4: transducer.narrow_nm / FULL_SCALE_V,
            5: 1.0,
            6: 1.0 / model.volt_per_volt,
        }
        self._signals = [
            (signal, SIGNALS[number], per_volt[number])
            for signal in port.signals
            for number in [INPUTS.get(signal.channel or "")]
            if number is not None
        ]
        self._others = {signal.signal: 0.0 for signal in port.signals if signal.channel not in INPUTS}

    async def read(self) -> MeasuringReading:
        """Every input's averaged value; infinite for an overloaded one, NaN for a lead that is off."""
        inner = await self._inner.read()
        values = dict(self._others)
        for signal, name, per_volt in self._signals:
            values[signal.signal] = raw(signal, inner.values[name] * per_volt)
        overloaded = frozenset(name for name, value in values.items() if math.isinf(value))
        return MeasuringReading(values=values, overloaded=overloaded, taken_mono_s=inner.taken_mono_s)


class PlateWaveforms(InProcessWaveforms):
    """A sample stream's port, at the rate that the bench file states."""

    def __init__(
        self,
        wire: InProcessWire,
        stream: WaveformStream,
        faults: WireFaults,
        *,
        port: PlatePort,
        model: SensorsModel,
        rate_hz: float | None,
    ) -> None:
        super().__init__(wire, stream, faults)
        self._rate_hz = rate_hz
        self._names = tuple(signal.signal for signal in port.signals)
        columns = [SAMPLED.get(signal.channel or "") for signal in port.signals]
        per_volt = [
            *[1.0 / model.volt_per_volt] * 3,
            *[1.0 / model.volt_per_ampere] * 3,
            model.transducer.nominal_nm / FULL_SCALE_V,
            1.0 / model.volt_per_ampere,
        ]
        self._columns = [0 if column is None else column for column in columns]
        self._slope = np.array(
            [
                0.0 if column is None else signal.sign * per_volt[column] / signal.gain
                for column, signal in zip(columns, port.signals, strict=True)
            ]
        )
        self._offset = np.array([-signal.offset / signal.gain for signal in port.signals])

    def _begin(self) -> None:
        super()._begin()
        if self._rate_hz is not None:
            self._stream.stop()
            self._stream.set_rate(self._rate_hz)
            self._stream.start()

    def _block(self) -> SampleBlock:
        block = super()._block()
        volt = np.frombuffer(block.data, dtype="<f4").reshape(-1, len(block.signals))
        told = volt[:, self._columns] * self._slope + self._offset
        return SampleBlock(
            signals=self._names,
            rate_hz=block.rate_hz,
            first_index=block.first_index,
            lost=block.lost,
            data=told.astype("<f4").tobytes(),
            taken_mono_s=block.taken_mono_s,
        )


class PlateAnalyser:
    """A power analyser's port."""

    def __init__(self, wire: InProcessWire, analyser: PowerAnalyser, port: PlatePort) -> None:
        self._inner = InProcessPowerAnalyser(wire, analyser)
        self._signals = [(signal, RESULTS.get(ANALYSED.get(signal.channel or "", 0))) for signal in port.signals]

    async def read(self) -> PowerReading:
        """The latest result; infinite for an overloaded value, NaN where there is no number."""
        inner = await self._inner.read()
        values = {
            signal.signal: math.nan if name is None else raw(signal, inner.values[name])
            for signal, name in self._signals
        }
        return PowerReading(
            values=values,
            overloaded=frozenset(name for name, value in values.items() if math.isinf(value)),
            window_s=inner.window_s,
            taken_mono_s=inner.taken_mono_s,
        )


class PlateDrive(InProcessDrive):
    """A drive's port that tells its parameters by the names of the bench's own register map."""

    def __init__(
        self,
        wire: InProcessWire,
        drive: AxisDrive,
        faults: WireFaults,
        *,
        names: Sequence[str],
        stated: Mapping[str, float],
    ) -> None:
        super().__init__(wire, drive, faults)
        self._names = tuple(names)
        self._stated = dict(stated)

    def _parameters(self) -> DriveParameters:
        own = super()._parameters().values
        told = {name: self._stated.get(name, own.get(name, 0.0)) for name in self._names}
        return DriveParameters(values={**told, **self._stated})


def thermometer_sources(
    port: PlatePort, found: Mapping[str, Callable[[], float]]
) -> tuple[dict[str, Callable[[], float]], list[str]]:
    """Each thermometer's source by name, and a sentence for each that stands at the temperature of the air."""
    sources: dict[str, Callable[[], float]] = {}
    told: list[str] = []
    for signal in port.signals:
        name = signal.signal.removesuffix("_degc")
        body = (signal.channel or name).removesuffix("_temperature")
        if body not in TEMPERATURES:
            told.append(f"{port.device}.{port.port}.{signal.signal}: stands at the temperature of the air.")
            body = "ambient"
        sources[name] = _felt(signal, found[body])
    return sources, told


def _felt(signal: PlateSignal, true_degc: Callable[[], float]) -> Callable[[], float]:
    return lambda: raw(signal, true_degc())
