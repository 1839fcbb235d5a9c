import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.channels import Quality
from benchd.rules.frames import Sample
from benchd.rules.limits import Bound, Limit, LimitMonitor, Reaction, strictest


def limit(**changed) -> Limit:
    given_ = {
        "channel": "shaft_speed",
        "bound": Bound.HIGH,
        "value": 4000.0,
        "delay_s": 0.0,
        "reaction": Reaction.CUT,
        "origin": "bench.toml:3 high",
    }
    return Limit(**(given_ | changed))


def good(value: float, at_s: float) -> Sample:
    return Sample(value, Quality.GOOD, at_s)


def test_a_reading_beyond_a_limit_without_delay_is_a_crossing_at_once() -> None:
    monitor = LimitMonitor([limit()], start_mono_s=0.0)
    [crossing] = monitor.observe("shaft_speed", good(4000.1, 1.0))
    assert crossing.value == 4000.1
    assert crossing.time_mono_s == 1.0


def test_the_bound_itself_is_allowed() -> None:
    monitor = LimitMonitor([limit()], start_mono_s=0.0)
    assert monitor.observe("shaft_speed", good(4000.0, 1.0)) == []


def test_a_delay_needs_every_reading_in_it_beyond_the_limit() -> None:
    monitor = LimitMonitor([limit(delay_s=0.05)], start_mono_s=0.0)
    assert monitor.observe("shaft_speed", good(4100.0, 1.00)) == []
    assert monitor.observe("shaft_speed", good(4100.0, 1.04)) == []
    assert monitor.observe("shaft_speed", good(3900.0, 1.05)) == []
    assert monitor.observe("shaft_speed", good(4100.0, 1.06)) == []
    assert monitor.observe("shaft_speed", good(4100.0, 1.10)) == []
    [crossing] = monitor.observe("shaft_speed", good(4100.0, 1.12))
    assert crossing.since_mono_s == 1.06


def test_a_crossing_is_told_once_until_the_channel_comes_back() -> None:
    monitor = LimitMonitor([limit()], start_mono_s=0.0)
    told = [
        bool(monitor.observe("shaft_speed", good(value, i))) for i, value in enumerate((4100.0, 4200.0, 10.0, 4100.0))
    ]
    assert told == [True, False, False, True]


def test_a_rearmed_monitor_tells_a_crossing_that_lasts_once_more() -> None:
    monitor = LimitMonitor([limit(reaction=Reaction.HOLD)], start_mono_s=0.0)
    told = [
        bool(monitor.observe("shaft_speed", good(4100.0, 1.0))),
        bool(monitor.observe("shaft_speed", good(4100.0, 2.0))),
    ]
    monitor.rearm()
    told.append(bool(monitor.observe("shaft_speed", good(4100.0, 3.0))))
    assert told == [True, False, True]


@pytest.mark.parametrize(("early_s", "told"), [(0.0, True), (0.0009, True), (0.0011, False)])
def test_a_poll_that_comes_a_moment_early_ends_a_delay_of_one_poll_all_the_same(early_s: float, *, told: bool) -> None:
    monitor = LimitMonitor([limit(delay_s=0.02)], start_mono_s=0.0)
    monitor.observe("shaft_speed", good(4100.0, 7.0))
    assert bool(monitor.observe("shaft_speed", good(4100.0, 7.02 - early_s))) is told


def test_going_on_does_not_put_off_a_crossing_whose_delay_is_running() -> None:
    monitor = LimitMonitor([limit(delay_s=1.0)], start_mono_s=0.0)
    assert not monitor.observe("shaft_speed", good(4100.0, 1.0))
    monitor.rearm()
    (crossing,) = monitor.observe("shaft_speed", good(4100.0, 2.0))
    assert crossing.since_mono_s == 1.0


def test_ages_that_are_restarted_count_from_then() -> None:
    monitor = LimitMonitor([limit(bound=Bound.STALE, value=0.2)], start_mono_s=0.0)
    monitor.restart_ages(5.0)
    assert monitor.observe_age(5.19) == []
    assert monitor.observe_age(5.21)


def test_low_limits_look_the_other_way() -> None:
    monitor = LimitMonitor([limit(bound=Bound.LOW, value=-10.0)], start_mono_s=0.0)
    assert monitor.observe("shaft_speed", good(-9.0, 1.0)) == []
    assert monitor.observe("shaft_speed", good(-11.0, 2.0))


def test_a_channel_that_never_speaks_is_stale_after_its_age_limit() -> None:
    monitor = LimitMonitor([limit(bound=Bound.STALE, value=0.2)], start_mono_s=10.0)
    assert monitor.observe_age(10.2) == []
    [crossing] = monitor.observe_age(10.21)
    assert math.isclose(crossing.value, 0.21)


def test_readings_that_are_no_numbers_do_not_keep_a_channel_alive() -> None:
    monitor = LimitMonitor([limit(bound=Bound.STALE, value=0.2)], start_mono_s=0.0)
    monitor.observe("shaft_speed", good(0.0, 1.0))
    monitor.observe("shaft_speed", Sample(math.nan, Quality.NOT_A_NUMBER, 1.3))
    assert monitor.observe_age(1.31)


