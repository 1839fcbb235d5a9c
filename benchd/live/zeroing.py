"""Averages the channels that are zeroed, at standstill, before anything is enabled. Pure bookkeeping over samples."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from benchd.rules.channels import Channel, Quality
from benchd.rules.frames import Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """A channel's mean at standstill with the standard deviation of the mean (JCGM 100, 4.2.3)."""

    channel: str
    value: float
    standard_uncertainty: float
    degrees_of_freedom: float


@dataclass(slots=True)
class Zeroing:
    """Collects each zeroed channel's distinct good samples; a held sample counts once."""

    channels: tuple[Channel, ...]
    _taken: dict[str, dict[float, float]] = field(default_factory=dict)

    @classmethod
    def of(cls, channels: Iterable[Channel]) -> "Zeroing":
        """For those of the channels that are zeroed."""
        return cls(tuple(channel for channel in channels if channel.zeroed))

    def look(self, samples: Mapping[str, Sample], *, since_mono_s: float) -> None:
        """Take in what is new since `since_mono_s`."""
        for channel in self.channels:
            sample = samples[channel.name]
            if sample.quality is Quality.GOOD and sample.taken_mono_s > since_mono_s:
                self._taken.setdefault(channel.name, {})[sample.taken_mono_s] = sample.value

    def zeros(self) -> tuple[Zero, ...]:
        """One zero a channel. Raises `ValueError` with a sentence where too few samples came."""
        found = []
        for channel in self.channels:
            values = list(self._taken.get(channel.name, {}).values())
            if len(values) < 5:
                raise ValueError(
                    f"{channel.name} gave only {len(values)} good readings for its zero: look at {channel.device}."
                )
            found.append(_zero(channel.name, values))
        return tuple(found)


def _zero(channel: str, values: Sequence[float]) -> Zero:
    """Mean and its standard uncertainty, with neighbours that resemble each other counted as fewer readings.

    First-order model of the autocorrelation: the effective number of readings is n (1 - r) / (1 + r).
    """
    count = len(values)
    mean = math.fsum(values) / count
    errors = [value - mean for value in values]
    spread = math.fsum(error * error for error in errors)
    likeness = math.fsum(a * b for a, b in pairwise(errors)) / spread if spread > 0.0 else 0.0
    likeness = min(max(likeness, 0.0), 0.9)
    effective = max(2.0, count * (1.0 - likeness) / (1.0 + likeness))
    return Zero(
        channel=channel,
        value=mean,
        standard_uncertainty=math.sqrt(spread / (count - 1) / effective),
        degrees_of_freedom=effective - 1.0,
    )
