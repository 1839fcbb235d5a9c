"""Torsional resonance in blocks of samples: amplitude and frequency to a percent, one warning an occurrence."""

import math
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.contract import SampleBlock
from benchd.live.causes import Cause
from benchd.live.plan import TwistPlan
from benchd.live.twist import LOOK_S, LOOKS_IN_A_ROW, Twisting, look_s, strongest
from benchd.rules.limits import Reaction
from benchd.rules.resonance import Order

RATE_HZ = 20_000.0
BLOCK = 1000  # samples in 50 ms
PLAN = TwistPlan(
    signal="torque_v",
    nm_per_unit=0.5,
    frequencies_hz=(200.0, 900.0),
    half_width_ratio=0.07,
    warn_nm=0.2,
    rated_nm=2.0,
    orders=(Order("unbalance", 1.0), Order("6 times electrical", 24.0), Order("cogging", 24.0)),
)
LOOK = round(LOOK_S * RATE_HZ)


def shaking(frequency_hz: float, amplitude: float, *, count: int = LOOK, noise: float = 0.0, phase: float = 0.3):
    """A steady torque of 1.5 with a sine, and white noise."""
    time_s = np.arange(count) / RATE_HZ
    drawn = np.random.default_rng(7).standard_normal(count)
    return 1.5 + amplitude * np.sin(2.0 * math.pi * frequency_hz * time_s + phase) + noise * drawn


class Stream:
    """Blocks of two inputs, the torque being the second, and what is told of them."""

    def __init__(self, plan: TwistPlan | None = PLAN, *, speed_rpm: float = 500.0) -> None:
        self.told: list[Cause] = []
        self.twisting = Twisting(speed_rpm=lambda: speed_rpm, trip=self.told.append)
        self.twisting.expect(plan)
        self.index = 0

    def send(self, torque_nm: np.ndarray, *, signals: tuple[str, ...] = ("other_v", "torque_v")) -> None:
        for at in range(0, len(torque_nm), BLOCK):
            part = torque_nm[at : at + BLOCK] / PLAN.nm_per_unit
            both = np.stack([100.0 * np.ones_like(part), part], axis=1).astype("<f4")
            self.twisting.take(
                SampleBlock(
                    signals=signals,
                    rate_hz=RATE_HZ,
                    first_index=self.index,
                    lost=0,
                    data=both.tobytes(),
                    taken_mono_s=0.0,
                )
            )
            self.index += len(part)


@given(
    frequency_hz=st.floats(188.0, 212.0),
    amplitude=st.floats(0.01, 5.0),
    phase=st.floats(0.0, 6.2),
)
def test_frequency_and_amplitude_are_found_wherever_the_line_lies_between_two_bins(
    frequency_hz: float, amplitude: float, phase: float
) -> None:
    line = strongest(shaking(frequency_hz, amplitude, phase=phase), RATE_HZ, (200.0,), half_width_ratio=0.07)
    assert line is not None
    assert line.amplitude == pytest.approx(amplitude, rel=0.012)
    assert line.frequency_hz == pytest.approx(frequency_hz, abs=0.1)


def test_what_lies_beside_a_natural_frequency_is_none_of_its_business() -> None:
    line = strongest(shaking(260.0, 1.0), RATE_HZ, (200.0,), half_width_ratio=0.07)
    assert line is not None
    assert line.amplitude < 0.01


def test_the_stronger_of_two_natural_frequencies_is_told() -> None:
    both = shaking(200.0, 0.3) + shaking(910.0, 0.4)
    line = strongest(both, RATE_HZ, PLAN.frequencies_hz, half_width_ratio=0.07)
    assert line is not None
    assert (line.frequency_hz, line.amplitude) == (pytest.approx(910.0, abs=0.1), pytest.approx(0.4, rel=0.02))


@pytest.mark.parametrize("frequency_hz", [20.0, 8000.0, 12_000.0])
def test_frequencies_that_a_look_cannot_show_are_left_out(frequency_hz: float) -> None:
    assert strongest(shaking(200.0, 1.0), RATE_HZ, (frequency_hz,), half_width_ratio=0.07) is None


