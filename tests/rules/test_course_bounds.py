"""Where a course asks too much, speed and torque in step, power and energy: by hand, and by looking everywhere."""

import itertools
import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchd.rules.course_bounds import RESOLVED_S, Bounds, Shaft, outruns
from benchd.rules.course_conditions import Condition, Temperature
from benchd.rules.course_pairs import InStep
from benchd.rules.course_pieces import Between, Linear, Piece, Sine, SShaped, Table
from benchd.rules.courses import Course
from benchd.rules.demand import Demanded

FREE = Bounds()
COOL = Temperature(channel="winding_temperature", below_degc=40.0, within_s=600.0)
RPM = 30.0 / math.pi  # r/min of one rad/s


def speed(*parts: Piece | Condition, repeated: int = 1) -> Course:
    return Course(quantity=Demanded.SPEED, parts=parts, repeated=repeated)


def torque(*parts: Piece | Condition, repeated: int = 1) -> Course:
    return Course(quantity=Demanded.TORQUE, parts=parts, repeated=repeated)


def hold(value: float, time_s: float) -> Linear:
    return Linear(start=value, end=value, time_s=time_s)


@st.composite
def pairs(draw: st.DrawFn) -> InStep:
    """Tables of equal length with rows at different times, and sines: speeds and torques of both signs."""
    parts: tuple[list[Piece], list[Piece]] = ([], [])
    for _ in range(draw(st.integers(1, 3))):
        lasts = draw(st.integers(4, 40))
        for channel, scale in zip(parts, (10.0, 0.01), strict=True):
            if draw(st.booleans()):
                inner = draw(st.sets(st.integers(1, lasts - 1), max_size=4))
                times_s = tuple(time / 4.0 for time in sorted({0, *inner, lasts}))
                drawn = draw(st.lists(st.integers(-300, 300), min_size=len(times_s), max_size=len(times_s)))
                between = draw(st.sampled_from(list(Between)))
                if between is Between.STEPWISE:  # a last value that takes no time is looked at elsewhere
                    drawn[-1] = drawn[-2]
                channel.append(Table(times_s=times_s, values=tuple(each * scale for each in drawn), between=between))
            else:
                cycles = draw(st.sampled_from((0.5, 1.0, 3.0, 20.0)))
                offset, amplitude = draw(st.integers(-300, 300)), draw(st.integers(1, 300))
                channel.append(
                    Sine(offset=offset * scale, amplitude=amplitude * scale, period_s=lasts / 4 / cycles, cycles=cycles)
                )
    repeated = draw(st.integers(1, 3))
    return InStep(speed=speed(*parts[0], repeated=repeated), torque=torque(*parts[1], repeated=repeated))


def test_what_a_course_was_made_to_it_keeps_and_a_little_less_it_outruns_at_its_second_by_hand() -> None:
    """Rate 20, acceleration 10, jerk 10: up to 1 s the slope 5·t² is 3.2 at 0.8 s, the acceleration 10·t 9 at 0.9 s."""
    made = speed(SShaped(start=0.0, end=100.0, rate_per_s=20.0, acceleration_per_s2=10.0, jerk_per_s3=10.0))
    assert outruns(made, Bounds(slope_per_s=20.0, acceleration_per_s2=10.0)) is None
    slope = outruns(made, Bounds(slope_per_s=3.2))
    assert slope is not None
    assert (slope.what, slope.unit, slope.allowed) == ("slope of speed", "r/min per s", 3.2)
    assert slope.at_s == pytest.approx(0.8, abs=2 * RESOLVED_S)
    assert slope.asked == pytest.approx(5.0)  # in the phase in which it begins
    both = outruns(made, Bounds(slope_per_s=19.0, acceleration_per_s2=9.0))
    assert both is not None
    assert (both.what, both.unit) == ("acceleration of speed", "r/min per s²")
    assert both.at_s == pytest.approx(0.9, abs=2 * RESOLVED_S)


def test_a_jump_and_a_corner_ask_endlessly_much_at_their_second() -> None:
    jump = outruns(torque(hold(1.0, 3.0), hold(2.0, 1.0)), Bounds(slope_per_s=1e9))
    assert jump is not None
    assert (jump.at_s, jump.asked, jump.what) == (3.0, math.inf, "slope of torque")
    corner = outruns(torque(hold(1.0, 3.0), Linear(start=1.0, end=2.0, time_s=1.0)), Bounds(acceleration_per_s2=1e9))
    assert corner is not None
    assert (corner.at_s, corner.asked, corner.what) == (3.0, math.inf, "acceleration of torque")
    seam = outruns(torque(Linear(start=0.0, end=1.0, time_s=4.0), repeated=2), Bounds(slope_per_s=1.0))
    assert seam is not None
    assert seam.at_s == 4.0


