"""Readings become samples: scaled, calibrated, zeroed, and watched on arrival, with the channels derived from them.

It must never wait for anything.
"""

import math
from collections.abc import Callable, Iterable, Mapping

from benchd.contract import MeasuringReading, Reading
from benchd.live.plan import PortRef
from benchd.rules.channels import Channel, Quality
from benchd.rules.derivations import Rule
from benchd.rules.derived import BELIEVED, Derived
from benchd.rules.derived_working import at_work, in_order
from benchd.rules.frames import NOTHING_YET, Frame, Sample
from benchd.rules.limits import Crossing, LimitMonitor

TICK = ("", "")  # stands for a port where a channel follows from none


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
    """Holds every channel's latest sample; tells the limit monitor of each on arrival, derived ones included.

    `on_crossings` is called at once, in the same step of the event loop, with the crossings that a reading completes.
    """

    def __init__(self, channels: Iterable[Channel], *, on_crossings: Callable[[list[Crossing]], None]) -> None:
        self.channels = tuple(channels)
        self._by_port: dict[tuple[str, str], list[_Scaling]] = {}
        for channel in self.channels:
            if channel.derivation is not None:
                continue
            self._by_port.setdefault((channel.device, channel.port), []).append(_Scaling(channel))
        self._age_limit_s = {channel.name: channel.age_limit_s for channel in self.channels}
        self._on_crossings = on_crossings
        self._zeros: dict[str, float] = {}
        self._leapt_s = 0.0  # since the last frame
        self.monitor: LimitMonitor | None = None
        self.samples: dict[str, Sample] = {channel.name: NOTHING_YET for channel in self.channels}
        self.readings: dict[PortRef, Reading] = {}
        self._rules: dict[str, Rule] = {}
        self._working: dict[str, Derived] = {}
        self._following: dict[tuple[str, str], list[str]] = {}  # by port; at the tick those that follow from no port
        for channel in in_order(self.channels):
            if channel.derivation is not None:
                self._put_to_work(channel.name, channel.derivation.rule)
                for source in self._sources(channel):
                    self._following.setdefault(source, []).append(channel.name)

    def expect(self, rules: Mapping[str, Rule]) -> None:
        """Take the derived channels' rules as they are for the run that comes; a rule that stays keeps its memory."""
        for name, rule in rules.items():
            if self._rules.get(name) != rule:
                self._put_to_work(name, rule)

    def begin(self, monitor: LimitMonitor, *, time_mono_s: float) -> None:
        """A run begins now: what counts from its start does, and this monitor is told of everything."""
        for derived in self._working.values():
            derived.begin(time_mono_s)
        self.monitor = monitor

    def blind(self, channel: Channel, *, time_mono_s: float) -> tuple[str, ...]:
        """The devices whose values a channel lacks just now; of a derived one with nothing lacking all of them."""
        if channel.derivation is None:
            return (channel.device,)
        lacking: dict[str, None] = {}
        for one in self.channels:
            if one.name in channel.derivation.rule.inputs:
                sample = self.samples[one.name]
                late = time_mono_s - sample.taken_mono_s > one.age_limit_s
                if late or sample.quality not in BELIEVED:
                    lacking |= dict.fromkeys(self.blind(one, time_mono_s=time_mono_s))
        return tuple(lacking) or channel.derivation.devices

    def _put_to_work(self, name: str, rule: Rule) -> None:
        self._rules[name] = rule
        self._working[name] = at_work(rule, self.channels)

    def _sources(self, channel: Channel) -> set[tuple[str, str]]:
        """The ports that a channel follows from in the end, `TICK` where from none."""
        if channel.derivation is None:
            return {(channel.device, channel.port)}
        inputs = [one for one in self.channels if one.name in channel.derivation.rule.inputs]
        return {source for one in inputs for source in self._sources(one)} or {TICK}

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
        crossings += self._derive((ref.device, ref.port), taken_mono_s)
        if crossings:
            self._on_crossings(crossings)

    def _derive(self, source: tuple[str, str], time_mono_s: float) -> list[Crossing]:
        """Everything that follows from a source anew, and the crossings that this completes."""
        crossings: list[Crossing] = []
        for name in self._following.get(source, ()):
            sample = self.samples[name] = self._working[name].update(self.samples, time_mono_s)
            if self.monitor is not None:
                crossings += self.monitor.observe(name, sample)
        return crossings

    def leap(self, seconds: float) -> None:
        """A rehearsal leapt over so much time: every channel was read on and on and stayed what it was."""
        for name, sample in self.samples.items():
            self.samples[name] = Sample(sample.value, sample.quality, sample.taken_mono_s + seconds)
        for derived in self._working.values():
            derived.leap(seconds)
        if self.monitor is not None:
            self.monitor.leap(seconds)
        self._leapt_s += seconds

    def frame(self, time_mono_s: float) -> Frame:
        """All channels now; what is older than its channel's age limit is marked stale. Tells the monitor of ages."""
        crossings = self._derive(TICK, time_mono_s)
        samples = {}
        for name, sample in self.samples.items():
            if sample.quality is Quality.GOOD and time_mono_s - sample.taken_mono_s > self._age_limit_s[name]:
                samples[name] = Sample(sample.value, Quality.STALE, sample.taken_mono_s)
            else:
                samples[name] = sample
        if self.monitor is not None:
            crossings += self.monitor.observe_age(time_mono_s)
        if crossings:
            self._on_crossings(crossings)
        leapt_s, self._leapt_s = self._leapt_s, 0.0
        return Frame(time_mono_s, samples, leapt_s=leapt_s)


def _raw(reading: Reading) -> Mapping[str, float]:
    """The reading's numbers; an overloaded input is beyond its range, not unknown, and the monitor must see that."""
    if not isinstance(reading, MeasuringReading) or not reading.overloaded:
        return reading.signals()
    return {
        name: math.copysign(math.inf, value) if name in reading.overloaded and not math.isnan(value) else value
        for name, value in reading.values.items()
    }
