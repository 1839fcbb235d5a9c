"""Brushless motors: load, no-load and back-EMF tests against the machine's own dq equations."""

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate, expanded

from .brushless_bench import (
    RPM,
    Played,
    Pmsm,
    Sensors,
    Visit,
    back_emf_test,
    changed,
    load_test,
    no_load_test,
    record,
)

LOSSY = Pmsm(coulomb_nm=0.12, viscous_nms=4e-4)


def truths(machine):
    at = machine.loaded(10.0, 3000.0)
    shaft = 10.0 * 3000.0 / RPM
    idle = machine.loaded(machine.bench_drag_nm, 3000.0)
    dc = at["dc_voltage"] * at["dc_current"]
    omega = 3000.0 / RPM
    ke = math.sqrt(1.5) * machine.psi_vs * machine.pole_pairs
    return {
        ("load", "efficiency_at_rated_torque"): shaft / at["motor_power"],
        ("load", "converter_efficiency_at_rated_torque"): at["motor_power"] / dc,
        ("load", "system_efficiency_at_rated_torque"): shaft / dc,
        ("load", "losses_at_rated_torque"): at["motor_power"] - shaft,
        ("load", "shaft_power_at_rated_torque"): shaft,
        ("load", "current_at_rated_torque"): at["motor_current"],
        ("load", "torque_per_ampere_at_rated_torque"): 10.0 / at["motor_current"],
        ("load", "speed_at_rated_torque"): 3000.0,
        ("no_load", "no_load_current"): idle["motor_current"],
        ("no_load", "no_load_losses"): idle["motor_power"] - machine.bench_drag_nm * omega,
        ("back_emf", "voltage_constant"): ke * 1000.0 / RPM,
        ("back_emf", "torque_constant"): 1.5 * machine.pole_pairs * machine.psi_vs * math.sqrt(2.0),
        ("back_emf", "flux_linkage"): machine.psi_vs,
        ("back_emf", "drag_torque_at_rated_speed"): machine.friction_nm(omega),
        ("load", "point_003_efficiency"): 9.0 * omega / machine.loaded(9.0, 3000.0)["motor_power"],
    }


@pytest.fixture
def whole():
    return [no_load_test(LOSSY), back_emf_test(LOSSY), load_test(LOSSY)]


def test_ideal_sensors_give_the_machine_back(whole):
    results = evaluate(record(whole, sensors=Sensors(noise=1e-7)))
    for (test, name), truth in truths(LOSSY).items():
        q = results.quantity(test, name)
        assert q.value == pytest.approx(truth, rel=1e-3), name
        assert abs(q.value - truth) <= expanded(q)[0], name


def test_the_truth_lies_within_the_stated_uncertainty_in_at_least_92_of_100_draws(whole):
    draws = 120
    covered, off = Counter(), {}
    expected = truths(LOSSY)
    for seed in range(draws):
        results = evaluate(record(whole, sensors=Sensors.drawn(np.random.default_rng(1000 + seed)), seed=seed))
        for key, truth in expected.items():
            q = results.quantity(*key)
            covered[key] += abs(q.value - truth) <= expanded(q)[0]
            off.setdefault(key, []).append((q.value - truth) / q.standard_uncertainty)
    assert not {k: covered[k] for k in expected if covered[k] < 0.90 * draws}
    spread = {k: float(np.std(v)) for k, v in off.items()}
    assert not {k: s for k, s in spread.items() if not 0.6 < s < 1.2}


@pytest.mark.parametrize(
    ("channel", "result"),
    [
        ("shaft_torque", ("load", "efficiency_at_rated_torque")),
        ("motor_power", ("load", "converter_efficiency_at_rated_torque")),
        ("dc_current", ("load", "system_efficiency_at_rated_torque")),
        ("motor_voltage_fundamental", ("back_emf", "voltage_constant")),
        ("motor_current", ("load", "torque_per_ampere_at_rated_torque")),
    ],
)
def test_a_factor_that_is_one_per_cent_wrong_puts_the_truth_outside(whole, channel, result):
    q = evaluate(record(whole, sensors=Sensors(gain={channel: 0.01}))).quantity(*result)
    assert abs(q.value - truths(LOSSY)[result]) > expanded(q)[0]


def test_a_gain_error_of_torque_is_common_to_all_points_and_does_not_average_out(whole):
    q = evaluate(record(whole)).quantity("load", "efficiency_at_rated_torque")
    assert q.budget["shaft_torque, gain"] / q.value == pytest.approx(0.0009, rel=0.02)
    assert q.budget["motor_power, gain"] / q.value == pytest.approx(0.001, rel=0.02)


def test_losses_between_two_points_are_read_along_their_bend_and_say_so(whole):
    far = load_test(LOSSY, torques_nm=(2.0, 5.0, 8.0, 12.0))
    q = evaluate(record([far])).quantity("load", "losses_at_rated_torque")
    at = LOSSY.loaded(10.0, 3000.0)
    true_w = at["motor_power"] - 10.0 * 3000.0 / RPM
    chord = np.mean([LOSSY.loaded(t, 3000.0)["motor_power"] - t * 3000.0 / RPM for t in (8.0, 12.0)])
    assert chord - true_w > 0.5
    assert abs(q.value - true_w) < 0.25 * (chord - true_w)
    assert q.budget["losses, bend between the points"] > 0.0


