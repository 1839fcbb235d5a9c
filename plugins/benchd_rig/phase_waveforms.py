"""The sampled inputs 11 to 18 of the measuring unit: the last 2 s of the plant's steps, made into samples when asked.

11, 12, 13 phase voltage (fundamental, to the star point), 14, 15, 16 phase current, 17 shaft torque, 18 DC current; a
brushed bench has its terminal voltage at 11 and its current at 14 and 18, and nothing at the others. Samples stand on a
grid of 20 kHz whose sample 0 is plant time 0. The same samples give the same numbers, whoever asks and however often.
"""

import math

import numpy as np
from numpy.typing import NDArray

from benchd_rig.commands import PlantFaults
from benchd_rig.sensors import FULL_SCALE_V, SATURATION_V
from benchd_rig.specimen import InputModel, SensorsModel

SAMPLES_PER_S = 20_000
INPUTS = 8
KEPT_STEPS = 4_000  # 2 s
_BLOCK = 512  # samples whose noise is drawn together
_BLOCKS_KEPT = 8
_NOISE_RATIO = math.sqrt(0.010 * SAMPLES_PER_S)  # white noise: a sample's beside that of an average over 10 ms
_NOISE_STREAM = 18
_PHASES = np.exp(-2j * np.pi / 3.0 * np.arange(3))

Floats = NDArray[np.float64]


class StepMemory:
    """The records of the last steps, one tuple a step."""

    def __init__(self) -> None:
        self._ring: list[tuple[float, ...]] = [()] * KEPT_STEPS
        self.steps = 0

    def put(self, record: tuple[float, ...]) -> None:
        """The record of the next step."""
        self._ring[self.steps % KEPT_STEPS] = record
        self.steps += 1

    def fill(self, record: tuple[float, ...], *, steps: int) -> None:
        """The same record for some steps."""
        at = self.steps % KEPT_STEPS
        first = min(steps, KEPT_STEPS - at)
        rest = min(steps - first, KEPT_STEPS)
        self._ring[at : at + first] = [record] * first
        self._ring[:rest] = [record] * rest
        self.steps += steps

    def repeat(self, *, steps: int, over: int, turns: bool) -> None:
        """The last `over` records once more, as often as `steps` ask for; where the rotor turns its angle goes on."""
        ring, at = self._ring, self.steps
        over = min(over, at, KEPT_STEPS)
        angle_rad = sum(ring[(at - 1) % KEPT_STEPS][:2]) if turns else 0.0
        for number in range(at, at + steps):
            record = ring[(number - over) % KEPT_STEPS]
            if turns:
                turn_rad = record[1]
                record = (angle_rad, *record[1:])
                angle_rad += turn_rad
            ring[number % KEPT_STEPS] = record
        self.steps += steps

    def rows(self, first: int, last: int) -> Floats:
        """Records of the steps `first` to `last` - 1, a row each. Raises `ValueError` for steps that are not there."""
        if not max(0, self.steps - KEPT_STEPS) <= first < last <= self.steps:
            raise ValueError(
                f"Samples of the steps {first} to {last - 1} are not there: only the last 2 s are kept; ask for those."
            )
        return np.array([self._ring[step % KEPT_STEPS] for step in range(first, last)])


def brushless_truth(rows: Floats, of_a_step: int, *, swapped: bool) -> Floats:
    """True values, shape (samples, 8), from the records of `brushless`, so many samples of a step.

    Swapped leads are measured before the swap.
    """
    share = np.arange(of_a_step) / of_a_step
    turn = np.exp(1j * (rows[:, :1] + rows[:, 1:2] * share))
    start, end = rows[:, 2] + 1j * rows[:, 3], rows[:, 4] + 1j * rows[:, 5]
    current = (start[:, np.newaxis] + (end - start)[:, np.newaxis] * share) * turn
    voltage = (rows[:, 6] + 1j * rows[:, 7])[:, np.newaxis] * turn
    if swapped:
        current, voltage = current.conj(), voltage.conj()
    true = np.empty((rows.shape[0] * of_a_step, INPUTS))
    true[:, 0:3] = (voltage.reshape(-1, 1) * _PHASES).real
    true[:, 3:6] = (current.reshape(-1, 1) * _PHASES).real
    true[:, 6] = (rows[:, 8:9] + (rows[:, 9:10] - rows[:, 8:9]) * share).reshape(-1)
    true[:, 7] = np.repeat(rows[:, 10], of_a_step)
    return true


