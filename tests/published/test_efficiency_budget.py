"""An efficiency and its losses with a written budget, from a record through the whole evaluation.

Closed form: 5 N·m (0.09 %), 3000 r/min (± 1 r/min rectangular), 48 V (0.03 %), 36 A (0.05 %).
"""

import math

import numpy as np
import pytest

from benchd.analysis import Record, RecordedPoint, RecordedTest, evaluate
from benchd.analysis.monte_carlo import headline_intervals
from benchd.analysis.propagation import Source, propagate
from benchd.rules.channels import Calibration, Contribution, Quality

READINGS = {"shaft_torque": 5.0, "shaft_speed": 3000.0, "dc_voltage": 48.0, "dc_current": 36.0}
UNITS = {"shaft_torque": "N·m", "shaft_speed": "r/min", "dc_voltage": "V", "dc_current": "A"}


def of_reading(share):
    return Contribution(name="gain", size=share, distribution="normal", relative_to="reading", effect="gain")


BUDGET = {
    "shaft_torque": of_reading(0.0009),
    "shaft_speed": Contribution(
        name="resolution", size=1.0, distribution="rectangular", relative_to="unit", effect="offset"
    ),
    "dc_voltage": of_reading(0.0003),
    "dc_current": of_reading(0.0005),
}


def calibration(channel):
    return Calibration(
        sensor=channel,
        serial="S-1",
        certificate="C-1",
        calibrated_on="2026-01-01",
        due_on="2027-01-01",
        input_unit="V",
        output_unit=UNITS[channel],
        gain=1.0,
        offset=0.0,
        full_scale=1e4,
        contributions=(BUDGET[channel],),
    )


def test_the_efficiency_of_a_point_has_the_uncertainty_of_its_budget():
    rows = 20
    torques = (1.0, 2.5, 5.0)
    factors = np.repeat(np.array(torques) / 5.0, rows)
    values = {name: np.full(factors.size, value) for name, value in READINGS.items()}
    values["shaft_torque"] = 5.0 * factors
    values["dc_current"] = 36.0 * factors
    values["shaft_speed"] = 3000.0 + 200.0 * (1.0 - factors)
    points = [RecordedPoint(point=n, direction="up", asked={"torque_nm": t}) for n, t in enumerate(torques)]
    record = Record(
        time_mono_s=0.01 * np.arange(factors.size),
        test=np.zeros(factors.size, dtype=np.int64),
        point=np.repeat(np.arange(len(torques)), rows),
        values=values,
        ages_s={name: np.zeros(factors.size) for name in values},
        quality={name: np.full(factors.size, Quality.GOOD, dtype=np.uint8) for name in values},
        units=UNITS,
        calibrations={name: calibration(name) for name in values},
        zeros={},
        tests=[RecordedTest(index=0, kind="load", points=points)],
        motor={"rated": {"voltage_v": 48.0}},
        setup={},
    )
    efficiency = evaluate(record).quantity("load", "point_002_efficiency")
    assert efficiency.value == pytest.approx(0.909026, abs=5e-7)
    assert efficiency.standard_uncertainty == pytest.approx(0.000990, abs=5e-7)


def powers(x):
    input_w, output_w = x[:, 2] * x[:, 3], x[:, 0] * x[:, 1] * math.pi / 30.0
    return {"efficiency": output_w / input_w, "losses": input_w - output_w}


def test_both_ways_of_propagating_give_efficiency_and_losses():
    nominal = np.array(list(READINGS.values()))
    sources = [
        Source(
            name=name,
            input=i,
            standard_uncertainty=part.standard_uncertainty(reading=nominal[i], full_scale=1e4),
            distribution=part.distribution,
        )
        for i, (name, part) in enumerate(BUDGET.items())
    ]
    by_law = propagate(powers, nominal, sources)
    drawn = headline_intervals(powers, nominal, sources, ["efficiency", "losses"], draws=200_000)
    assert by_law["efficiency"].value == pytest.approx(0.909026, abs=5e-7)
    assert by_law["losses"].value == pytest.approx(157.204, abs=0.0005)
    for name, u in (("efficiency", 0.000990), ("losses", 1.762)):
        assert by_law[name].standard_uncertainty == pytest.approx(u, rel=5e-4)
        assert drawn[name].standard_uncertainty == pytest.approx(u, rel=0.01)
        half = 0.5 * (drawn[name].high - drawn[name].low)
        assert half == pytest.approx(1.96 * u, rel=0.01)
