"""The limit monitor beside a naive one that keeps every reading and looks at all of them each time.

The naive one is written from the docstrings: a crossing is the run of readings from the first one beyond the bound to
the last before one that lies beyond the hysteresis again; it is told once, by the first reading that is as late as the
delay. `BENCHD_ANY_ORDER_STORIES=500` plays so many stories, drawn anew each time.
"""

import os
from collections.abc import Sequence

import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from benchd.rules.channels import Quality
from benchd.rules.frames import Sample
from benchd.rules.limits import Bound, Crossing, Limit, LimitMonitor, Reaction

STORIES = int(os.environ.get("BENCHD_ANY_ORDER_STORIES", "0"))
STORIES_IN_CI = 100
STEPS = 100
AT_LEAST = 9000  # steps in CI
CHANNELS = ("shaft_speed", "shaft_torque")
VALUES = st.integers(-8, 8).map(float)  # coarse, so that bounds are met exactly
PASSES_S = st.integers(0, 8).map(lambda eighths: eighths / 8.0)  # sums of these are exact
BOUNDED = st.builds(
    Limit,
    channel=st.sampled_from(CHANNELS),
    bound=st.sampled_from([Bound.LOW, Bound.HIGH]),
    value=st.integers(-6, 6).map(float),
    delay_s=PASSES_S,
    reaction=st.sampled_from(Reaction),
    origin=st.just("the test"),
    hysteresis=st.integers(0, 4).map(float),
)
AGED = st.builds(
    Limit,
    channel=st.sampled_from(CHANNELS),
    bound=st.just(Bound.STALE),
    value=PASSES_S,
    delay_s=PASSES_S,
    reaction=st.sampled_from(Reaction),
    origin=st.just("the test"),
)
Told = list[tuple[int, float, float, float]]  # number of the limit, value, since and time


class Naive:
    """Every look of every limit since it was armed: (time, value of the reading or age)."""

    def __init__(self, limits: Sequence[Limit], start_s: float) -> None:
        self.limits = limits
        self.looks: list[list[tuple[float, float]]] = [[] for _ in limits]
        self.counts_from_s = dict.fromkeys(CHANNELS, start_s)

    def reads(self, channel: str, value: float, quality: Quality, time_s: float) -> Told:
        if quality not in {Quality.GOOD, Quality.OVER_RANGE}:
            return []
        self.counts_from_s[channel] = time_s
        here = [n for n, limit in enumerate(self.limits) if limit.channel == channel and limit.bound is not Bound.STALE]
        return self._looked(dict.fromkeys(here, value), time_s)

    def ages(self, time_s: float) -> Told:
        aged = {n: limit.channel for n, limit in enumerate(self.limits) if limit.bound is Bound.STALE}
        return self._looked({n: time_s - self.counts_from_s[channel] for n, channel in aged.items()}, time_s)

    def _looked(self, values: dict[int, float], time_s: float) -> Told:
        for number, value in values.items():
            self.looks[number].append((time_s, value))
        told = [(number, self._completes(number)) for number in values]
        return [(number, *crossing) for number, crossing in told if crossing is not None]

    def rearmed(self) -> None:
        """What lasts and was told begins anew; what is not over its delay yet goes on."""
        for number, limit in enumerate(self.limits):
            crossing = self._lasting(number)
            if crossing and crossing[-1][0] - crossing[0][0] >= limit.delay_s:
                self.looks[number] = []

    def _lasting(self, number: int) -> list[tuple[float, float]]:
        """The looks of the crossing that lasts, from the first one beyond on."""
        limit, looks = self.limits[number], self.looks[number]
        way = -1.0 if limit.bound is Bound.LOW else 1.0
        ended = [n for n, (_, value) in enumerate(looks) if way * value <= way * limit.value - limit.hysteresis]
        lasting = looks[ended[-1] + 1 :] if ended else looks
        beyond = [n for n, (_, value) in enumerate(lasting) if way * value > way * limit.value]
        return lasting[beyond[0] :] if beyond else []

    def _completes(self, number: int) -> tuple[float, float, float] | None:
        """What the last look completes, from all of them."""
        limit, crossing = self.limits[number], self._lasting(number)
        if not crossing:
            return None
        way = -1.0 if limit.bound is Bound.LOW else 1.0
        since_s, now_s = crossing[0][0], crossing[-1][0]
        complete = [time_s - since_s >= limit.delay_s for time_s, _ in crossing]
        if complete.count(True) != 1 or not complete[-1]:
            return None
        return max((value for _, value in crossing), key=lambda value: way * value), since_s, now_s


