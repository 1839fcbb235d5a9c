"""Numbers as they are printed."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.report.numbers import NARROW, brief, plain, stated, two_digits, with_unit


def test_the_guide_states_its_mass_so() -> None:
    """JCGM 100, 7.2.4: m = (100.021 47 ± 0.000 79) g (value from memory)."""
    found = stated(100.021_472, 0.000_791, "g")
    assert (found.value, found.uncertainty, found.unit) == ("100.02147", "0.00079", "g")


def test_the_guide_puts_the_uncertainty_of_its_mass_in_parentheses() -> None:
    """JCGM 100, 7.2.2: m = 100.021 47(35) g with u = 0.35 mg (value from memory)."""
    assert brief(100.021_47, 0.000_35) == "100.02147(35)"


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (23.0, 1.2, "23.0(1.2)"),
        (1234.0, 12.0, "1234(12)"),
        (9.99, 0.0999, "9.99(10)"),
        (-0.0373, 0.001, "−0.0373(10)"),
        (1e-7, 2e-9, "100.0(2.0)·10⁻⁹"),
        (3.0, 0.0, "3"),
        (3.0, None, "3(unknown)"),
    ],
)
def test_a_standard_uncertainty_stands_in_the_last_digits(value: float, uncertainty: float | None, shown: str) -> None:
    assert brief(value, uncertainty) == shown


def test_the_guide_rounds_its_resistance_so() -> None:
    """JCGM 100, 7.2.6: y = 10.057 62 Ω with u = 27 mΩ becomes 10.058 Ω (value from memory)."""
    found = stated(10.057_62, 0.027, "Ω")
    assert (found.value, found.uncertainty) == ("10.058", "0.027")


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        (3379.186, 2.466, ("3379.2", "2.5")),
        (0.5, 0.0996, ("0.50", "0.10")),  # not 0.100: that would be three digits
        (12_345.6, 274.3, ("12350", "270")),
        (-1.9175, 1.476, ("−1.9", "1.5")),
        (-0.0002, 0.0147, ("0.000", "0.015")),  # no minus before nothing
        (5.0, 0.0, ("5", "0")),
        (5.0, math.nan, ("5", "unknown")),
        (5.0, None, ("5", "unknown")),
    ],
)
def test_two_digits_of_doubt_decide_where_the_value_ends(
    value: float, uncertainty: float | None, shown: tuple[str, str]
) -> None:
    found = stated(value, uncertainty, "V")
    assert (found.value, found.uncertainty) == shown


def test_very_small_numbers_share_a_power_of_ten() -> None:
    found = stated(2.747e-5, 1.156e-5, "N·m·s/rad")
    assert (found.value, found.uncertainty, found.unit) == ("27", "12", f"10⁻⁶{NARROW}N·m·s/rad")


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_what_is_printed_is_within_half_a_step_of_the_truth(ratio: float, uncertainty: float) -> None:
    value = ratio * uncertainty
    found = stated(value, uncertainty, "1")
    raised = found.unit[2:].translate(str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))
    scale = Decimal(10) ** int(raised or 0)
    shown = Decimal(found.value.replace("−", "-")) * scale
    doubt = Decimal(found.uncertainty) * scale
    step = Decimal(10) ** (doubt.adjusted() - 1)
    assert abs(doubt - Decimal(uncertainty)) <= step * Decimal("0.5001")
    assert abs(shown - Decimal(value)) <= step * Decimal("0.5001")


@given(st.floats(1e-5, 1e5))
def test_an_uncertainty_alone_keeps_its_two_digits(size: float) -> None:
    shown = two_digits(size)
    assert float(shown) == float(f"{size:.1e}")
    assert len(shown.replace(".", "").lstrip("0")) >= 2 or size >= 1e5


def test_a_unit_stands_behind_a_narrow_space_and_a_ratio_has_none() -> None:
    assert with_unit("24", "V") == f"24{NARROW}V"
    assert with_unit("0.8", "1") == "0.8"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1.1e-4, "0.00011"), (3000.0, "3000"), (-0.5, "−0.5"), (2e-9, "2·10⁻⁹"), (0.0, "0"), (math.inf, "overloaded")],
)
def test_plain_numbers_are_short(value: float, shown: str) -> None:
    assert plain(value) == shown
