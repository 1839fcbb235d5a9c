"""How long the evaluation of a long record takes; run by hand."""

import time
from dataclasses import replace

import numpy as np
import pytest

from benchd.analysis import evaluate


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
