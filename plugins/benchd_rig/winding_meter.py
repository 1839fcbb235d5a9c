"""The resistance meter's current through the specimen's winding, and what it measures over four wires.

Its current flows only while the specimen's power leads are open. The torque of that current is not simulated: the rotor
stays as if a pin held it.
"""

import math

import numpy as np

from benchd_rig.brushless import Brushless
from benchd_rig.commands import MeterCommand
from benchd_rig.energy import EnergyAccount
from benchd_rig.shaft import Shaft
from benchd_rig.specimen import BrushlessMotor, ResistanceMeterModel, Specimen

_PAIRS = {12: (0, 1), 23: (1, 2), 13: (0, 2)}
_NOISE_STREAM = 2
_GONE_A = 1e-9


class WindingMeter:
    """State: the current through the winding."""

    def __init__(self, specimen: Specimen, energy: EnergyAccount, *, seed: int) -> None:
        self.current_a = 0.0
        self._model: ResistanceMeterModel = specimen.bench.resistance_meter
        self._motor = specimen.motor
        self._energy = energy
        self._seed = seed
        self._pair = 0

    def rests(self, command: MeterCommand) -> bool:
        """Whether no current flows and none is asked for."""
        return self.current_a == 0.0 and (command.pair == 0 or command.current_a == 0.0)

    def step(self, command: MeterCommand, machine: Shaft | Brushless, *, leads_open: bool, step_s: float) -> None:
        """Let the current approach what is asked for, and the winding take its heat."""
        pair = command.pair if leads_open and self._has(command.pair) else 0
        if pair != self._pair:
            self._pair, self.current_a = pair, 0.0
        if not pair:
            return
        target_a = command.current_a
        self.current_a = target_a + (self.current_a - target_a) * math.exp(-step_s / self._model.rise_s)
        if target_a == 0.0 and abs(self.current_a) < _GONE_A:
            self.current_a = 0.0
        drop_v, ohm = self._drop(machine)
        self._energy.meter_j += drop_v * self.current_a * step_s
        self._energy.copper_j += ohm * self.current_a**2 * step_s
        self._energy.brush_j += (drop_v - ohm * self.current_a) * self.current_a * step_s

    def measured_v(self, machine: Shaft | Brushless, *, tick: int) -> float:
        """Voltage between the sense contacts as the meter reads it."""
        model = self._model
        noise_v = float(np.random.default_rng([self._seed, _NOISE_STREAM, tick]).standard_normal()) * model.noise_v
        if not self._pair:
            return noise_v
        true_v = self._drop(machine)[0] + self._induced_v(machine) + model.thermal_emf_v
        return true_v * (1.0 + model.voltage_gain_error) + noise_v

    def measured_a(self) -> float:
        """Current as the meter reads it."""
        return self.current_a * (1.0 + self._model.current_gain_error)

    def _has(self, pair: int) -> bool:
        return pair in _PAIRS if isinstance(self._motor, BrushlessMotor) else pair == 12

    def _drop(self, machine: Shaft | Brushless) -> tuple[float, float]:
        """Voltage of the current across the winding, and the copper's resistance between the terminals."""
        if isinstance(machine, Shaft):
            return machine.winding_ohm * self.current_a + machine.brush_v(self.current_a), machine.winding_ohm
        spread = machine.phase_spread
        one, other = _PAIRS[self._pair]
        ohm = machine.winding_ohm * (2.0 + spread[one] + spread[other])
        return ohm * self.current_a, ohm

    def _induced_v(self, machine: Shaft | Brushless) -> float:
        if isinstance(machine, Shaft):
            return machine.emf_v
        angle = machine.electrical_angle_rad
        peak_v = machine.emf_v / math.sqrt(1.5)
        one, other = (-math.sin(angle - 2.0 * math.pi * phase / 3.0) for phase in _PAIRS[self._pair])
        return math.copysign(peak_v, machine.rotors.motor_speed_rad_s) * (one - other)