def test_speeding_up_takes_the_torque_over_the_inertia_by_hand() -> None:
    """0.5 N·m on 2e-3 kg·m² are 250 rad/s²; at 0.3 N·m of load 0.2 N·m are left, which are 100 rad/s²."""
    shaft = Shaft(torque_available_nm=0.5, inertia_kgm2=2e-3)
    assert shaft.slope_rpm_per_s == pytest.approx(250.0 * RPM)
    way = Linear(start=0.0, end=500.0 * RPM, time_s=2.0)  # 250 rad/s²
    assert outruns(speed(way), FREE, shaft=shaft) is None
    faster = outruns(speed(hold(0.0, 1.0), Linear(start=0.0, end=510.0 * RPM, time_s=2.0)), FREE, shaft=shaft)
    assert faster is not None
    assert (faster.at_s, faster.unit, faster.allowed) == (1.0, "N·m", 0.5)
    assert faster.asked == pytest.approx(0.51)
    slow = Linear(start=0.0, end=200.0 * RPM, time_s=2.0)  # 100 rad/s²
    for side in (1.0, -1.0):
        loaded = InStep(speed=speed(slow), torque=torque(Linear(start=0.0, end=side * 0.6, time_s=2.0)))
        found = outruns(loaded, FREE, FREE, shaft=shaft)
        assert found is not None
        assert found.at_s == pytest.approx(1.0, abs=2 * RESOLVED_S)  # 0.3 N·m
        assert found.asked == pytest.approx(0.8, rel=2e-4)
    jumping = InStep(speed=speed(hold(0.0, 1.0), hold(5.0, 1.0)), torque=torque(hold(0.0, 1.0), hold(0.1, 1.0)))
    jump = outruns(jumping, FREE, FREE, shaft=shaft)
    assert jump is not None
    assert (jump.at_s, jump.asked) == (1.0, math.inf)
    assert outruns(jumping, FREE, FREE, shaft=Shaft(torque_available_nm=0.5)) is None


def test_power_is_too_much_where_the_product_is_by_hand() -> None:
    """Speed 100·t rad/s against torque 4 − t N·m: 100·(4t − t²) is 300 W at 1 s and at most 400 W at 2 s."""
    pair = InStep(
        speed=speed(Linear(start=0.0, end=400.0 * RPM, time_s=4.0)),
        torque=torque(Linear(start=4.0, end=0.0, time_s=4.0)),
    )
    assert pair.power_w(1.0) == pytest.approx(300.0)
    found = outruns(pair, FREE, FREE, shaft=Shaft(power_w=300.0))
    assert found is not None
    assert (found.what, found.unit) == ("power at the shaft", "W")
    assert found.at_s == pytest.approx(1.0, abs=2 * RESOLVED_S)
    assert found.asked == pytest.approx(400.0, rel=2e-4)
    assert outruns(pair, FREE, FREE, shaft=Shaft(power_w=400.0)) is None
    assert outruns(pair, FREE, FREE, shaft=Shaft(power_w=399.9)) is not None
    assert pair.energy_j == pytest.approx(100.0 * (2.0 * 16.0 - 64.0 / 3.0))


def test_two_that_jump_at_once_are_never_mixed() -> None:
    """100 rad/s with 1 N·m, then 1 rad/s with 100 N·m: 100 W before and after, and 10 kW never."""
    pair = InStep(
        speed=speed(hold(100.0 * RPM, 0.1), hold(RPM, 0.7), repeated=3),
        torque=torque(hold(1.0, 0.1), hold(100.0, 0.7), repeated=3),
    )
    assert outruns(pair, FREE, FREE, shaft=Shaft(power_w=100.0)) is None
    assert outruns(pair, FREE, FREE, shaft=Shaft(power_w=99.0)) is not None


def test_jumps_that_only_rounding_parts_are_one() -> None:
    """0.1 s + 0.2 s is a little more than 0.3 s; both channels jump there, and their high values never meet."""
    early = Table(times_s=(0.0, 0.3, 1.0), values=(1.0, 100.0, 100.0), between=Between.STEPWISE)
    late = Table(times_s=(0.0, 0.1 + 0.2, 1.0), values=(100.0 * RPM, RPM, RPM), between=Between.STEPWISE)
    turned = Table(times_s=late.times_s, values=(1.0, 100.0, 100.0), between=Between.STEPWISE)
    fast = Table(times_s=early.times_s, values=late.values, between=Between.STEPWISE)
    for one, other in ((late, early), (fast, turned)):
        pair = InStep(speed=speed(one), torque=torque(other))
        assert outruns(pair, FREE, FREE, shaft=Shaft(power_w=100.0)) is None