def test_the_best_efficiency_is_found_between_the_points():
    results = evaluate(
        record([load_test(LOSSY, torques_nm=(1.0, 2.0, 4.0, 6.0, 9.0, 12.0))], sensors=Sensors(noise=1e-7))
    )
    torque = np.linspace(1.0, 12.0, 4000)
    efficiency = [t * 3000.0 / RPM / LOSSY.loaded(t, 3000.0)["motor_power"] for t in torque.tolist()]
    best = results.quantity("load", "maximum_efficiency")
    assert abs(best.value - max(efficiency)) < expanded(best)[0] < 0.01
    where = results.quantity("load", "torque_at_maximum_efficiency")
    assert abs(where.value - torque[int(np.argmax(efficiency))]) < expanded(where)[0]


def test_rated_torque_out_of_reach_is_said_and_the_points_remain():
    results = evaluate(record([load_test(LOSSY, torques_nm=(1.0, 2.0, 3.0, 4.0))]))
    q = results.quantity("load", "efficiency_at_rated_torque")
    assert q.value is None
    assert "do not reach rated torque (10 N·m)" in q.reason
    assert results.quantity("load", "point_002_efficiency").value is not None


def test_hysteresis_between_up_and_down_is_found_and_widens_the_rated_point():
    played = load_test(LOSSY)
    visits = [
        v
        if v.direction == "up"
        else Visit(asked=v.asked, direction="down", shows={**v.shows, "motor_power": v.shows["motor_power"] + 8.0})
        for v in played.visits
    ]
    results = evaluate(record([Played(kind="load", visits=visits)]))
    assert results.quantity("load", "hysteresis_losses").value == pytest.approx(8.0, abs=1.0)
    q = results.quantity("load", "losses_at_rated_torque")
    assert q.budget["shaft_torque, difference between up and down"] == pytest.approx(4.0 / math.sqrt(3.0), rel=0.1)


def test_every_point_stands_in_the_table_with_its_uncertainty(whole):
    load = evaluate(record(whole)).tests["load"]
    assert [p.number for p in load.points] == list(range(12))
    assert list(load.units)[:2] == ["speed", "torque"]
    point = load.points[3]
    assert (point.direction, point.asked["torque_nm"]) == ("up", 9.0)
    assert set(point.values) == set(load.units)
    assert point.values["shaft_power"].value == pytest.approx(9.0 * 3000.0 / RPM, rel=1e-3)
    assert 0.0 < point.values["efficiency"].standard_uncertainty < 0.003


def test_a_motor_that_turns_backwards_has_the_same_efficiency():
    def turned(played):
        flip = ("shaft_torque", "shaft_speed", "drive_speed")
        visits = [
            Visit(asked=v.asked, direction=v.direction, shows={c: -x if c in flip else x for c, x in v.shows.items()})
            for v in played.visits
        ]
        return Played(kind=played.kind, visits=visits)

    quiet = Sensors(noise=1e-9)
    ahead = evaluate(record([load_test(LOSSY)], sensors=quiet))
    back = evaluate(record([turned(load_test(LOSSY))], sensors=quiet))
    for name in ("efficiency_at_rated_torque", "losses_at_rated_torque", "torque_per_ampere_at_rated_torque"):
        assert back.quantity("load", name).value == pytest.approx(ahead.quantity("load", name).value, rel=1e-6)
    assert not back.tests["load"].notes


def test_every_number_has_unit_uncertainty_budget_and_a_sentence(whole):
    for results in evaluate(record(whole)).tests.values():
        for q in results.quantities:
            if q.value is None:
                assert q.reason
                continue
            assert q.standard_uncertainty > 0.0, q.name
            assert q.how.endswith("."), q.name
            total = math.sqrt(sum(share**2 for share in q.budget.values()))
            assert total == pytest.approx(q.standard_uncertainty, rel=1e-6)


def test_a_sound_run_has_nothing_to_tell(whole):
    results = evaluate(record(whole))
    assert not [n for t in results.tests.values() for n in t.notes]


def test_no_power_factor_without_current_is_nothing_missing():
    test = back_emf_test(LOSSY)
    visits = [replace(v, shows={**v.shows, "power_factor": math.nan}) for v in test.visits]
    assert list(evaluate(record([replace(test, visits=visits)])).tests["back_emf"].notes) == []


def test_without_an_analyser_the_system_remains_and_the_motor_is_not_determined(whole):
    def without(shows):
        return {c: v for c, v in shows.items() if not c.startswith(("motor_", "phase_", "power_"))}

    played = [
        Played(
            kind=t.kind, visits=[Visit(asked=v.asked, direction=v.direction, shows=without(v.shows)) for v in t.visits]
        )
        for t in whole
    ]
    results = evaluate(record(played))
    assert results.quantity("load", "efficiency_at_rated_torque").reason == "the run has no channel motor_power"
    assert results.tests["load"].points[2].values["system_efficiency"].value > 0.8
    assert "motor_voltage_fundamental" in results.quantity("back_emf", "voltage_constant").reason


def test_a_converter_that_leaves_current_in_the_phases_is_told(whole):
    spoilt = changed(back_emf_test(LOSSY), motor_current=lambda _: 2.0)
    notes = evaluate(record([spoilt])).tests["back_emf"].notes
    assert any("did not bring the current to zero" in n for n in notes)


def test_a_back_emf_test_of_a_brushed_motor_has_no_evaluation():
    motor = {"kind": "brushed_dc", "rated": {"voltage_v": 24.0}}
    results = evaluate(record([back_emf_test(LOSSY)], motor=motor))
    assert results.notes[0] == "Test 0 (back_emf) has no evaluation for a motor of kind brushed_dc."
