"""Headline quantities hold what they state: a thousand runs of one truth, each with noise and sensor errors of its own.

Errors are drawn from the sensors' calibration, noise at every sample; the whole evaluation runs on each record. Of a
thousand intervals at 95 %, 950 cover the truth, with a standard deviation of 6.9.
"""

import multiprocessing
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from benchd.analysis import evaluate, expanded, monte_carlo

from .brushless_bench import RPM, Played, Pmsm, Sensors, Visit, back_emf_test, load_test, no_load_test, record
from .conftest import Errors, Truth, run
from .test_coverage_of_the_truth import truths as truths_of_brushed
from .test_winding_resistance import measured

DRAWS = 1000
SHARE = 50  # seeds a process takes at once
FEWEST, MOST = 0.930, 0.968  # of the intervals by propagation of distributions; those of the law may cover more
INTERVAL_DRAWS = 400  # an end scatters by 13 % of u then, anew in each run: 0.2 % of coverage


def counted(one_run, seeds):
    """(by law, by distributions, runs): how many of the runs' intervals cover the truth, by quantity.

    `one_run` gives a record and its truths by test and name for each seed.
    """
    monte_carlo.DRAWS = INTERVAL_DRAWS
    law, distributions = Counter(), Counter()
    for seed in seeds:
        monte_carlo.SEED = seed  # else all thousand would share one draw of the ends
        made, truths = one_run(seed)
        results = evaluate(made)
        found = {(test, q.name): q for test, of in results.tests.items() for q in of.quantities if q.interval}
        assert set(found) == set(truths)  # every headline quantity is looked at
        for key, q in found.items():
            low, high = q.interval
            law[key] += abs(q.value - truths[key]) <= expanded(q)[0]
            distributions[key] += low <= truths[key] <= high
    return law, distributions, len(seeds)


def counted_in_processes(one_run):
    """The same for a thousand seeds, shared out among the processors."""
    shares = [range(begin, begin + SHARE) for begin in range(0, DRAWS, SHARE)]
    law, distributions, total = Counter(), Counter(), 0
    with ProcessPoolExecutor(max_workers=os.cpu_count(), mp_context=multiprocessing.get_context("fork")) as pool:
        for some_law, some_distributions, some in pool.map(counted, [one_run] * len(shares), shares):
            law.update(some_law)
            distributions.update(some_distributions)
            total += some
    assert total == DRAWS
    return law, distributions, total


def faults(law, distributions, total):
    """The quantities whose intervals cover the truth too rarely, or by distributions too often, with the share."""
    too_few = {key: law[key] / total for key in law if law[key] < FEWEST * total}
    off = {key: n / total for key, n in distributions.items() if not FEWEST * total <= n <= MOST * total}
    return {"law of propagation": too_few, "distributions": off}


@pytest.fixture(autouse=True)
def restored(monkeypatch):
    """Whatever `counted` sets for its intervals is undone after the test."""
    monkeypatch.setattr(monte_carlo, "DRAWS", INTERVAL_DRAWS)
    monkeypatch.setattr(monte_carlo, "SEED", monte_carlo.SEED)


# ---- a brushed motor


def headlines_of_brushed(truth):
    known = truths_of_brushed(truth)
    speed_rpm = known["load", "speed_at_rated_torque"]
    return {
        ("no_load", "no_load_speed"): known["no_load", "no_load_speed"],
        ("no_load", "no_load_current"): known["no_load", "no_load_current"],
        ("load", "voltage_constant"): truth.k,
        ("load", "torque_constant"): truth.k,
        ("load", "winding_resistance_20"): truth.r_20,
        ("load", "efficiency_at_rated_torque"): known["load", "efficiency_at_rated_torque"],
        ("load", "output_power_at_rated_torque"): truth.rated_nm * speed_rpm / RPM,
    }


def brushed(seed, *, broken=None):
    rng = np.random.default_rng(seed)
    truth = Truth(no_load_theta=45.0)  # one temperature: what is assumed of warming brushes is no sensor's error
    drawn = Errors.drawn(rng)
    drawn = drawn if broken is None else drawn.broken(broken, 1.02)
    return run(truth, drawn, rng), headlines_of_brushed(truth)


def test_a_thousand_runs_of_a_brushed_motor():
    assert faults(*counted_in_processes(brushed)) == {"law of propagation": {}, "distributions": {}}


