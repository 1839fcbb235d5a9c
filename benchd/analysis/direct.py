"""Direct input-output measurement: what each point of one test shows of shaft, terminals and DC side.

It must never fit. Shaft power is torque times speed. A brushed motor's input is the mean voltage times the mean current
at its terminals; a brushless one's is what the power analyser integrates between converter and motor (IEC 60034-2-3 in
kind, value from memory), and the converter's input is the mean voltage times the mean current at its DC side. All
points share their sensors' gain errors, so that errors cancel in ratios as far as they do in reality.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.analysis.dc_machine import RAD_S_PER_RPM
from benchd.analysis.inputs import Inputs, Scalar
from benchd.analysis.point_results import UNITS
from benchd.analysis.points import PointTable, point_table
from benchd.analysis.propagation import Source
from benchd.analysis.record import Record, RecordedTest
from benchd.analysis.torque import ACCELERATION, SPEED, ShaftTorque, torque_ranges

Floats = NDArray[np.float64]
Columns = dict[str, Floats]

DC_VOLTAGE, DC_CURRENT = "dc_voltage", "dc_current"
POWER, LINE_VOLTAGE, FUNDAMENTAL = "motor_power", "motor_voltage", "motor_voltage_fundamental"
MOTOR_CURRENT, FREQUENCY, APPARENT, POWER_FACTOR = (
    "motor_current",
    "motor_frequency",
    "motor_apparent_power",
    "power_factor",
)
TEMPERATURES = ("winding_temperature", "housing_temperature", "magnet_temperature", "ambient_temperature")
PHASES = tuple(f"phase_{what}_{n}" for what in ("voltage", "current", "power") for n in (1, 2, 3))
AC = (POWER, LINE_VOLTAGE, FUNDAMENTAL, MOTOR_CURRENT, FREQUENCY, APPARENT, POWER_FACTOR)
PLAIN = (LINE_VOLTAGE, FUNDAMENTAL, MOTOR_CURRENT, FREQUENCY, *TEMPERATURES)  # columns that are channels themselves
BESIDE = ("drive_speed", "supply_voltage", *PHASES)  # looked at for plausibility, in no quantity


def channels_of(record: Record) -> tuple[str, ...]:
    """The channels that tell something about a point of this kind of motor."""
    ac = AC if record.kind == "brushless" else ()
    return (SPEED, DC_VOLTAGE, DC_CURRENT, *ac, *TEMPERATURES, *torque_ranges(record))


def ratio(above: Floats, below: Floats) -> Floats:
    """Above by below, NaN where there is nothing to divide by."""
    found = np.full(np.broadcast_shapes(above.shape, below.shape), np.nan)
    return np.asarray(np.divide(above, below, out=found, where=below != 0.0), dtype=np.float64)


class DirectPoints:
    """One test's points that have a speed; every other number may be missing at some of them (NaN)."""

    def __init__(
        self, record: Record, test: RecordedTest, *, models: Sequence[str] = (), scalars: Sequence[Scalar] = ()
    ) -> None:
        self.record, self.test = record, test
        self.brushless = record.kind == "brushless"
        self.all = point_table(record, [test.index], [*channels_of(record), *BESIDE])
        turning = np.abs(self.all.mean[SPEED]) > 0.0 if SPEED in self.all.mean else np.zeros(self.all.size, np.bool_)
        self.table: PointTable = self.all.take(turning)
        self.shaft = ShaftTorque(record, self.table)
        held = [c for c in channels_of(record) if c in self.shaft.channels or self._in_use(c)]
        self.inputs = Inputs(
            record=record,
            table=self.table,
            channels=held,
            models=(*models, ACCELERATION),
            scalars=(*scalars, *self.shaft.scalars),
        )
        self.sources: list[Source] = [*self.inputs.sources, *self.shaft.sources(self.inputs)]
        speed = self.table.mean.get(SPEED, np.zeros(0))
        self.way = np.sign(speed)  # (n,) direction of rotation
        self._positive: dict[str, NDArray[np.bool_]] = {}  # by power: where it is, under no error
        found = self.columns(self.nominal)
        powers = ("shaft_power", "input_power", "converter_input_power")
        self._positive = {n: found[n][0] > 0.0 for n in powers if n in found}

    def _in_use(self, channel: str) -> bool:
        return channel not in torque_ranges(self.record) and self.table.has(channel)

    @property
    def nominal(self) -> Floats:
        """The points without any error, as a batch of one (1, m)."""
        return self.inputs.nominal[None, :]

    @property
    def input_current(self) -> str:
        """The column that is the motor's own current."""
        return MOTOR_CURRENT if self.brushless else DC_CURRENT

    def columns(self, x: Floats) -> Columns:
        """What the points show under the errors x (b, m), each (b, n); absent where a channel is, NaN where a mean is.

        Speed and torque count in the direction the motor turned: a torque is positive while it motors. Efficiencies
        are stated only where it motors.
        """
        found: Columns = {}
        if SPEED not in self.inputs.channels:
            return found
        found["speed"] = self.way * self.inputs.channel(x, SPEED)
        if self.shaft.usable.any():
            found["torque"] = self.way * self.shaft.at(self.inputs, x)
            found["shaft_power"] = found["torque"] * found["speed"] * RAD_S_PER_RPM
        self._electrical(x, found)
        self._powers(found)
        found |= {name: self.inputs.channel(x, name) for name in PLAIN if name in self.inputs.channels}
        if "torque" in found and self.input_current in found:
            found["torque_per_ampere"] = ratio(found["torque"], found[self.input_current])
        return {name: found[name] for name in UNITS if name in found}

    def _electrical(self, x: Floats, found: Columns) -> None:
        inputs, held = self.inputs, self.inputs.channels
        for channel in (DC_VOLTAGE, DC_CURRENT):
            if channel in held:
                sign = 1.0 if self.brushless else np.sign(self.table.mean.get(DC_VOLTAGE, 1.0))
                found[channel] = np.asarray(sign * inputs.channel(x, channel))
        if DC_VOLTAGE in found and DC_CURRENT in found:
            name = "converter_input_power" if self.brushless else "input_power"
            found[name] = found[DC_VOLTAGE] * found[DC_CURRENT]
        if not self.brushless:
            return
        if POWER in held:
            found["input_power"] = inputs.channel(x, POWER)
        if POWER_FACTOR in held:
            found[POWER_FACTOR] = inputs.channel(x, POWER_FACTOR)
        elif POWER in held and APPARENT in held:
            found[POWER_FACTOR] = ratio(inputs.channel(x, POWER), inputs.channel(x, APPARENT))

    def _powers(self, found: Columns) -> None:
        shaft, motor, dc = (found.get(n) for n in ("shaft_power", "input_power", "converter_input_power"))
        positive, nothing = self._positive, np.full(self.table.size, np.nan)
        if not positive:
            return
        if shaft is not None and motor is not None:
            found["losses"] = motor - shaft
            motoring = positive["shaft_power"] & positive["input_power"]
            found["efficiency"] = np.where(motoring, ratio(shaft, motor), nothing)
        if motor is not None and dc is not None:
            found["converter_losses"] = dc - motor
            feeding = positive["input_power"] & positive["converter_input_power"]
            found["converter_efficiency"] = np.where(feeding, ratio(motor, dc), nothing)
        if shaft is not None and dc is not None:
            motoring = positive["shaft_power"] & positive["converter_input_power"]
            found["system_efficiency"] = np.where(motoring, ratio(shaft, dc), nothing)

    def why_missing(self, *names: str) -> str:
        """Why a column that needs all these is not there, in words; "" where it is there at some point."""
        needs = {
            "torque": torque_ranges(self.record)[:1] or ("shaft_torque",),
            "speed": (SPEED,),
            "input_power": (POWER,) if self.brushless else (DC_VOLTAGE, DC_CURRENT),
            "converter_input_power": (DC_VOLTAGE, DC_CURRENT),
        }
        for name in names:
            for channel in needs.get(name, (name,)):
                if channel not in self.record.values:
                    return f"the run has no channel {channel}"
                if not self.table.has(channel) and not (name == "torque" and self.shaft.usable.any()):
                    return f"there is no usable {channel}"
        return ""
