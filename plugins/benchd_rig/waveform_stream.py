"""The measuring unit's sample stream: which samples of the plant a client has not seen yet.

Its one job is to count: where the stream is, what has fallen out of the buffer, and what a block holds. It keeps no
samples of its own; the plant makes the same ones whenever it is asked, so a stream that nobody reads costs nothing.
"""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from benchd_rig.scpi_parameters import ScpiRefusal
from benchd_rig.wire_faults import WireFaults

GRID_HZ = 20_000
BUFFER_S = 2
LEAST_RATE_HZ = 20.0
WAVEFORM_SIGNALS = {
    11: "ai11_v",
    12: "ai12_v",
    13: "ai13_v",
    14: "ai14_v",
    15: "ai15_v",
    16: "ai16_v",
    17: "ai17_v",
    18: "ai18_v",
}
_FIRST_INPUT = 11
_BUFFERED = GRID_HZ * BUFFER_S
_MOST_LOST = 999_999  # the answer has six digits for it
_KINDS = {"little": "<f4", "big": ">f4"}

ByteOrder = Literal["little", "big"]


class Sampler(Protocol):
    """What the stream reaches of the plant."""

    @property
    def sampled(self) -> int:
        """How many samples of the 20 kHz grid exist by now."""

    def sample(self, first: int, count: int) -> NDArray[np.float32]:
        """Inputs 11 to 18 in V, shape (count, 8), from grid sample `first` on; those of the last 2 s exist."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """What one look takes out of the stream."""

    first_index: int  # counts samples since the start
    lost: int  # since the start, at most 999999
    payload: bytes  # float32, the channels side by side


class WaveformStream:
    """The stream of some inputs at a rate that divides 20 kHz; it buffers 2 s and counts what it drops beyond."""

    def __init__(self, *, sampler: Sampler, faults: WireFaults) -> None:
        self._sampler = sampler
        self._faults = faults
        self.reset()

    def reset(self) -> None:
        """The state after power-up and after `*RST`: every input, 20 kHz, most significant byte first, not running."""
        self.byte_order: ByteOrder = "big"
        self.channels = tuple(WAVEFORM_SIGNALS)
        self.running = False
        self._every = 1  # grid samples from one of the stream to the next
        self._start = 0
        self._next = 0
        self._lost = 0

    @property
    def rate_hz(self) -> float:
        """The rate in force."""
        return GRID_HZ / self._every

    def select(self, channels: tuple[int, ...]) -> None:
        """Stream these inputs in this order. Raises `ScpiRefusal` -221 while running, -224 for one twice."""
        self._not_while_running()
        if len(set(channels)) != len(channels):
            raise ScpiRefusal(-224, "an input is named twice")
        self.channels = channels

    def set_rate(self, rate_hz: float) -> None:
        """Take the nearest rate that divides 20 kHz. Raises `ScpiRefusal` -221 while running."""
        self._not_while_running()
        self._every = max(1, round(GRID_HZ / rate_hz))

    def start(self) -> None:
        """Begin anew: samples count from 0, nothing is lost yet."""
        self._start = self._next = self._sampler.sampled
        self._lost = 0
        self.running = True

    def stop(self) -> None:
        """End; what was buffered is gone."""
        self.running = False

    def take(self) -> Block:
        """All samples since the last block. Raises `ScpiRefusal` -221 while the stream does not run."""
        if not self.running:
            raise ScpiRefusal(-221, "the stream does not run")
        every, sampled = self._every, self._sampler.sampled
        self._forget(sampled)
        first = self._next
        count = max(0, -(-(sampled - first) // every))
        payload = self._payload(first, count) if count else b""
        self._next = first + count * every
        index = (first - self._start) // every
        return Block(first_index=index, lost=min(self._lost, _MOST_LOST), payload=payload)

    def _forget(self, sampled: int) -> None:
        """Drop what fell out of the buffer, and what a fault drops."""
        every = self._every
        fallen = -(-max(0, sampled - _BUFFERED - self._next) // every)
        self._next += fallen * every
        self._lost += fallen
        fault = self._faults.strike("lost_samples")
        if fault is not None:
            there = -(-(sampled - self._next) // every)
            dropped = max(0, min(round(fault["samples"]), there))
            self._next += dropped * every
            self._lost += dropped if fault["told"] else 0

    def _payload(self, first: int, count: int) -> bytes:
        grid = self._sampler.sample(first, (count - 1) * self._every + 1)
        samples = grid[:: self._every]
        if self.channels != tuple(WAVEFORM_SIGNALS):
            samples = samples[:, [channel - _FIRST_INPUT for channel in self.channels]]
        if self._faults.is_on("nan"):
            samples = np.full_like(samples, np.nan)
        return samples.astype(_KINDS[self.byte_order], copy=False).tobytes()

    def _not_while_running(self) -> None:
        if self.running:
            raise ScpiRefusal(-221, "the stream runs")
