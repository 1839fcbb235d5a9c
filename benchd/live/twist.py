"""Looks for torsional resonance in the sample stream's torque, and warns. It takes no energy away and never waits.

Each look is a quarter of a second of samples, or longer for slow frequencies: the strongest line near a natural one,
by a spectrum that takes a fraction of a millisecond. Frames, which are means over a tick, show nothing of it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.fft import rfft

from benchd.contract import SampleBlock
from benchd.live.causes import Cause
from benchd.live.plan import TwistPlan
from benchd.rules.limits import Reaction

LOOK_S, LONGEST_LOOK_S = 0.25, 1.0
LOOKS_IN_A_ROW = 2  # a blow or a quick crossing rings for less than that
RELEASE_RATIO = 0.6  # of the threshold: below it the occurrence is over
LEAST_CYCLES = 10.0  # of a frequency in one look: fewer are not told from the torque's own changes
MOST_OF_RATE = 0.4  # of the sample rate: faster ones are not seen
TURNING_RPM = 10.0  # slower nothing is reckoned per revolution
SAME_ORDER = 0.04  # relative

Numbers = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a spectrum."""

    frequency_hz: float
    amplitude: float


class Twisting:
    """Takes the stream's blocks and tells a shaking once an occurrence, as a cause that only warns.

    An occurrence lasts until a look shows clearly less. `speed_rpm` gives the shaft's present speed, NaN where it is
    not known.
    """

    def __init__(self, *, speed_rpm: Callable[[], float], trip: Callable[[Cause], None]) -> None:
        self._speed_rpm = speed_rpm
        self._trip = trip
        self._plan: TwistPlan | None = None
        self._look_s = LOOK_S
        self._occurrences = 0
        self._forget()

    def expect(self, plan: TwistPlan | None) -> None:
        """Look for this from now on; None: for nothing."""
        self._plan = plan
        self._look_s = LOOK_S if plan is None else look_s(plan)
        self._forget()

    def _forget(self) -> None:
        self._parts: list[Numbers] = []
        self._samples = 0
        self._next_index = 0
        self._strong = 0  # looks in a row
        self._shaking = False

    def take(self, block: SampleBlock) -> None:
        """The next block of the stream. A gap begins a new look, a stream that was started anew everything."""
        plan = self._plan
        if plan is None or plan.signal not in block.signals or not block.samples:
            return
        if block.first_index < self._next_index:
            self._forget()
        elif block.first_index > self._next_index:
            self._parts, self._samples = [], 0
        self._next_index = block.first_index + block.samples
        every = np.frombuffer(block.data, dtype="<f4").reshape(-1, len(block.signals))
        self._parts.append(every[:, block.signals.index(plan.signal)].astype(np.float64))
        self._samples += block.samples
        if self._samples >= self._look_s * block.rate_hz:
            samples = np.concatenate(self._parts)
            self._parts, self._samples = [], 0
            self._look(plan, samples * plan.nm_per_unit, rate_hz=block.rate_hz)

    def _look(self, plan: TwistPlan, torque_nm: Numbers, *, rate_hz: float) -> None:
        line = strongest(torque_nm, rate_hz, plan.frequencies_hz, half_width_ratio=plan.half_width_ratio)
        if line is None:
            return
        if self._shaking:
            self._shaking = line.amplitude >= RELEASE_RATIO * plan.warn_nm
            self._strong = 0
            return
        self._strong = self._strong + 1 if line.amplitude >= plan.warn_nm else 0
        if self._strong >= LOOKS_IN_A_ROW:
            self._shaking = True
            self._occurrences += 1
            sentence = in_words(plan, line, speed_rpm=self._speed_rpm())
            key = f"torsional resonance, occurrence {self._occurrences}"
            self._trip(Cause(sentence=sentence, reaction=Reaction.WARN, key=key))


def look_s(plan: TwistPlan) -> float:
    """How long one look is, for the slowest of the frequencies."""
    slowest_hz = min(plan.frequencies_hz) * (1.0 - plan.half_width_ratio)
    return min(max(LOOK_S, LEAST_CYCLES / slowest_hz), LONGEST_LOOK_S)


def strongest(
    samples: Numbers, rate_hz: float, frequencies_hz: tuple[float, ...], *, half_width_ratio: float
) -> Line | None:
    """The strongest line near any of these frequencies, in the samples' unit; None where none of them can be seen.

    By a Hann window: the power of three neighbouring bins gives the amplitude to 1 %, the ratio of the two greatest the
    frequency (closed forms of the window's transform). Samples that are not finite give None.
    """
    count = len(samples)
    if not np.isfinite(samples).all():
        return None
    seconds = count / rate_hz
    spectrum: Numbers | None = None
    found: Line | None = None
    for frequency_hz in frequencies_hz:
        low, high = (frequency_hz * (1.0 + sign * half_width_ratio) * seconds for sign in (-1.0, 1.0))
        if low < LEAST_CYCLES or high > MOST_OF_RATE * count:
            continue
        if spectrum is None:
            spectrum = np.abs(rfft((samples - samples.mean()) * np.hanning(count)))
        first = math.floor(low)
        at = first + int(spectrum[first : math.ceil(high) + 1].argmax())
        before, peak, after = (float(one) for one in spectrum[at - 1 : at + 2])
        amplitude = math.sqrt(32.0 / 3.0 * (before * before + peak * peak + after * after)) / count
        if found is None or amplitude > found.amplitude:
            greater, side = (after, 1.0) if after > before else (before, -1.0)
            share = greater / peak if peak > 0.0 else 0.0
            shift = side * max(0.0, (2.0 * share - 1.0) / (share + 1.0))
            found = Line((at + shift) / seconds, amplitude)
    return found


def in_words(plan: TwistPlan, line: Line, *, speed_rpm: float) -> str:
    """The warning's one sentence: how fast and how much it shakes, at which speed, how often a revolution."""
    share = 100.0 * line.amplitude / plan.rated_nm
    said = f"The shaft shakes at {line.frequency_hz:.0f} Hz by {line.amplitude:.3g} N·m ({share:.0f} % of rated torque)"
    if abs(speed_rpm) > TURNING_RPM:
        order = 60.0 * line.frequency_hz / abs(speed_rpm)
        named = [one.name for one in plan.orders if abs(one.per_revolution - order) <= SAME_ORDER * order]
        what = f" ({' or '.join(named)})" if named else ""
        said += f" at {speed_rpm:.0f} r/min, {order:.3g} times a revolution{what}"
    return f"{said}: change the speed, and look at coupling, alignment and the critical speeds of this set-up."
