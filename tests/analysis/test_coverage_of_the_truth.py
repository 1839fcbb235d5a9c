"""Stated uncertainties hold: the truth lies within them as often as they claim, and outside when a factor is wrong."""

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate, expanded

DRAWS = 200
LEAST_SHARE = 0.93  # of 200 at 95 %: three standard deviations of the count are 4.6 %, these draws are seeded
RPM = 30.0 / math.pi


def covers(quantity, truth):
    assert quantity.value is not None, quantity.reason
    expanded_uncertainty, _ = expanded(quantity)
    return abs(quantity.value - truth) <= expanded_uncertainty


def truths(truth):
    free_a, free_rad_s = truth.free_no_load(truth.no_load_theta)
    hot = truth.r(truth.load_theta)
    stall_a = (truth.rated_v - truth.ub) / hot
    warm_a, warm_rad_s = truth.free_no_load(truth.load_theta)
    # two linear equations for current and speed under rated torque at rated voltage
    rated_a, rated_rad_s = np.linalg.solve(
        [[hot, truth.k], [truth.k, -truth.viscous]], [truth.rated_v - truth.ub, truth.coulomb + truth.rated_nm]
    )
    u, i, w, t = truth.state(source_v=truth.rated_v + 0.2, torque_nm=0.15, theta=truth.load_theta)
    return {
        ("no_load", "no_load_speed"): free_rad_s * RPM,
        ("no_load", "no_load_current"): free_a,
        ("no_load", "friction_torque_coulomb"): truth.coulomb,
        ("no_load", "friction_coefficient_viscous"): truth.viscous,
        ("no_load", "friction_torque_at_no_load"): truth.k * free_a,
        ("load", "voltage_constant"): truth.k,
        ("load", "torque_constant"): truth.k,
        ("load", "winding_resistance_20"): truth.r_20,
        ("load", "brush_drop"): truth.ub,
        ("load", "stall_current"): stall_a,
        ("load", "stall_torque"): truth.k * stall_a - truth.coulomb,
        ("load", "no_load_speed_extrapolated"): warm_rad_s * RPM,
        ("load", "no_load_current_extrapolated"): warm_a,
        ("load", "speed_at_rated_torque"): rated_rad_s * RPM,
        ("load", "current_at_rated_torque"): rated_a,
        ("load", "efficiency_at_rated_torque"): truth.rated_nm * rated_rad_s / (truth.rated_v * rated_a),
        ("load", "friction_torque_at_rated_torque"): truth.k * rated_a - truth.rated_nm,
        ("load", "point_001_efficiency"): t * w / (u * i),
    }


def test_the_truth_lies_within_the_stated_uncertainty_in_at_least_93_of_100_draws(truth, errors, make_run):
    covered = Counter()
    ratios = {}
    for seed in range(DRAWS):
        rng = np.random.default_rng(seed)
        motor = replace(truth, brush_per_k=rng.uniform(-0.002, 0.002))
        expected = truths(motor)
        results = evaluate(make_run(motor, errors.drawn(rng), rng))
        for key, value in expected.items():
            quantity = results.quantity(*key)
            covered[key] += covers(quantity, value)
            ratios.setdefault(key, []).append((quantity.value - value) / quantity.standard_uncertainty)
    short = {key: covered[key] / DRAWS for key in expected if covered[key] < LEAST_SHARE * DRAWS}
    assert not short
    # nor may they be so wide that they cover anything
    spread = {key: float(np.std(values)) for key, values in ratios.items()}
    assert not {key: s for key, s in spread.items() if not 0.7 < s < 1.15}


@pytest.mark.parametrize(
    ("channel", "result"),
    [
        ("dc_voltage", ("load", "voltage_constant")),
        ("dc_current", ("load", "winding_resistance_20")),
        ("dc_current", ("load", "torque_constant")),
        ("shaft_torque", ("load", "efficiency_at_rated_torque")),
        ("shaft_torque", ("load", "torque_constant")),
        ("shaft_speed", ("load", "voltage_constant")),
    ],
)
def test_a_calibration_factor_that_is_two_per_cent_wrong_puts_the_truth_outside(
    channel, result, truth, errors, make_run
):
    for seed in range(8):
        rng = np.random.default_rng(seed)
        results = evaluate(make_run(truth, errors.drawn(rng).broken(channel, 1.02), rng))
        assert not covers(results.quantity(*result), truths(truth)[result])


def test_a_wrong_torque_factor_is_told_as_disagreement_of_the_two_constants(truth, errors, make_run):
    rng = np.random.default_rng(1)
    right = errors.drawn(rng)
    fine = evaluate(make_run(truth, right, np.random.default_rng(2))).tests["load"].notes
    wrong = evaluate(make_run(truth, right.broken("shaft_torque", 1.02), np.random.default_rng(2))).tests["load"].notes
    assert any("they agree" in note for note in fine)
    assert any("they disagree" in note for note in wrong)


def test_a_bent_brush_characteristic_widens_the_uncertainty_until_it_covers_the_chord(truth, errors, make_run):
    bent = replace(truth, brush_knee_a=2.0)
    still = errors(linearity=False, noise=0.2)
    straight = evaluate(make_run(truth, still, np.random.default_rng(1)))
    curved = evaluate(make_run(bent, still, np.random.default_rng(1)))
    name = "dc_voltage, deviation from the voltage equation"
    narrow, wide = (r.quantity("load", "winding_resistance") for r in (straight, curved))
    assert wide.standard_uncertainty > 3.0 * narrow.standard_uncertainty
    assert wide.budget[name] > 10.0 * narrow.budget.get(name, 0.0)
    assert covers(curved.quantity("load", "voltage_constant"), truth.k)


def test_friction_that_bends_over_speed_widens_what_is_said_of_standstill_until_it_covers_the_truth(
    truth, errors, make_run
):
    bent = replace(truth, cubic=1e-10)
    still = errors(linearity=False, noise=0.2)
    straight = evaluate(make_run(truth, still, np.random.default_rng(1))).quantity("no_load", "friction_torque_coulomb")
    curved = evaluate(make_run(bent, still, np.random.default_rng(1)))
    name = "shaft_torque, bend of friction over speed"
    assert straight.budget.get(name, 0.0) < 0.2 * straight.standard_uncertainty
    coulomb = curved.quantity("no_load", "friction_torque_coulomb")
    assert coulomb.budget[name] > 0.5 * coulomb.standard_uncertainty
    assert covers(coulomb, truth.coulomb)
    assert covers(curved.quantity("load", "torque_constant"), truth.k)
