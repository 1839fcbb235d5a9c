"""The specimen's torque: one instant for all channels, inertia, the transducer's ranges, the torque zero."""

from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate, expanded
from benchd.rules.channels import Quality

from .brushless_bench import (
    MOTOR,
    RPM,
    ZERO_U_NM,
    Played,
    Pmsm,
    Sensors,
    Visit,
    load_test,
    no_load_test,
    record,
)

MACHINE = Pmsm(coulomb_nm=0.1)
QUIET = Sensors(noise=1e-7)
J_KGM2 = MOTOR["data_sheet"]["inertia_kgm2"] + 1e-4


def rated(shows):
    return Played(kind="rated_point", visits=[Visit(asked={"torque_nm": 5.0, "speed_rpm": 1000.0}, shows=shows)] * 2)


def test_channels_polled_at_different_times_are_brought_to_one_instant():
    steady = MACHINE.loaded(5.0, 1000.0)
    rising = {**steady, "motor_power": lambda t: steady["motor_power"] * (1.0 + 0.2 * t)}
    late = replace(QUIET, late_s={"motor_power": 0.1})
    q = evaluate(record([rated(rising)], sensors=late)).quantity("rated_point", "input_power")
    # without carrying it would read 0.2 · 0.1 = 2 % low
    assert q.value == pytest.approx(steady["motor_power"], rel=1e-5)
    assert q.budget["motor_power, drift within the windows"] == pytest.approx(
        0.2 * 0.59 * steady["motor_power"] / np.sqrt(12.0), rel=0.05
    )


def test_noise_alone_carries_no_mean_away():
    steady = MACHINE.loaded(5.0, 1000.0)
    noisy = Sensors(noise=1e-3)
    here = evaluate(record([rated(steady)], sensors=noisy))
    there = evaluate(record([rated(steady)], sensors=replace(noisy, late_s={"motor_power": 0.1})))
    assert there.quantity("rated_point", "input_power").value == here.quantity("rated_point", "input_power").value


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_the_torque_that_accelerates_the_rotor_is_added(way):
    steady = MACHINE.loaded(5.0, 1000.0)
    slope_rpm_s = 400.0
    taken_nm = J_KGM2 * slope_rpm_s / RPM
    turning = {
        **steady,
        "shaft_speed": lambda t: way * (1000.0 + slope_rpm_s * t),
        "shaft_torque": way * (5.0 - taken_nm),
    }
    results = evaluate(record([rated(turning)], sensors=QUIET))
    q = results.quantity("rated_point", "torque")
    assert taken_nm > 0.03
    assert q.value == pytest.approx(5.0, rel=1e-5)
    inertia = next(v for k, v in q.budget.items() if k.startswith("shaft_torque, inertia"))
    assert inertia == pytest.approx(0.2 * taken_nm / np.sqrt(3.0), rel=0.01)
    assert any("inertia times the slope" in n for n in results.tests["rated_point"].notes)


def test_only_the_coupling_s_part_on_the_specimen_s_side_counts_where_it_is_given():
    turning = {**MACHINE.loaded(5.0, 1000.0), "shaft_speed": lambda t: 1000.0 + 400.0 * t, "shaft_torque": 5.0}
    half = {"coupling": {"inertia_kgm2": 1e-4, "specimen_side_inertia_kgm2": 5e-5}}
    q = evaluate(record([rated(turning)], sensors=QUIET, setup=half)).quantity("rated_point", "torque")
    assert q.value - 5.0 == pytest.approx((J_KGM2 - 5e-5) * 400.0 / RPM, rel=1e-3)


def test_without_an_inertia_the_reader_is_told_that_nothing_is_added():
    turning = {**MACHINE.loaded(5.0, 1000.0), "shaft_speed": lambda t: 1000.0 + 400.0 * t}
    results = evaluate(record([rated(turning)], sensors=QUIET, setup={}))
    assert any("inertia of rotor or coupling is not given" in n for n in results.tests["rated_point"].notes)


