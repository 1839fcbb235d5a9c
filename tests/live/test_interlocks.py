"""What the safety chain's inputs are called and which of them changed."""

from dataclasses import replace

import pytest

from benchd.contract import SafetyChainReading
from benchd.live.interlocks import TOLD_AT_ONCE, WORDS, Interlocks, in_words, inputs_of

CLOSED = SafetyChainReading(
    guard_closed=True,
    estop_released=True,
    remote_selected=True,
    torque_enabled=True,
    permit=True,
    taken_mono_s=0.0,
    release_pressed=False,
)


def test_the_first_reading_is_no_change_and_the_same_again_is_none() -> None:
    interlocks = Interlocks()
    assert list(interlocks.changes(CLOSED)) == []
    assert list(interlocks.changes(replace(CLOSED, taken_mono_s=1.0))) == []


@pytest.mark.parametrize("name", WORDS)
def test_each_input_is_told_by_itself_in_both_directions(name: str) -> None:
    interlocks, was = Interlocks(), getattr(CLOSED, name)
    turned = replace(CLOSED, **{name: not was})
    list(interlocks.changes(CLOSED))
    (there,), (back,) = interlocks.changes(turned), interlocks.changes(CLOSED)
    assert (there.input, back.input) == (WORDS[name].name,) * 2
    assert {there.now, back.now} == {WORDS[name].off, WORDS[name].on}
    assert there.now == (WORDS[name].off if was else WORDS[name].on)
    assert there.sentence != back.sentence


def test_an_input_that_a_chain_lacks_is_never_told() -> None:
    without = replace(CLOSED, release_pressed=None)
    assert "release_pressed" not in inputs_of(without)
    assert "release at the bench" not in in_words(inputs_of(without))
    interlocks = Interlocks()
    list(interlocks.changes(without))
    assert list(interlocks.changes(CLOSED)) == []


def test_a_contact_that_chatters_is_told_seldom_and_what_was_left_out_is_counted() -> None:
    interlocks = Interlocks()
    told = []
    for tick in range(1, 1001):  # 20 s at 50 Hz
        reading = replace(CLOSED, guard_closed=bool(tick % 2), taken_mono_s=tick / 50.0)
        told += list(interlocks.changes(reading))
    assert TOLD_AT_ONCE <= len(told) <= TOLD_AT_ONCE + 11
    assert sum(change.untold for change in told) + len(told) <= 999
    assert sum(change.untold for change in told) > 850
    list(interlocks.changes(replace(CLOSED, guard_closed=False, taken_mono_s=20.1)))
    told += interlocks.changes(replace(CLOSED, guard_closed=False, taken_mono_s=40.0))
    assert told[-1].now == "open"  # whatever was left out, the last word is true
