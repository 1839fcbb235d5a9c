"""What is provoked, by how much, and which answers count."""

import math
from dataclasses import replace

import pytest

from benchd.app.commissioning.provoked import Answer, Kind, Provocation, lowered
from benchd.rules.channels import Quality
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