def with_narrow(played, *, limit_nm=3.0, **settings):
    def shown(torque):
        return torque if abs(torque) <= limit_nm else float("nan")

    visits = [
        replace(v, shows={**v.shows, "shaft_torque_narrow": shown(v.shows["shaft_torque"])}) for v in played.visits
    ]
    return Played(kind=played.kind, visits=visits, settings=settings)


def test_the_narrowest_range_that_is_not_overloaded_is_used_point_by_point():
    results = evaluate(record([with_narrow(load_test(MACHINE))]))
    small = results.quantity("load", "point_000_shaft_power")
    large = results.quantity("load", "point_003_shaft_power")
    assert "shaft_torque_narrow, gain" in small.budget
    assert "shaft_torque, gain" not in small.budget
    assert "shaft_torque, gain" in large.budget
    assert "shaft_torque_narrow, gain" not in large.budget
    assert small.budget["shaft_torque_narrow, linearity"] == pytest.approx(
        0.0002 * 3.0 / np.sqrt(3.0) * 3000.0 / RPM, rel=1e-3
    )


def test_a_range_that_the_test_forbids_is_not_used():
    results = evaluate(record([with_narrow(load_test(MACHINE), torque_range="wide")]))
    assert "shaft_torque, gain" in results.quantity("load", "point_000_shaft_power").budget


def test_a_narrow_range_alone_loses_the_overloaded_points_and_says_so():
    results = evaluate(record([with_narrow(load_test(MACHINE), torque_range="narrow")]))
    assert results.quantity("load", "point_000_shaft_power").value is not None
    assert results.quantity("load", "point_003_shaft_power").value is None
    (said,) = (n for n in results.tests["load"].notes if n.startswith("torque_range = 'narrow'"))
    assert said.startswith("torque_range = 'narrow' leaves 10 of the points without torque")
    assert said.endswith("use 'auto'.")


def test_an_over_range_sample_in_the_narrow_range_hands_the_point_to_the_wide_one():
    run = record([with_narrow(load_test(MACHINE))])
    marks = run.quality["shaft_torque_narrow"].copy()
    marks[np.flatnonzero(run.point == 0)[3]] = Quality.OVER_RANGE
    spoilt = replace(run, quality={**run.quality, "shaft_torque_narrow": marks})
    assert "shaft_torque, gain" in evaluate(spoilt).quantity("load", "point_000_shaft_power").budget


def test_ranges_that_contradict_each_other_are_told():
    off = Sensors(gain={"shaft_torque_narrow": -0.05})
    notes = evaluate(record([with_narrow(load_test(MACHINE))], sensors=off)).tests["load"].notes
    assert any("shaft_torque and shaft_torque_narrow differ by up to" in n for n in notes)
    assert not evaluate(record([with_narrow(load_test(MACHINE))])).tests["load"].notes


def slow_turn(*, friction_nm=0.08, moved_nm=0.0, ways=(1.0, -1.0, 1.0, -1.0)):
    """The load machine drives: the transducer shows -friction forward and +friction backward."""
    visits = []
    for n, way in enumerate(ways):
        torque = -way * friction_nm + moved_nm * n
        shows = {**MACHINE.loaded(0.0, 60.0), "shaft_speed": 60.0 * way, "drive_speed": 60.0 * way}
        visits.append(Visit(asked={"speed_rpm": 60.0 * way}, shows={**shows, "shaft_torque": torque}))
    return Played(kind="torque_zero", visits=visits)


def test_a_torque_zero_is_found_beside_friction_and_taken_off_the_later_tests():
    off = replace(QUIET, offset={"shaft_torque": 0.05})
    results = evaluate(record([slow_turn(), load_test(MACHINE)], sensors=off))
    zero = results.quantity("torque_zero", "torque_zero")
    assert zero.value == pytest.approx(0.05, rel=1e-5)
    assert results.quantity("torque_zero", "turning_friction").value == pytest.approx(0.08, rel=1e-5)
    assert results.tests["load"].points[2].values["torque"].value == pytest.approx(7.0, rel=1e-6)
    plain = evaluate(record([load_test(MACHINE)], sensors=off))
    assert plain.tests["load"].points[2].values["torque"].value == pytest.approx(7.05, rel=1e-6)


