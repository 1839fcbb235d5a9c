"""What is provoked, by how much, and which answers count."""

import math
from dataclasses import replace

import pytest

from benchd.app.commissioning.provoked import Answer, Kind, Provocation, lowered, provocations
from benchd.app.loading import load_all
from benchd.app.wiring import bench_plan
from benchd.rules.channels import Channel, Quality
from benchd.rules.derivations import Energy, I2t, Overload, Rule, RunTime, Stuck
from benchd.rules.derived_working import at_work
from benchd.rules.frames import Sample
from benchd.rules.limits import Bound, Limit, LimitMonitor, Reaction


def limit(bound: Bound, value: float, *, reaction: Reaction = Reaction.CUT, delay_s: float = 0.0) -> Limit:
    return Limit(
        channel="shaft_speed",
        bound=bound,
        value=value,
        delay_s=delay_s,
        reaction=reaction,
        origin="bench.toml:7 limits",
    )


@pytest.mark.parametrize("now", [600.0, 0.0, -600.0, 4999.0])
@pytest.mark.parametrize(("bound", "value"), [(Bound.HIGH, 5000.0), (Bound.LOW, -5000.0)])
def test_a_lowered_limit_is_crossed_by_the_present_value_and_only_its_threshold_differs(
    bound: Bound, value: float, now: float
) -> None:
    one = limit(bound, value)
    sample = Sample(now, Quality.GOOD, 1.0)
    changed = lowered(one, sample)
    assert changed is not None
    assert replace(changed, value=one.value) == one
    assert LimitMonitor([changed], start_mono_s=0.0).observe("shaft_speed", sample)
    assert not LimitMonitor([one], start_mono_s=0.0).observe("shaft_speed", sample)


def test_a_lowered_age_is_crossed_by_the_next_tick() -> None:
    changed = lowered(limit(Bound.STALE, 0.5), Sample(600.0, Quality.GOOD, 1.0))
    assert changed is not None
    assert LimitMonitor([changed], start_mono_s=1.0).observe_age(1.005)


def test_a_channel_without_a_number_cannot_be_provoked() -> None:
    assert lowered(limit(Bound.HIGH, 5000.0), Sample(math.nan, Quality.NOT_A_NUMBER, 1.0)) is None


def measured(name: str) -> Channel:
    return Channel(name=name, unit="1", device="unit", port="inputs", signal=name, age_limit_s=0.5)


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        (RunTime(), 43200.0),
        (Energy(of="gentle"), 200.0),
        (Energy(of="gentle", direction="delivered"), 200.0),
        (I2t(of="gentle", rated=5.0, time_constant_s=60.0), 1.0),
        (Overload(of="gentle", nominal=2.0), 5.0),
        (Stuck(of="gentle", resolution=0.0, moving="still", moving_by=1.0), 0.5),
    ],
)
def test_a_lowered_limit_on_what_is_computed_over_time_is_crossed_by_the_next_value(rule: Rule, value: float) -> None:
    working = at_work(rule, [measured("gentle"), measured("still")])
    working.begin(0.0)
    for tick in range(400):
        now_s = 0.01 * tick
        samples = {
            "gentle": Sample(0.3 + 0.01 * (tick % 3), Quality.GOOD, now_s),
            "still": Sample(0.0, Quality.GOOD, now_s),
        }
        sample = working.update(samples, now_s)
    one = limit(Bound.HIGH, value, delay_s=0.05)
    changed = lowered(one, sample)
    assert changed is not None
    monitor = LimitMonitor([changed], start_mono_s=now_s)
    seen_s = None
    for tick in range(400, 420):
        now_s = 0.01 * tick
        samples = {name: replace(old, taken_mono_s=now_s) for name, old in samples.items()}
        if monitor.observe("shaft_speed", working.update(samples, now_s)) and seen_s is None:
            seen_s = now_s
    assert seen_s == pytest.approx(4.05, abs=0.011)  # the first value after it, and the delay


@pytest.mark.parametrize(
    ("channel", "within_s"),
    [
        ("shaft_speed", 0.02 + 2 / 100),  # the limit's delay between two polls of the measuring unit
        ("coupling_slip", 0.1 + 2 / 50),  # with the load drive, which is polled less often
        ("current_disagreement", 0.5 + 2 / 20),  # of a derived channel and a measured one
        ("speed_frozen", 1 / 50),  # no delay: the next poll tells it
        ("run_time", 1 / 100),  # made of no channel: the tick
    ],
)
def test_a_limit_is_awaited_for_polls_of_the_slowest_device_in_its_channel(site, channel: str, within_s: float) -> None:
    bench, run = load_all(*site.files)
    assert run is not None
    asked = provocations(bench_plan(bench), run.plan.limits, units={})
    cuts = [one for one in asked if one.limit is not None and one.limit.channel == channel]
    found = {one.within_s for one in cuts if one.limit is not None and one.limit.bound is not Bound.STALE}
    assert min(found) == pytest.approx(within_s)


def test_the_silence_of_a_slow_device_is_awaited_for_as_long_as_its_channels_may_be_old(site) -> None:
    bench, run = load_all(*site.files)
    assert run is not None
    plan = bench_plan(bench)
    patient = [replace(one, value=20.0) if one.channel == "rack_temperature" else one for one in run.plan.limits]
    within_s = {
        one.device: one.within_s for one in provocations(plan, iter(patient), units={}) if one.kind is Kind.SILENCE
    }
    assert within_s["cabinet_thermometers"] == 20.0
    assert within_s["load_drive"] == 3.0  # missed long before
    assert set(within_s) == set(plan.devices)


CUT = Answer(
    provocation=Provocation(kind=Kind.LIMIT, title="shaft_speed above 5000 r/min", reaction=Reaction.CUT),
    seen_s=0.01,
    order_s=0.011,
    rest_s=0.5,
    state="Aborted",
)
SILENCE = replace(CUT, provocation=Provocation(kind=Kind.SILENCE, title="load_drive gives no readings"))
WARN = replace(
    CUT, provocation=replace(CUT.provocation, reaction=Reaction.WARN), order_s=None, rest_s=None, state="Execute"
)
HOLD = replace(CUT, provocation=replace(CUT.provocation, reaction=Reaction.HOLD), rest_s=None, state="Held")


@pytest.mark.parametrize(
    ("answer", "as_wanted"),
    [
        (CUT, True),
        (replace(CUT, seen_s=None), False),
        (replace(CUT, order_s=None), False),
        (replace(CUT, rest_s=None), False),
        (replace(CUT, state="Execute"), False),
        (replace(CUT, trouble=("load_drive.axis did not confirm.",)), False),
        (replace(CUT, trouble=("load_drive.axis did not confirm.",), permit_withdrawn=True), False),
        (SILENCE, True),
        (replace(SILENCE, trouble=("load_drive.axis did not confirm.",)), False),
        (replace(SILENCE, trouble=("load_drive.axis did not confirm.",), permit_withdrawn=True), True),
        (replace(SILENCE, trouble=("sink.input was left as it is.",), standstill_measured=False), False),
        (replace(CUT, trouble=("sink.input was left as it is.",), standstill_measured=False), False),
        (WARN, True),
        (replace(WARN, order_s=0.02), False),
        (HOLD, True),
        (replace(HOLD, state="Execute"), False),
    ],
)
def test_an_answer_is_as_wanted_only_where_the_reaction_came_and_everything_confirmed(
    answer: Answer, *, as_wanted: bool
) -> None:
    assert answer.as_wanted is as_wanted
