import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.ramps import clamped, towards

NUMBERS = st.floats(-1e6, 1e6)


@given(NUMBERS, NUMBERS, st.floats(1e-3, 1e6), st.floats(0.0, 10.0))
def test_a_ramp_never_overshoots_and_never_moves_faster_than_its_slope(
    value: float, target: float, slope: float, dt_s: float
) -> None:
    after = towards(value, target, slope_per_s=slope, dt_s=dt_s)
    assert min(value, target) <= after <= max(value, target)
    assert abs(after - value) <= slope * dt_s * (1 + 1e-9) + 1e-9


def test_a_ramp_lasts_as_long_as_its_slope_says() -> None:
    value, steps = 0.0, 0
    while value != 24.0:
        value = towards(value, 24.0, slope_per_s=12.0, dt_s=0.01)
        steps += 1
    assert steps == pytest.approx(200, abs=1)


@pytest.mark.parametrize(("slope", "dt_s"), [(0.0, 0.1), (-1.0, 0.1), (float("nan"), 0.1), (1.0, -0.1)])
def test_a_ramp_refuses_a_slope_or_a_time_that_makes_no_sense(slope: float, dt_s: float) -> None:
    with pytest.raises(ValueError, match="must"):
        towards(0.0, 1.0, slope_per_s=slope, dt_s=dt_s)


@given(NUMBERS, st.floats(0.0, 1e6))
def test_a_clamped_value_stays_within_its_magnitude(value: float, magnitude: float) -> None:
    assert abs(clamped(value, magnitude)) <= magnitude