def test_the_zero_of_the_slow_turn_replaces_the_uncertainty_of_the_standstill_one():
    results = evaluate(record([slow_turn(), load_test(MACHINE)], sensors=QUIET))
    zero = results.quantity("torque_zero", "torque_zero")
    shown = results.quantity("load", "point_000_shaft_power").budget["shaft_torque, measured zero"]
    assert shown / (3000.0 / RPM) == pytest.approx(zero.standard_uncertainty, rel=1e-3)
    assert zero.standard_uncertainty < ZERO_U_NM


def test_half_of_what_the_zero_does_not_repeat_widens_it():
    results = evaluate(record([slow_turn(moved_nm=0.01)], sensors=QUIET))
    zero = results.quantity("torque_zero", "torque_zero")
    # the pairs' zeros lie 0.02 N·m apart: half of it is a half width
    assert zero.budget["shaft_torque, half of what the zero did not repeat"] == pytest.approx(
        0.01 / np.sqrt(3.0), rel=1e-3
    )
    assert zero.value == pytest.approx(0.015, rel=1e-3)
    # a rectangle of this half width holds 95 % of itself within 0.95 of it, where the law of propagation takes 1.96 u
    assert zero.interval == pytest.approx((0.015 - 0.0095, 0.015 + 0.0095), abs=8e-4)


def test_one_turn_each_way_keeps_the_standstill_zero_beside_it():
    results = evaluate(record([slow_turn(ways=(1.0, -1.0)), load_test(MACHINE)], sensors=QUIET))
    zero = results.quantity("torque_zero", "torque_zero")
    assert zero.standard_uncertainty > ZERO_U_NM
    low, high = zero.interval
    assert 0.5 * (high - low) == pytest.approx(1.96 * zero.standard_uncertainty, rel=0.1)  # both doubts are normal
    assert any("cannot show whether the zero repeats" in n for n in results.tests["torque_zero"].notes)


def test_one_direction_alone_gives_no_zero():
    results = evaluate(record([slow_turn(ways=(1.0, 1.0))]))
    assert "no usable backward turn" in results.quantity("torque_zero", "torque_zero").reason


def test_tests_before_the_torque_zero_keep_their_values_and_the_reader_is_told():
    off = replace(QUIET, offset={"shaft_torque": 0.05})
    results = evaluate(record([load_test(MACHINE), slow_turn(), no_load_test(MACHINE)], sensors=off))
    assert results.tests["load"].points[2].values["torque"].value == pytest.approx(7.05, rel=1e-6)
    assert any("play torque_zero first" in n for n in results.tests["torque_zero"].notes)
    shown = results.quantity("load", "point_000_shaft_power").budget["shaft_torque, measured zero"]
    assert shown / (3000.0 / RPM) == pytest.approx(ZERO_U_NM, rel=1e-3)


def test_a_shaft_that_seems_to_drive_itself_points_to_a_sign():
    notes = evaluate(record([slow_turn(friction_nm=-0.08)])).tests["torque_zero"].notes
    assert any("sign of the torque or of the speed is wrong" in n for n in notes)


def test_the_zero_covers_the_truth_of_a_drawn_offset():
    for seed in range(20):
        offset = np.random.default_rng(seed).normal(0.0, 0.01)
        run = record([slow_turn()], sensors=Sensors(noise=1e-3, offset={"shaft_torque": offset}), seed=seed)
        q = evaluate(run).quantity("torque_zero", "torque_zero")
        assert abs(q.value - offset) < 2.0 * expanded(q)[0]
        low, high = q.interval
        assert low < q.value < high
