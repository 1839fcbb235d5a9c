"""Two ranges of one transducer at the same torque.

Closed form: u² = (0.0005·FS)²/3 + (0.0003·T)², rectangular linearity and normal gain (JCGM 100, 4.3.7 and 5.1.2).
"""

import math

import pytest

from benchd.rules.channels import Contribution

BUDGET = (
    Contribution(
        name="linearity", size=0.0005, distribution="rectangular", relative_to="full_scale", effect="independent"
    ),
    Contribution(name="gain", size=0.0003, distribution="normal", relative_to="reading", effect="gain"),
)


@pytest.mark.parametrize(
    ("torque_nm", "full_scale_nm", "percent"),
    [(0.5, 50.0, 2.88691), (0.5, 5.0, 0.29023), (5.0, 50.0, 0.29023), (5.0, 5.0, 0.04163)],
)
def test_a_small_torque_is_uncertain_on_a_large_range(torque_nm: float, full_scale_nm: float, percent: float) -> None:
    u = math.hypot(*(c.standard_uncertainty(reading=torque_nm, full_scale=full_scale_nm) for c in BUDGET))
    assert 100.0 * u / torque_nm == pytest.approx(percent, abs=5e-6)