@pytest.mark.parametrize(
    ("broken", "quantity"),
    [
        ("dc_voltage", "voltage_constant"),
        ("dc_current", "winding_resistance_20"),
        ("shaft_torque", "efficiency_at_rated_torque"),
        ("shaft_speed", "output_power_at_rated_torque"),
    ],
)
def test_a_brushed_motor_with_one_factor_two_per_cent_wrong_is_not_covered(broken, quantity):
    found = faults(*counted(partial(brushed, broken=broken), range(10)))
    assert all(("load", quantity) in short for short in found.values())


# ---- a brushless motor

MACHINE = Pmsm(coulomb_nm=0.12, viscous_nms=4e-4)
RATED_NM, RATED_RPM, WINDING_DEGC = 10.0, 3000.0, 31.0
MEASURED = ("shaft_torque", "shaft_speed", "motor_power", "motor_current", "dc_voltage", "dc_current")


def only(played, *channels):
    """The test with these channels alone: what no headline needs costs time."""
    return replace(played, visits=[replace(v, shows={c: v.shows[c] for c in channels}) for v in played.visits])


def programme():
    rated = Visit(asked={"torque_nm": RATED_NM, "speed_rpm": RATED_RPM}, shows=MACHINE.loaded(RATED_NM, RATED_RPM))
    return [
        measured(degc=WINDING_DEGC, pairs=(12,)),
        only(no_load_test(MACHINE, speeds_rpm=(2990.0, 3010.0)), *MEASURED),
        only(back_emf_test(MACHINE, speeds_rpm=(1000.0, 2000.0, 3000.0)), "shaft_speed", "motor_voltage_fundamental"),
        only(load_test(MACHINE, torques_nm=(9.7, 10.3)), *MEASURED),
        only(Played(kind="rated_point", visits=[rated, rated]), *MEASURED),
    ]


def headlines_of_brushless():
    at = MACHINE.loaded(RATED_NM, RATED_RPM)
    shaft_w = RATED_NM * RATED_RPM / RPM
    system = shaft_w / (at["dc_voltage"] * at["dc_current"])
    idle = MACHINE.loaded(MACHINE.bench_drag_nm, RATED_RPM)
    loaded = {
        "efficiency": shaft_w / at["motor_power"],
        "system_efficiency": system,
        "shaft_power": shaft_w,
        "losses": at["motor_power"] - shaft_w,
    }
    ohm = 2.0 * MACHINE.rs_ohm
    return {
        **{("rated_point", name): value for name, value in loaded.items()},
        **{("load", f"{name}_at_rated_torque"): value for name, value in loaded.items()},
        ("winding_resistance", "resistance_between_terminals"): ohm,
        ("winding_resistance", "resistance_between_terminals_20"): ohm * 255.0 / (235.0 + WINDING_DEGC),
        ("no_load", "no_load_current"): idle["motor_current"],
        ("no_load", "no_load_losses"): idle["motor_power"] - MACHINE.bench_drag_nm * RATED_RPM / RPM,
        ("back_emf", "voltage_constant"): 1.5**0.5 * MACHINE.psi_vs * MACHINE.pole_pairs * 1000.0 / RPM,
        ("back_emf", "torque_constant"): 1.5 * MACHINE.pole_pairs * MACHINE.psi_vs * 2.0**0.5,
    }


PROGRAMME, HEADLINES_OF_BRUSHLESS = programme(), headlines_of_brushless()


def brushless(seed, *, broken=None):
    sensors = Sensors.drawn(np.random.default_rng(80_000 + seed))
    if broken is not None:
        sensors = replace(sensors, gain={**sensors.gain, broken: sensors.gain[broken] + 0.02})
    return record(PROGRAMME, sensors=sensors, seed=90_000 + seed, window_rows=12), HEADLINES_OF_BRUSHLESS


def test_a_thousand_runs_of_a_brushless_motor():
    assert faults(*counted_in_processes(brushless)) == {"law of propagation": {}, "distributions": {}}


@pytest.mark.parametrize(
    ("broken", "key"),
    [
        ("motor_power", ("load", "efficiency_at_rated_torque")),
        ("shaft_torque", ("rated_point", "efficiency")),
        ("dc_current", ("rated_point", "system_efficiency")),
        ("shaft_speed", ("load", "shaft_power_at_rated_torque")),
        ("motor_voltage_fundamental", ("back_emf", "voltage_constant")),
        ("winding_voltage", ("winding_resistance", "resistance_between_terminals")),
    ],
)
def test_a_brushless_motor_with_one_factor_two_per_cent_wrong_is_not_covered(broken, key):
    found = faults(*counted(partial(brushless, broken=broken), range(10)))
    assert all(key in short for short in found.values())