def test_the_torque_for_a_swinging_speed_is_greatest_where_its_slope_is() -> None:
    """Speed 10·sin(t) rad/s on 0.1 kg·m² needs cos(t) N·m; with t/10 of the course that is (cos + t/10): at π, 1.314.

    It passes 1.2 first where |cos t| = 1.2 − t/10 on the way to π: t = 2.80 by 0.9422 + 0.28 = 1.222, 2.70 by 1.174.
    """
    lasts_s = 2.0 * math.pi
    pair = InStep(
        speed=speed(Sine(offset=0.0, amplitude=10.0 * RPM, period_s=lasts_s)),
        torque=torque(Linear(start=0.0, end=lasts_s / 10.0, time_s=lasts_s)),
    )
    found = outruns(pair, FREE, FREE, shaft=Shaft(torque_available_nm=1.2, inertia_kgm2=0.1))
    assert found is not None
    assert 2.70 < found.at_s < 2.80
    assert found.asked == pytest.approx(1.0 + lasts_s / 10.0, rel=2e-4)  # at the end of the swing
    assert outruns(pair, FREE, FREE, shaft=Shaft(torque_available_nm=1.63, inertia_kgm2=0.1)) is None


def test_a_swing_far_shorter_than_its_piece_is_not_passed_over() -> None:
    """10 000 cycles of 1 ms: 1 N·m ± 1 N·m at 100 rad/s come to 200 W in each, first after 0.25 ms, and above 199 W."""
    pair = InStep(
        speed=speed(hold(100.0 * RPM, 10.0)),
        torque=torque(Sine(offset=1.0, amplitude=1.0, period_s=1e-3, cycles=10_000.0)),
    )
    found = outruns(pair, FREE, FREE, shaft=Shaft(power_w=199.0))
    assert found is not None
    assert found.at_s == pytest.approx(0.25e-3, abs=0.05e-3)


def test_torque_that_runs_short_after_a_jump_of_speed_is_told_at_the_jump() -> None:
    pair = InStep(speed=speed(hold(0.0, 1.0), hold(5.0, 1.0)), torque=torque(hold(0.0, 1.0), hold(9.0, 1.0)))
    found = outruns(pair, FREE, FREE, shaft=Shaft(torque_available_nm=0.5, inertia_kgm2=1e-3))
    assert found is not None
    assert (found.at_s, found.asked) == (1.0, math.inf)


def test_a_value_that_takes_no_time_is_held_afterwards_and_counts() -> None:
    last = Table(times_s=(0.0, 2.0), values=(0.0, 3.0), between=Between.STEPWISE)
    pair = InStep(speed=speed(hold(100.0 * RPM, 2.0)), torque=torque(last))
    found = outruns(pair, FREE, FREE, shaft=Shaft(power_w=250.0))
    assert found is not None
    assert (found.at_s, found.asked) == (2.0, pytest.approx(300.0))


@settings(deadline=None, max_examples=60)
@given(pairs(), st.floats(0.2, 0.99))
def test_before_the_second_that_is_told_nothing_is_too_much_and_there_it_is(pair: InStep, share: float) -> None:
    shaft = Shaft(torque_available_nm=1e9, inertia_kgm2=0.0, power_w=1e9)
    times_s = [pair.speed.round_s * place / 3000 for place in range(3000)]
    powers_w = [abs(pair.power_w(time_s)) for time_s in times_s]
    assume(max(powers_w) > 1e-3)
    assert outruns(pair, FREE, FREE, shaft=shaft) is None
    allowed_w = share * max(powers_w)
    found = outruns(pair, FREE, FREE, shaft=Shaft(power_w=allowed_w))
    assert found is not None
    clearly_w = allowed_w * (1 + 1e-4)  # what touches the bound, or is above it for no time, may be passed over
    seen_s = next(time_s for time_s, power_w in zip(times_s, powers_w, strict=True) if power_w > clearly_w)
    assert found.at_s <= seen_s + RESOLVED_S
    beside = [abs(pair.power_w(max(0.0, found.at_s + shift_s))) for shift_s in (-1e-6, 0.0, 1e-6)]
    assert max(beside) >= allowed_w * (1 - 1e-3)
    assert found.asked >= allowed_w * (1 - 1e-9)
    assert found.asked <= 1.25 * max(powers_w) + 1.0  # of which the samples may miss the peak


