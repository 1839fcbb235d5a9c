import math

import pytest

from benchd.rules.channels import Calibration, Contribution


def contribution(**changed) -> Contribution:
    given = {"name": "gain", "size": 0.001, "distribution": "normal", "relative_to": "reading", "effect": "gain"}
    return Contribution(**(given | changed))


def test_a_normal_contribution_relative_to_the_reading_scales_with_it_whatever_its_sign() -> None:
    assert contribution().standard_uncertainty(reading=-5.0, full_scale=10.0) == pytest.approx(0.005)


def test_a_rectangular_contribution_is_its_half_width_over_the_root_of_three() -> None:
    # JCGM 100 (GUM), 4.3.7
    found = contribution(distribution="rectangular", relative_to="full_scale").standard_uncertainty(
        reading=1.0, full_scale=10.0
    )
    assert found == pytest.approx(0.01 / math.sqrt(3.0))


def test_a_contribution_in_the_channel_unit_ignores_reading_and_full_scale() -> None:
    assert contribution(relative_to="unit").standard_uncertainty(reading=7.0, full_scale=9.0) == 0.001


def test_a_calibration_maps_raw_to_value_by_gain_and_offset() -> None:
    calibration = Calibration(
        sensor="t",
        serial="1",
        certificate="c",
        calibrated_on="2026-01-01",
        due_on="2027-01-01",
        input_unit="V",
        output_unit="N·m",
        gain=0.2,
        offset=0.01,
        full_scale=2.0,
        contributions=(),
    )
    assert calibration.value(5.0) == pytest.approx(1.01)
