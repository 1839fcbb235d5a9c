"""Averages the channels that are zeroed, at standstill, before anything is enabled. Pure bookkeeping over samples."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchd.rules.channels import Channel, Quality
from benchd.rules.frames import Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """A channel's mean at standstill with the standard deviation of the mean (JCGM 100, 4.2.3)."""

    channel: str
    value: float
    standard_uncertainty: float
    degrees_of_freedom: int


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
            mean = math.fsum(values) / len(values)
            spread = math.fsum((value - mean) ** 2 for value in values)
            found.append(
                Zero(
                    channel=channel.name,
                    value=mean,
                    standard_uncertainty=math.sqrt(spread / (len(values) - 1) / len(values)),
                    degrees_of_freedom=len(values) - 1,
                )
            )
        return tuple(found)
