"""The measuring unit's inputs: what they make of the true values, with every error within a calibration certificate's.

Inputs 1 terminal voltage, 2 motor current, 3 torque wide range (10 V at nominal), 4 torque narrow range (10 V at its
own nominal), 5 encoder speed (r/min), 6 link voltage; volts per volt and per ampere as the specimen file says. On a
brushless bench 1 and 2 sit at the converter's DC input. The encoder sits at the specimen's side of the coupling. This
file must never be asked for a true value.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchd_rig.commands import PlantFaults
from benchd_rig.specimen import InputModel, SensorsModel

FULL_SCALE_V = 10.0
_INPUTS = 6
_BLOCK = 512  # ticks whose noise is drawn together
_BLOCK_STREAM = 6
SATURATION_V = 1.05 * FULL_SCALE_V  # common practice: a few percent above the range


@dataclass(frozen=True, slots=True, kw_only=True)
class Averages:
    """True values averaged over the measuring unit's window."""

    terminal_voltage_v: float
    link_voltage_v: float
    current_a: float
    torque_nm: float
    speed_rpm: float


class InputNoise:
    """White noise of all inputs by seed and tick, the same however often it is asked for.

    Drawn tick by tick; or `together` for many ticks, which gives other numbers and takes a twentieth of the time.
    """

    def __init__(self, seed: int, *, together: bool = False) -> None:
        self._seed = seed
        self._together = together
        self._block = -1
        self._rows: list[list[float]] = []

    def at(self, tick: int) -> list[float]:
        """One number an input, standard deviation 1."""
        if not self._together:
            one: list[float] = np.random.default_rng([self._seed, tick]).standard_normal(_INPUTS).tolist()
            return one
        block, row = divmod(tick, _BLOCK)
        if block != self._block:
            drawn = np.random.default_rng([self._seed, _BLOCK_STREAM, block]).standard_normal((_BLOCK, _INPUTS))
            self._block, self._rows = block, drawn.tolist()
        return self._rows[row]


def read_inputs(
    model: SensorsModel, faults: PlantFaults, averages: Averages, *, noise: Sequence[float]
) -> Mapping[int, float]:
    """Input number to its value in the input's own unit; ±inf for an overloaded input, NaN where a lead is off.

    `noise` is one number an input, see `InputNoise`.
    """
    torque_nm = averages.torque_nm * (1.0 + faults.transducer_gain_error) + faults.transducer_offset_nm
    torque_nm = _turned(torque_nm, faults.transducer_sign_flipped)
    terminal_v = _turned(averages.terminal_voltage_v, faults.sense_lead_reversed)
    current_a = _turned(averages.current_a * (1.0 + faults.current_ratio_error), faults.current_sensor_reversed)
    transducer = model.transducer
    volt, ampere = model.volt_per_volt, model.volt_per_ampere
    wide, narrow = FULL_SCALE_V / transducer.nominal_nm, FULL_SCALE_V / transducer.narrow_nm
    speed_rpm = 0.0
    if not faults.encoder_silent:
        counted_rpm = averages.speed_rpm * (1.0 + faults.encoder_ratio_error)
        speed_rpm = _turned(counted_rpm, faults.encoder_sign_flipped) + noise[4] * model.encoder_noise_rpm
    if model.encoder_resolution_rpm > 0.0:
        speed_rpm = round(speed_rpm / model.encoder_resolution_rpm) * model.encoder_resolution_rpm
    values = {
        1: _analog(model.terminal_voltage, terminal_v, noise=noise[0], volt_per_unit=volt),
        2: _analog(model.current, current_a, noise=noise[1], volt_per_unit=ampere),
        3: _analog(transducer.wide, torque_nm, noise=noise[2], volt_per_unit=wide),
        4: _analog(transducer.narrow, torque_nm, noise=noise[3], volt_per_unit=narrow),
        5: speed_rpm,
        6: _analog(model.link_voltage, averages.link_voltage_v, noise=noise[5], volt_per_unit=volt),
    }
    off = ((faults.sense_lead_open, 1), (faults.current_lead_open, 2), (faults.encoder_lost, 5))
    for is_off, number in (*off, (faults.transducer_lead_open, 3), (faults.transducer_lead_open, 4)):
        if is_off:
            values[number] = math.nan
    return values


def _turned(value: float, is_turned: bool) -> float:  # noqa: FBT001  (what is the matter with it)
    return -value if is_turned else value


def _analog(model: InputModel, true: float, *, noise: float, volt_per_unit: float) -> float:
    volt = (true * (1.0 + model.gain_error) + model.offset + noise * model.noise) * volt_per_unit
    return math.copysign(math.inf, volt) if abs(volt) > SATURATION_V else volt
