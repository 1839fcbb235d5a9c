"""The uncertainty budget of one operating point, against numbers computed by hand.

5 N·m (0.09 %), 3000 ± 1 r/min (rectangular), 48 V (0.03 %), 36 A (0.05 %): efficiency 0.909026 with u 0.000990 and
losses 157.204 W with u 1.762 W, by the law of propagation of uncertainty (JCGM 100, 5.1.2).
"""

import numpy as np
import pytest

from benchd.analysis import Record, RecordedPoint, RecordedTest, evaluate
from benchd.rules.channels import Calibration, Contribution

SHOWN = {"shaft_torque": 5.0, "shaft_speed": 3000.0, "dc_voltage": 48.0, "dc_current": 36.0}
UNITS = {"shaft_torque": "N·m", "shaft_speed": "r/min", "dc_voltage": "V", "dc_current": "A"}
PARTS = {
    "shaft_torque": Contribution(name="gain", size=0.0009, distribution="normal", relative_to="reading", effect="gain"),
    "shaft_speed": Contribution(
        name="resolution", size=1.0, distribution="rectangular", relative_to="unit", effect="offset"
    ),
    "dc_voltage": Contribution(name="gain", size=0.0003, distribution="normal", relative_to="reading", effect="gain"),
    "dc_current": Contribution(name="gain", size=0.0005, distribution="normal", relative_to="reading", effect="gain"),
}
ROWS = 20


@pytest.fixture
def point() -> Record:
    return Record(
        time_mono_s=0.01 * np.arange(ROWS),
        test=np.zeros(ROWS, dtype=int),
        point=np.ones(ROWS, dtype=int),  # the end of the dwell
        values={c: np.full(ROWS, v) for c, v in SHOWN.items()},
        ages_s={c: np.zeros(ROWS) for c in SHOWN},
        quality={c: np.zeros(ROWS, dtype=np.uint8) for c in SHOWN},
        units=UNITS,
        calibrations={
            c: Calibration(
                sensor="one",
                serial="1",
                certificate="1",
                calibrated_on="2026-01-01",
                due_on="2027-01-01",
                input_unit=UNITS[c],
                output_unit=UNITS[c],
                gain=1.0,
                offset=0.0,
                full_scale=4000.0,
                contributions=(part,),
            )
            for c, part in PARTS.items()
        },
        zeros={},
        tests=[
            RecordedTest(
                index=0,
                kind="rated_point",
                points=[RecordedPoint(point=1, asked={"torque_nm": 5.0, "speed_rpm": 3000.0})],
            )
        ],
        motor={"kind": "brushed_dc", "rated": {"voltage_v": 48.0, "torque_nm": 5.0}},
        setup={},
    )


def test_efficiency_and_losses_carry_the_uncertainty_computed_by_hand(point: Record) -> None:
    results = evaluate(point)
    efficiency, losses = results.quantity("rated_point", "efficiency"), results.quantity("rated_point", "losses")
    assert efficiency.value == pytest.approx(0.909026, abs=5e-7)
    assert efficiency.standard_uncertainty == pytest.approx(0.000990, abs=5e-7)
    assert losses.value == pytest.approx(157.204, abs=5e-4)
    assert losses.standard_uncertainty == pytest.approx(1.762, abs=5e-4)


def test_the_budget_names_the_channels_and_torque_dominates(point: Record) -> None:
    budget = evaluate(point).quantity("rated_point", "efficiency").budget
    assert set(budget) == {
        "shaft_torque, gain",
        "shaft_speed, resolution",
        "dc_voltage, gain",
        "dc_current, gain",
    }
    assert max(budget, key=lambda name: budget[name]) == "shaft_torque, gain"
    assert budget["shaft_torque, gain"] == pytest.approx(0.909026 * 0.0009, rel=1e-4)