def brushed_truth(rows: Floats, of_a_step: int) -> Floats:
    """The same from records of voltage, current and torque at each end of a step."""
    share = np.arange(of_a_step) / of_a_step
    voltage, current, torque = (
        (rows[:, at : at + 1] + (rows[:, at + 1 : at + 2] - rows[:, at : at + 1]) * share).reshape(-1)
        for at in (0, 2, 4)
    )
    true = np.zeros((rows.shape[0] * of_a_step, INPUTS))
    true[:, 0], true[:, 3], true[:, 6], true[:, 7] = voltage, current, torque, current
    return true


class SampledInputs:
    """What the inputs make of true values: errors as at the averaged inputs, noise by sample."""

    def __init__(self, model: SensorsModel, *, seed: int, brushed: bool) -> None:
        self._seed = seed
        self._brushed = brushed
        voltage, current, torque = model.terminal_voltage, model.current, model.transducer.wide
        inputs: list[InputModel] = [voltage] * 3 + [current] * 3 + [torque, current]
        volt = [model.volt_per_volt] * 3 + [model.volt_per_ampere] * 3
        volt += [FULL_SCALE_V / model.transducer.nominal_nm, model.volt_per_ampere]
        self._volt = np.array(volt)
        self._gain = np.array([1.0 + one.gain_error for one in inputs])
        self._offset = np.array([one.offset for one in inputs])
        self._noise = np.array([one.noise * _NOISE_RATIO for one in inputs])
        if brushed:
            unused = [1, 2, 4, 5]
            self._offset[unused] = self._noise[unused] = 0.0
        self._blocks: dict[int, Floats] = {}

    def read(self, true: Floats, faults: PlantFaults, *, first: int) -> NDArray[np.float32]:
        """Volts at the inputs for true values from sample `first` on; overloaded inputs clip, an open lead is NaN."""
        felt = true.copy()
        felt[:, 6] = felt[:, 6] * (1.0 + faults.transducer_gain_error) + faults.transducer_offset_nm
        if faults.transducer_sign_flipped:
            felt[:, 6] *= -1.0
        current = [3, 7] if self._brushed else [7]  # one sensor
        felt[:, current] *= (1.0 + faults.current_ratio_error) * (-1.0 if faults.current_sensor_reversed else 1.0)
        volt = (felt * self._gain + self._offset + self._noise * self._drawn(first, len(true))) * self._volt
        np.clip(volt, -SATURATION_V, SATURATION_V, out=volt)
        if faults.transducer_lead_open:
            volt[:, 6] = np.nan
        if faults.current_lead_open:
            volt[:, 7] = np.nan
            if self._brushed:
                volt[:, 3] = np.nan
        if self._brushed and faults.sense_lead_open:
            volt[:, 0] = np.nan
        result: NDArray[np.float32] = volt.astype(np.float32)
        return result

    def _drawn(self, first: int, count: int) -> Floats:
        blocks = range(first // _BLOCK, (first + count - 1) // _BLOCK + 1)
        offset = first - blocks[0] * _BLOCK
        return np.concatenate([self._block(number) for number in blocks])[offset : offset + count]

    def _block(self, number: int) -> Floats:
        block = self._blocks.get(number)
        if block is None:
            block = np.random.default_rng([self._seed, _NOISE_STREAM, number]).standard_normal((_BLOCK, INPUTS))
            if len(self._blocks) >= _BLOCKS_KEPT:
                del self._blocks[next(iter(self._blocks))]  # the oldest
            self._blocks[number] = block
        return block
