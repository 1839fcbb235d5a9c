"""How long the evaluation of a long record takes; run by hand."""

import resource
import time
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate

from .brushless_bench import Pmsm, back_emf_test, load_test, no_load_test
from .brushless_bench import record as brushless_record


@pytest.mark.performance
def test_an_hour_of_fifty_channels_at_200_hz_is_evaluated_in_seconds(truth, errors, make_run):
    windows = 16
    record = make_run(truth, errors(), np.random.default_rng(1), window_rows=200 * 3600 // windows)
    extra = {f"spare_{n}": record.values["dc_voltage"] for n in range(45)}
    record = replace(
        record,
        values={**record.values, **extra},
        ages_s={**record.ages_s, **dict.fromkeys(extra, record.ages_s["dc_voltage"])},
        quality={**record.quality, **dict.fromkeys(extra, record.quality["dc_voltage"])},
    )
    assert record.time_mono_s.size >= 200 * 3600
    begin = time.perf_counter()
    evaluate(record)
    assert time.perf_counter() - begin < 10.0


@pytest.mark.performance
def test_an_hour_of_a_brushless_motor_is_evaluated_in_seconds_and_bounded_memory():
    machine = Pmsm(coulomb_nm=0.1)
    tests = [no_load_test(machine), back_emf_test(machine), load_test(machine), load_test(machine, speed_rpm=1500.0)]
    record = brushless_record(tests, window_rows=200 * 3600 // sum(len(t.visits) for t in tests))
    extra = {f"spare_{n}": record.values["dc_voltage"].copy() for n in range(50 - len(record.values))}
    record = replace(
        record,
        values={**record.values, **extra},
        ages_s={**record.ages_s, **dict.fromkeys(extra, record.ages_s["dc_voltage"])},
        quality={**record.quality, **dict.fromkeys(extra, record.quality["dc_voltage"])},
    )
    assert record.time_mono_s.size >= 200 * 3600 - 1000
    begin = time.perf_counter()
    evaluate(record)
    assert time.perf_counter() - begin < 20.0
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 1e6  # kB, the record itself included
