"""Whole records: what is missing is said in words, what is spoilt is left out, holding changes nothing."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import RecordedTest, evaluate, expanded, results_document
from benchd.rules.channels import Quality


@pytest.fixture
def record(truth, errors, make_run):
    return make_run(truth, errors(), np.random.default_rng(7))


def without(record, *channels):
    def rest(mapping):
        return {k: v for k, v in mapping.items() if k not in channels}

    return replace(record, values=rest(record.values), ages_s=rest(record.ages_s), quality=rest(record.quality))


def rows_of(record, test, point):
    return np.flatnonzero((record.test == test) & (record.point == point))


def changed(record, channel, rows, value):
    values = record.values[channel].copy()
    values[rows] = value
    return replace(record, values={**record.values, channel: values})


def marked(record, channel, rows, quality):
    marks = record.quality[channel].copy()
    marks[rows] = quality
    return replace(record, quality={**record.quality, channel: marks})


def test_every_number_has_unit_uncertainty_budget_and_origin(record):
    for results in evaluate(record).tests.values():
        for q in results.quantities:
            assert q.unit
            if q.value is None:
                assert q.reason
                continue
            assert q.standard_uncertainty > 0.0
            assert q.degrees_of_freedom >= 1.0
            assert q.how
            total = math.sqrt(sum(share**2 for share in q.budget.values()))
            assert total == pytest.approx(q.standard_uncertainty, rel=1e-6)


def test_the_voltage_constant_in_both_units_is_one_number(record):
    results = evaluate(record)
    si = results.quantity("no_load", "voltage_constant")
    trade = results.quantity("no_load", "voltage_constant_per_1000_rpm")
    assert trade.value == pytest.approx(si.value * 1000.0 * math.pi / 30.0, rel=1e-12)


def test_a_voltage_gain_error_dominates_where_nothing_scatters(truth, errors, make_run):
    cool = replace(truth, load_theta=truth.no_load_theta)  # no doubt about brushes that warm between the tests
    record = make_run(cool, errors(noise=0.0, linearity=False), np.random.default_rng(1))
    q = evaluate(record).quantity("load", "voltage_constant")
    # U = K·w: 0.03 % of voltage and 0.01 % of speed, all points alike
    assert q.standard_uncertainty / q.value == pytest.approx(math.hypot(0.0003, 0.0001), rel=0.02)
    assert q.budget["dc_voltage, gain"] / q.value == pytest.approx(0.0003, rel=1e-3)


def test_holding_every_sample_twice_as_long_states_no_smaller_uncertainty(truth, errors, make_run):
    record = make_run(truth, errors(), np.random.default_rng(3))
    doubled = replace(
        record,
        time_mono_s=np.repeat(record.time_mono_s, 2) + np.tile([0.0, 0.005], record.time_mono_s.size),
        test=np.repeat(record.test, 2),
        point=np.repeat(record.point, 2),
        values={c: np.repeat(v, 2) for c, v in record.values.items()},
        ages_s={c: np.repeat(a, 2) + np.tile([0.0, 0.005], a.size) for c, a in record.ages_s.items()},
        quality={c: np.repeat(q, 2) for c, q in record.quality.items()},
    )
    for name in ("voltage_constant", "efficiency_at_rated_torque", "stall_torque"):
        once, twice = evaluate(record).quantity("load", name), evaluate(doubled).quantity("load", name)
        assert twice.value == pytest.approx(once.value, rel=1e-9)
        assert twice.standard_uncertainty == pytest.approx(once.standard_uncertainty, rel=1e-6)


def test_a_motor_that_turns_the_other_way_has_the_same_constants(truth, errors, make_run):
    forward = evaluate(make_run(truth, errors(noise=0.0, linearity=False), np.random.default_rng(1)))
    backward = evaluate(
        make_run(replace(truth, direction=-1.0), errors(noise=0.0, linearity=False), np.random.default_rng(1))
    )
    for test, name in (("load", "voltage_constant"), ("load", "winding_resistance"), ("no_load", "no_load_speed")):
        assert backward.quantity(test, name).value == pytest.approx(forward.quantity(test, name).value, rel=1e-9)


def test_hysteresis_is_found_and_widens_the_rated_point(truth, errors, make_run):
    still = errors(noise=0.1, linearity=False)
    none = evaluate(make_run(truth, still, np.random.default_rng(1)))
    some = evaluate(make_run(replace(truth, hysteresis_nm=0.01), still, np.random.default_rng(1)))
    gap = some.quantity("load", "hysteresis_current")
    assert gap.value == pytest.approx(0.01 / truth.k, rel=0.1)  # 10 mN·m more friction on the way down
    assert abs(none.quantity("load", "hysteresis_current").value) < 0.1 * gap.value
    wide = some.quantity("load", "current_at_rated_torque")
    assert wide.budget["shaft_torque, difference between up and down"] == pytest.approx(0.1 / math.sqrt(3.0), rel=0.1)


def test_without_a_no_load_test_the_brush_drop_is_not_determined_and_the_constant_stays_honest(truth, errors, make_run):
    results = evaluate(make_run(truth, errors(), np.random.default_rng(1), no_load=False))
    assert list(results.tests) == ["load"]
    assert "voltage is varied" in results.quantity("load", "brush_drop").reason
    q = results.quantity("load", "voltage_constant")
    assert abs(q.value - truth.k) < expanded(q)[0]
    assert any(name.startswith("brush drop, assumed") for name in q.budget)


def test_without_a_load_test_the_resistance_is_assumed_and_said(truth, errors, make_run):
    results = evaluate(make_run(truth, errors(), np.random.default_rng(1), load=False))
    q = results.quantity("no_load", "voltage_constant")
    assert abs(q.value - truth.k) < expanded(q)[0]
    assert any(name.startswith("winding resistance, assumed") for name in q.budget)
    assert any("winding resistance, assumed" in note for note in results.tests["no_load"].notes)


def test_without_a_load_test_and_a_motor_file_nothing_is_invented(truth, errors, make_run):
    record = replace(make_run(truth, errors(), np.random.default_rng(1), load=False), motor={})
    results = evaluate(record)
    q = results.quantity("no_load", "voltage_constant")
    assert q.value is None
    assert "run a load test" in q.reason


def test_without_torque_the_electrical_quantities_remain(record):
    results = evaluate(without(record, "shaft_torque"))
    assert results.quantity("load", "voltage_constant").value is not None
    for name in ("efficiency_at_rated_torque", "stall_torque", "torque_constant"):
        assert "shaft_torque" in results.quantity("load", name).reason
    assert "drag cannot be taken off" in results.quantity("no_load", "friction_torque_coulomb").reason
    assert "The run has no channel shaft_torque." in results.tests["load"].notes


def test_without_a_winding_thermometer_the_resistance_at_20_degrees_is_not_determined(record):
    results = evaluate(without(record, "winding_temperature"))
    assert results.quantity("load", "winding_resistance").value is not None
    assert "winding_temperature" in results.quantity("load", "winding_resistance_20").reason


def test_without_speed_nothing_is_determined_and_the_reason_is_given(record):
    results = evaluate(without(record, "shaft_speed"))
    for test in results.tests.values():
        assert all(q.value is None and q.reason for q in test.quantities)


def test_a_point_with_one_over_range_sample_is_left_out_and_named(record):
    rows = rows_of(record, 1, 3)
    results = evaluate(marked(record, "dc_current", rows[10:12], Quality.OVER_RANGE))
    notes = results.tests["load"].notes
    assert any("Point 3: dc_current" in n and "over range" in n and "left out" in n for n in notes)
    names = [q.name for q in results.tests["load"].quantities]
    assert "point_002_efficiency" in names
    assert "point_003_efficiency" not in names


def test_a_point_that_drifts_is_told_and_widened(record):
    rows = rows_of(record, 1, 2)
    ramp = record.values["dc_current"][rows] + np.linspace(0.0, 1.0, rows.size)
    results = evaluate(changed(record, "dc_current", rows, ramp))
    assert any("Point 2: dc_current drifts by" in n for n in results.tests["load"].notes)
    drifting, calm = (r.quantity("load", "point_002_efficiency") for r in (results, evaluate(record)))
    assert drifting.budget["dc_current, drift within the windows"] > calm.standard_uncertainty


def test_rows_outside_the_settled_windows_do_not_count(record):
    outside = np.flatnonzero(record.point < 0)
    spoilt = changed(record, "dc_voltage", outside, 1e6)
    assert results_document(evaluate(spoilt)) == results_document(evaluate(record))


def test_a_channel_without_calibration_is_told(record):
    bare = replace(record, calibrations={**record.calibrations, "dc_current": None, "winding_temperature": None})
    notes = evaluate(bare).notes
    assert any(n.startswith("dc_current has no calibration") and "too small" in n for n in notes)
    assert any(n.startswith("winding_temperature has no calibration") and "2 K" in n for n in notes)


def test_a_test_of_another_kind_gives_a_sentence(record):
    other = RecordedTest(index=9, kind="cogging_torque")
    results = evaluate(replace(record, tests=(*record.tests, other)))
    assert "Test 9 (cogging_torque) has no evaluation." in results.notes


def test_two_tests_of_one_kind_are_told_apart_by_their_index(record):
    again = RecordedTest(index=5, kind="load", points=record.tests[1].points)
    assert list(evaluate(replace(record, tests=(*record.tests, again))).tests) == ["no_load", "load_1", "load_5"]


def test_the_narrow_torque_range_is_used_where_it_is_not_overloaded(record, truth):
    wide = record.calibrations["shaft_torque"]
    narrow_channel = "shaft_torque_narrow"
    overloaded = np.abs(record.values["shaft_torque"]) > 0.2
    marks = np.where(overloaded, np.uint8(Quality.NOT_A_NUMBER), np.uint8(Quality.GOOD))
    both = replace(
        record,
        values={**record.values, narrow_channel: np.where(overloaded, np.nan, record.values["shaft_torque"])},
        ages_s={**record.ages_s, narrow_channel: record.ages_s["shaft_torque"]},
        quality={**record.quality, narrow_channel: marks},
        units={**record.units, narrow_channel: "N·m"},
        calibrations={**record.calibrations, narrow_channel: replace(wide, full_scale=0.2)},
        zeros={**record.zeros, narrow_channel: record.zeros["shaft_torque"]},
    )
    better, plain = evaluate(both), evaluate(record)
    small, large = (r.quantity("no_load", "bench_drag_at_no_load") for r in (better, plain))
    assert small.budget["shaft_torque_narrow, linearity"] == pytest.approx(
        0.1 * large.budget["shaft_torque, linearity"]
    )
    loaded, same = (r.quantity("load", "point_004_efficiency") for r in (better, plain))
    assert loaded.value == same.value
    assert loaded.standard_uncertainty == pytest.approx(same.standard_uncertainty, rel=1e-9)
    assert not any(narrow_channel in n for t in better.tests.values() for n in t.notes)


def test_a_zero_that_was_measured_replaces_the_offset_of_the_certificate(record):
    torque = record.calibrations["shaft_torque"]
    offset = replace(torque.contributions[0], name="zero balance", size=0.05, relative_to="unit", effect="offset")
    worse = {**record.calibrations, "shaft_torque": replace(torque, contributions=(*torque.contributions, offset))}
    zeroed = evaluate(replace(record, calibrations=worse)).quantity("load", "efficiency_at_rated_torque")
    raw = evaluate(replace(record, calibrations=worse, zeros={})).quantity("load", "efficiency_at_rated_torque")
    assert "shaft_torque, zero balance" not in zeroed.budget
    assert "shaft_torque, measured zero" in zeroed.budget
    assert raw.budget["shaft_torque, zero balance"] > 10.0 * zeroed.standard_uncertainty


def test_the_document_is_plain_json_of_nine_digits_and_the_same_every_time(record):
    document = results_document(evaluate(record))
    text = json.dumps(document, allow_nan=False, sort_keys=True)
    assert text == json.dumps(results_document(evaluate(record)), allow_nan=False, sort_keys=True)
    assert document["schema"] == 2
    assert list(document["tests"]) == ["load", "no_load"]
    for test in document["tests"].values():
        for q in test["quantities"]:
            if q["value"] is not None:
                assert q["value"] == float(f"{q['value']:.9g}")
                assert q["expanded_uncertainty"] == pytest.approx(q["coverage_factor"] * q["standard_uncertainty"])


def test_an_empty_record_gives_reasons_and_no_numbers(record):
    empty = replace(
        record,
        time_mono_s=np.zeros(0),
        test=np.zeros(0, dtype=int),
        point=np.zeros(0, dtype=int),
        values={c: np.zeros(0) for c in record.values},
        ages_s={c: np.zeros(0) for c in record.values},
        quality={c: np.zeros(0, dtype=np.uint8) for c in record.values},
    )
    for test in evaluate(empty).tests.values():
        assert all(q.value is None and q.reason for q in test.quantities)