@settings(deadline=None, max_examples=60)
@given(pairs())
def test_two_in_step_begin_and_end_together_and_their_energy_is_the_sum_of_small_steps(pair: InStep) -> None:
    assert pair.speed.moving_s == pytest.approx(pair.torque.moving_s)
    stretches = [each for each in pair.together() if each.end_s > each.start_s]
    assert stretches[0].start_s == 0.0
    assert stretches[-1].end_s == pytest.approx(pair.speed.round_s)
    for one, other in itertools.pairwise(stretches):
        assert one.end_s == pytest.approx(other.start_s)
        assert one.speed.part == one.torque.part
    count = 8000
    step_s = pair.speed.round_s / count
    sums = [pair.power_w((place + 0.5) * step_s) * step_s for place in range(count)]
    scale = pair.speed.round_s * max(abs(each) / step_s for each in sums)
    assert pair.energy_j == pytest.approx(pair.speed.repeated * math.fsum(sums), abs=2e-3 * pair.speed.repeated * scale)


def test_the_energy_of_intermittent_duty_is_the_mean_of_power_times_time_by_hand() -> None:
    """S3 40 %, 10 min (IEC 60034-1, the usual cycle and a standard duration factor; from memory), ten cycles.

    240 s at 1500 r/min and 2 N·m are 100π W: 75 398.2 J. 360 s at rest give nothing. The mean of P·t over 600 s is
    40 % of 314.159 W = 125.664 W.
    """
    pair = InStep(
        speed=speed(hold(1500.0, 240.0), hold(0.0, 360.0), repeated=10),
        torque=torque(hold(2.0, 240.0), hold(0.0, 360.0), repeated=10),
    )
    assert pair.energy_j == pytest.approx(10 * 75_398.2, rel=1e-6)
    assert pair.mean_power_w == pytest.approx(125.664, rel=1e-5)
    braking = InStep(
        speed=speed(hold(1500.0, 240.0), hold(1500.0, 360.0)), torque=torque(hold(2.0, 240.0), hold(-1.0, 360.0))
    )
    assert braking.energy_j == pytest.approx(75_398.2 - 56_548.7, rel=1e-5)


def test_the_energy_of_two_sines_alike_is_half_their_amplitudes_and_of_two_that_differ_none() -> None:
    """Over whole periods the mean of sin² is 1/2, of two sines of different periods 0, of offsets their product."""
    wave = Sine(offset=50.0 * RPM, amplitude=10.0 * RPM, period_s=0.5, cycles=8.0)
    same = torque(Sine(offset=2.0, amplitude=1.0, period_s=0.5, cycles=8.0))
    other = torque(Sine(offset=2.0, amplitude=1.0, period_s=1.0, cycles=4.0))
    assert InStep(speed=speed(wave), torque=same).mean_power_w == pytest.approx(100.0 + 5.0, rel=1e-6)
    assert InStep(speed=speed(wave), torque=other).mean_power_w == pytest.approx(100.0, rel=1e-6)


def test_what_is_not_in_step_is_refused_with_the_part() -> None:
    cases = (
        (speed(hold(1.0, 2.0)), torque(hold(1.0, 2.0), hold(1.0, 2.0)), "equally many parts"),
        (speed(hold(1.0, 2.0), repeated=2), torque(hold(1.0, 2.0)), "repeats"),
        (speed(hold(1.0, 2.0), hold(1.0, 3.0)), torque(hold(1.0, 2.0), hold(1.0, 2.5)), "Part 2 lasts 3 s"),
        (speed(hold(1.0, 2.0), COOL), torque(hold(1.0, 2.0), hold(1.0, 2.5)), "Part 2 .* same condition"),
        (torque(hold(1.0, 2.0)), speed(hold(1.0, 2.0)), "one of torque"),
    )
    for one, other, says in cases:
        with pytest.raises(ValueError, match=says):
            InStep(speed=one, torque=other)
    InStep(speed=speed(hold(1.0, 2.0), COOL), torque=torque(hold(1.0, 2.0), COOL))


def test_bounds_and_shafts_that_make_no_sense_are_refused() -> None:
    cases = (
        (lambda: Bounds(slope_per_s=0.0), "Bounds must be positive"),
        (lambda: Bounds(acceleration_per_s2=math.nan), "Bounds must be positive"),
        (lambda: Shaft(torque_available_nm=0.0), "must be positive"),
        (lambda: Shaft(inertia_kgm2=-1.0), "not negative"),
        (lambda: outruns(speed(hold(1.0, 1.0)), FREE, FREE), "needs 1 of bounds, not 2"),
        (lambda: outruns(torque(hold(1.0, 1.0)), FREE, shaft=Shaft()), "a course of speed"),
    )
    for make, says in cases:
        with pytest.raises(ValueError, match=says):
            make()