class AnyReadings(RuleBasedStateMachine):
    """One monitor and the naive one beside it. `monitored` makes the monitor; `steps` counts over all stories."""

    monitored = LimitMonitor
    steps = 0
    told = 0

    @initialize(limits=st.lists(BOUNDED | AGED, min_size=1, max_size=6), start_s=PASSES_S)
    def is_given_limits(self, limits: list[Limit], start_s: float) -> None:
        self.now_s = start_s
        # Each limit is told from others by its origin, also from one that has the same numbers.
        self.limits = [
            Limit(**{each: getattr(limit, each) for each in Limit.__slots__} | {"origin": str(n)})
            for n, limit in enumerate(limits)
        ]
        self.monitor = self.monitored(self.limits, start_mono_s=start_s)
        self.naive = Naive(self.limits, start_s)

    @rule(channel=st.sampled_from(CHANNELS), value=VALUES, quality=st.sampled_from(Quality), passes_s=PASSES_S)
    def reads(self, channel: str, value: float, quality: Quality, passes_s: float) -> None:
        self._read(channel, value, quality, passes_s)

    @rule(channel=st.sampled_from(CHANNELS), values=st.lists(VALUES, max_size=4), passes_s=PASSES_S)
    def reads_well(self, channel: str, values: list[float], passes_s: float) -> None:
        for value in values:
            self._read(channel, value, Quality.GOOD, passes_s)

    @rule(passes_s=PASSES_S)
    def ticks(self, passes_s: float) -> None:
        self.now_s += passes_s
        self._same(self.monitor.observe_age(self.now_s), self.naive.ages(self.now_s))

    @rule()
    def is_rearmed(self) -> None:
        type(self).steps += 1
        self.monitor.rearm()
        self.naive.rearmed()

    @rule()
    def was_stalled(self) -> None:
        type(self).steps += 1
        self.monitor.restart_ages(self.now_s)
        self.naive.counts_from_s = dict.fromkeys(CHANNELS, self.now_s)

    def _read(self, channel: str, value: float, quality: Quality, passes_s: float) -> None:
        self.now_s += passes_s
        crossings = self.monitor.observe(channel, Sample(value, quality, self.now_s))
        self._same(crossings, self.naive.reads(channel, value, quality, self.now_s))

    def _same(self, crossings: list[Crossing], expected: Told) -> None:
        type(self).steps += 1
        type(self).told += len(expected)
        found = [(int(each.limit.origin), each.value, each.since_mono_s, each.time_mono_s) for each in crossings]
        assert sorted(found) == sorted(expected)


def played(monitored: type[LimitMonitor], *, stories: int) -> type[AnyReadings]:
    machine = type("Readings", (AnyReadings,), {"monitored": monitored})
    how = settings(
        max_examples=stories,
        stateful_step_count=STEPS,
        deadline=None,
        derandomize=not STORIES,
        database=None,
        phases=[Phase.generate] if monitored is not LimitMonitor else [Phase.generate, Phase.shrink],
        report_multiple_bugs=False,
    )
    run_state_machine_as_test(machine, settings=how)
    return machine


def test_whatever_is_read_in_whatever_order_the_monitor_tells_what_the_naive_one_does() -> None:
    machine = played(LimitMonitor, stories=STORIES or STORIES_IN_CI)
    assert machine.steps >= (0 if STORIES else AT_LEAST)
    assert machine.told > machine.steps // 50  # a comparison of nothing with nothing shows nothing


class Overdue(LimitMonitor):
    """Lets a reading that is no number refresh the channel's age."""

    def observe(self, channel: str, sample: Sample) -> list[Crossing]:
        crossings = super().observe(channel, sample)
        watched = self._channels.get(channel)
        if watched is not None:
            watched.good_mono_s = sample.taken_mono_s
        return crossings


class Forgetful(LimitMonitor):
    """Tells a crossing that lasts with every reading."""

    def observe(self, channel: str, sample: Sample) -> list[Crossing]:
        for watched in self._channels.values():
            for watch in watched.bounds:
                watch.told = False
        return super().observe(channel, sample)


class Hasty(LimitMonitor):
    """Takes the delay for nothing."""

    def observe(self, channel: str, sample: Sample) -> list[Crossing]:
        for watched in self._channels.values():
            for watch in watched.bounds:
                if watch.since_mono_s is not None:
                    watch.since_mono_s = min(watch.since_mono_s, sample.taken_mono_s - watch.limit.delay_s)
        return super().observe(channel, sample)


class Deaf(LimitMonitor):
    """Keeps its mouth shut after it was rearmed."""

    def rearm(self) -> None:
        return


@pytest.mark.parametrize("defect", [Overdue, Forgetful, Hasty, Deaf])
def test_a_monitor_with_a_defect_is_told_from_the_naive_one(defect: type[LimitMonitor]) -> None:
    with pytest.raises(AssertionError):
        played(defect, stories=30)
