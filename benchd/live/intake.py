"""Readings become samples: scaled, calibrated, zeroed, and watched on arrival. It must never wait for anything."""

import math
from collections.abc import Callable, Iterable, Mapping

from benchd.contract import MeasuringReading, Reading
from benchd.live.plan import PortRef
from benchd.rules.channels import Channel, Quality
from benchd.rules.frames import NOTHING_YET, Frame, Sample
from benchd.rules.limits import Crossing, LimitMonitor


class _Scaling:
    """One channel's way from raw signal to value, folded into one gain and one offset."""

    __slots__ = ("full_scale", "gain", "name", "offset", "signal", "zeroed")

    def __init__(self, channel: Channel) -> None:
        calibration = channel.calibration
        self.name = channel.name
        self.signal = channel.signal
        self.gain = channel.sign * (1.0 if calibration is None else calibration.gain)
        self.offset = channel.sign * (0.0 if calibration is None else calibration.offset)
        self.full_scale = math.inf if calibration is None else calibration.full_scale
        self.zeroed = channel.zeroed

    def sample(self, raw: float, *, zero: float, taken_mono_s: float) -> Sample:
        value = self.gain * raw + self.offset
        if value != value:  # noqa: PLR0124 - the cheapest test for not-a-number on the way of every reading
            return Sample(value, Quality.NOT_A_NUMBER, taken_mono_s)
        beyond = abs(value) > self.full_scale or math.isinf(value)
        quality = Quality.OVER_RANGE if beyond else Quality.GOOD
        return Sample(value - zero, quality, taken_mono_s)


class Intake:
    """Holds every channel's latest sample; tells the limit monitor of each on arrival.

    `on_crossings` is called at once, in the same step of the event loop, with the crossings that a reading completes.
    """

    def __init__(self, channels: Iterable[Channel], *, on_crossings: Callable[[list[Crossing]], None]) -> None:
        self.channels = tuple(channels)
        self._by_port: dict[tuple[str, str], list[_Scaling]] = {}
        for channel in self.channels:
            self._by_port.setdefault((channel.device, channel.port), []).append(_Scaling(channel))
        self._age_limit_s = {channel.name: channel.age_limit_s for channel in self.channels}
        self._on_crossings = on_crossings
        self._zeros: dict[str, float] = {}
        self.monitor: LimitMonitor | None = None
        self.samples: dict[str, Sample] = {channel.name: NOTHING_YET for channel in self.channels}
        self.readings: dict[PortRef, Reading] = {}

    def set_zeros(self, zeros: Mapping[str, float]) -> None:
        """Take these off the zeroed channels from now on; an empty mapping takes nothing off."""
        self._zeros = dict(zeros)

    def arrived(self, ref: PortRef, reading: Reading) -> None:
        """Take in one reading of one port. A signal that it lacks counts as not a number."""
        self.readings[ref] = reading
        scalings = self._by_port.get((ref.device, ref.port))
        if not scalings:
            return
        signals = _raw(reading)
        taken_mono_s = reading.taken_mono_s
        monitor = self.monitor
        crossings: list[Crossing] = []
        for scaling in scalings:
            zero = self._zeros.get(scaling.name, 0.0) if scaling.zeroed else 0.0
            sample = scaling.sample(signals.get(scaling.signal, math.nan), zero=zero, taken_mono_s=taken_mono_s)
            self.samples[scaling.name] = sample
            if monitor is not None:
                crossings += monitor.observe(scaling.name, sample)
        if crossings:
            self._on_crossings(crossings)

    def frame(self, time_mono_s: float) -> Frame:
        """All channels now; what is older than its channel's age limit is marked stale. Tells the monitor of ages."""
        samples = {}
        for name, sample in self.samples.items():
            if sample.quality is Quality.GOOD and time_mono_s - sample.taken_mono_s > self._age_limit_s[name]:
                samples[name] = Sample(sample.value, Quality.STALE, sample.taken_mono_s)
            else:
                samples[name] = sample
        if self.monitor is not None and (crossings := self.monitor.observe_age(time_mono_s)):
            self._on_crossings(crossings)
        return Frame(time_mono_s, samples)


def _raw(reading: Reading) -> Mapping[str, float]:
    """The reading's numbers; an overloaded input is beyond its range, not unknown, and the monitor must see that."""
    if not isinstance(reading, MeasuringReading) or not reading.overloaded:
        return reading.signals()
    return {
        name: math.copysign(math.inf, value) if name in reading.overloaded and not math.isnan(value) else value
        for name, value in reading.values.items()
    }
