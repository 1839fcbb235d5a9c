"""How long a million draws of an efficiency take; run by hand."""

import math
import time

import numpy as np
import pytest

from benchd.analysis.monte_carlo import headline_intervals
from benchd.analysis.propagation import Source


@pytest.mark.performance
def test_a_million_draws_of_an_efficiency_take_less_than_a_second():
    def efficiency(x):
        return {"efficiency": x[:, 0] * x[:, 1] * math.pi / 30.0 / (x[:, 2] * x[:, 3])}

    sources = [
        Source(name="torque", input=0, standard_uncertainty=0.0045),
        Source(name="speed", input=1, standard_uncertainty=0.577, distribution="rectangular"),
        Source(name="voltage", input=2, standard_uncertainty=0.0144),
        Source(name="current", input=3, standard_uncertainty=0.018, degrees_of_freedom=12.0),
    ]
    begin = time.perf_counter()
    found = headline_intervals(
        efficiency, np.array([5.0, 3000.0, 48.0, 36.0]), sources, ["efficiency"], draws=1_000_000, kind="shortest"
    )
    took_s = time.perf_counter() - begin
    print(f"a million draws: {took_s:.2f} s")
    assert found["efficiency"].standard_uncertainty == pytest.approx(0.00099, rel=0.1)
    assert took_s < 1.0