def test_a_slow_frequency_takes_a_longer_look() -> None:
    slow = TwistPlan(
        signal="torque_v",
        nm_per_unit=0.5,
        frequencies_hz=(20.0, 300.0),
        half_width_ratio=0.07,
        warn_nm=0.2,
        rated_nm=2.0,
    )
    assert look_s(PLAN) == LOOK_S
    assert look_s(slow) == pytest.approx(10.0 / 18.6)
    stream = Stream(slow)
    stream.send(shaking(20.0, 0.4, count=40_000))
    [cause] = stream.told
    assert cause.sentence.startswith("The shaft shakes at 20 Hz by 0.4")


def test_an_occurrence_is_told_once_in_one_sentence_and_takes_no_energy_away() -> None:
    stream = Stream()
    stream.send(shaking(200.0, 0.42, count=10 * LOOK, noise=0.05))
    [cause] = stream.told
    assert cause.reaction is Reaction.WARN
    assert cause.sentence == (
        "The shaft shakes at 200 Hz by 0.42 N·m (21 % of rated torque) at 500 r/min, 24 times a revolution "
        "(6 times electrical or cogging): change the speed, and look at coupling, alignment and the critical speeds of "
        "this set-up."
    )


def test_a_standing_shaft_and_one_of_unknown_speed_have_no_orders() -> None:
    for speed_rpm in (0.0, math.nan):
        stream = Stream(speed_rpm=speed_rpm)
        stream.send(shaking(200.0, 0.42, count=3 * LOOK))
        assert "(21 % of rated torque): change the speed" in stream.told[0].sentence


def test_what_is_over_and_comes_again_is_told_again_under_another_key() -> None:
    stream = Stream()
    stream.send(shaking(200.0, 0.3, count=4 * LOOK))
    stream.send(shaking(200.0, 0.13, count=4 * LOOK))  # below the threshold and not yet clearly less
    stream.send(shaking(200.0, 0.3, count=4 * LOOK))
    assert len(stream.told) == 1
    stream.send(shaking(200.0, 0.1, count=2 * LOOK))
    stream.send(shaking(200.0, 0.3, count=4 * LOOK))
    assert len(stream.told) == 2
    assert stream.told[0].told_as != stream.told[1].told_as


def test_a_blow_that_rings_off_is_not_told() -> None:
    stream = Stream()
    time_s = np.arange(LOOK) / RATE_HZ
    blow = shaking(200.0, 1.0) - 1.5
    for _ in range(5):
        stream.send(1.5 + 3.0 * blow * np.exp(-time_s / 0.05))
        stream.send(shaking(200.0, 0.0, count=LOOK))
    assert LOOKS_IN_A_ROW > 1
    assert stream.told == []


def test_noise_alone_is_never_told() -> None:
    stream = Stream()
    stream.send(shaking(200.0, 0.0, count=400 * LOOK, noise=0.5))
    assert stream.told == []


def test_a_gap_begins_a_new_look_and_a_stream_that_begins_anew_everything() -> None:
    stream = Stream()
    for _ in range(40):  # never a whole look in one piece
        stream.send(shaking(200.0, 1.0, count=LOOK - BLOCK))
        stream.index += 7
    assert stream.told == []
    stream.send(shaking(200.0, 1.0, count=3 * LOOK))
    assert len(stream.told) == 1
    stream.index = 0
    stream.send(shaking(200.0, 1.0, count=3 * LOOK))
    assert len(stream.told) == 2


def test_samples_that_are_no_numbers_are_not_looked_at() -> None:
    stream = Stream()
    spoilt = shaking(200.0, 1.0, count=8 * LOOK)
    spoilt[::LOOK] = math.nan
    stream.send(spoilt)
    assert stream.told == []


def test_without_a_plan_or_its_signal_nothing_is_looked_for() -> None:
    for stream, signals in ((Stream(None), ("other_v", "torque_v")), (Stream(), ("other_v", "current_v"))):
        stream.send(shaking(200.0, 1.0, count=4 * LOOK), signals=signals)
        assert stream.told == []


def test_a_look_takes_a_fraction_of_a_tick() -> None:
    """A tick has 10 ms. The best of some tries, so that a busy machine makes it no defect."""
    samples = shaking(200.0, 0.3, count=LOOK)
    taken_s = []
    for _ in range(20):
        began_s = time.perf_counter()
        strongest(samples, RATE_HZ, PLAN.frequencies_hz, half_width_ratio=0.07)
        taken_s.append(time.perf_counter() - began_s)
    assert min(taken_s) < 1e-3