def test_an_over_range_value_still_crosses_a_limit() -> None:
    monitor = LimitMonitor([limit()], start_mono_s=0.0)
    assert monitor.observe("shaft_speed", Sample(9000.0, Quality.OVER_RANGE, 1.0))


def test_of_several_sources_the_tightest_wins_and_keeps_its_origin() -> None:
    sources = [
        limit(value=4000.0, origin="bench"),
        limit(value=3500.0, origin="motor"),
        limit(value=3800.0, origin="setup"),
    ]
    [effective] = strictest(sources)
    assert (effective.value, effective.origin) == (3500.0, "motor")


def test_a_tighter_warning_never_replaces_a_cut() -> None:
    effective = strictest([limit(value=4000.0), limit(value=3000.0, reaction=Reaction.WARN)])
    assert {(each.reaction, each.value) for each in effective} == {(Reaction.CUT, 4000.0), (Reaction.WARN, 3000.0)}


def test_a_slower_or_gentler_bound_never_replaces_a_wider_one_that_acts_sooner_or_harder() -> None:
    sources = [
        limit(value=10.0, delay_s=0.02),
        limit(value=6.0, delay_s=0.5),
        limit(value=5.0, delay_s=0.0, reaction=Reaction.RAMP_DOWN),
        limit(value=12.0, delay_s=0.02),
    ]
    assert {each.value for each in strictest(sources)} == {10.0, 6.0, 5.0}


@given(st.lists(st.floats(-1e4, 1e4), min_size=1), st.sampled_from([Bound.LOW, Bound.HIGH]))
def test_what_crosses_any_source_crosses_the_effective_limit(values: list[float], bound: Bound) -> None:
    sources = [limit(value=value, bound=bound) for value in values]
    [effective] = strictest(sources)
    for probe in values:
        assert effective.beyond(probe) == any(source.beyond(probe) for source in sources)


@given(st.lists(st.tuples(st.floats(0.001, 0.1), st.booleans()), max_size=60), st.floats(0.0, 0.3))
def test_a_crossing_means_that_the_value_was_beyond_without_a_break_for_the_delay(
    steps: list[tuple[float, bool]], delay_s: float
) -> None:
    monitor = LimitMonitor([limit(delay_s=delay_s)], start_mono_s=0.0)
    now_s, since_s, told = 0.0, None, False
    early_s = 0.001  # a poll that comes so much early ends the delay
    for gap_s, beyond in steps:
        now_s += gap_s
        crossings = monitor.observe("shaft_speed", good(5000.0 if beyond else 0.0, now_s))
        since_s = (now_s if since_s is None else since_s) if beyond else None
        due = since_s is not None and now_s - since_s >= delay_s - early_s and not told
        assert bool(crossings) == due
        told = beyond and (told or due)


@given(
    st.lists(st.floats(-100.0, 100.0), max_size=60),
    st.floats(0.0, 30.0),
    st.sampled_from([Bound.LOW, Bound.HIGH]),
)
def test_a_crossing_ends_only_beyond_the_hysteresis_and_is_told_once(
    values: list[float], hysteresis: float, bound: Bound
) -> None:
    """Against a two-state switch written out by hand."""
    sign = 1.0 if bound is Bound.HIGH else -1.0
    monitor = LimitMonitor([limit(bound=bound, value=sign * 50.0, hysteresis=hysteresis)], start_mono_s=0.0)
    inside = False
    for at_s, value in enumerate(values):
        crossings = monitor.observe("shaft_speed", good(sign * value, at_s))
        begins = not inside and value > 50.0
        inside = begins or (inside and value > 50.0 - hysteresis)
        assert bool(crossings) == begins


def test_a_value_that_swings_across_the_bound_counts_as_one_crossing_within_the_hysteresis() -> None:
    swing = [(4010.0 if tick % 2 else 3990.0, 1.0 + 0.01 * tick) for tick in range(1, 12)]
    for hysteresis, crossed in ((0.0, False), (20.0, True)):
        monitor = LimitMonitor([limit(delay_s=0.1, hysteresis=hysteresis)], start_mono_s=0.0)
        told = [one for value, at_s in swing for one in monitor.observe("shaft_speed", good(value, at_s))]
        assert bool(told) is crossed
    assert told[0].value == 4010.0  # the furthest reading, although the last one is below the bound
    assert told[0].since_mono_s == 1.01


def test_a_bound_whose_crossings_end_sooner_replaces_none_that_lasts() -> None:
    lasting, tight = limit(value=4000.0, hysteresis=200.0), limit(value=3900.0)
    assert set(strictest([lasting, tight])) == {lasting, tight}
    assert strictest([limit(value=4000.0), lasting]) == (lasting,)
    assert strictest([lasting, limit(value=3800.0)]) == (limit(value=3800.0),)
