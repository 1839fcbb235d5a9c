"""A parameter set's text and hash: the same on every machine, in any order, and another one for any other value."""

import pytest

from benchd.rules.parameter_set import canonical, sha256_of, shown

SET = {
    "pole_pairs": 4,
    "overspeed_rpm": 5500.0,
    "rated_torque_nm": 2.39,
    "fault_reaction_option": 2,
    "disable_option": 1,
}
TEXT = "disable_option=1\nfault_reaction_option=2\noverspeed_rpm=5500\npole_pairs=4\nrated_torque_nm=2.39\n"
# of TEXT by coreutils' sha256sum
HASH = "b39a927c583796f94dae3ae5e6f5843fad19b9763cd3b7fbd1ed40436e492ff9"


def test_the_text_is_sorted_by_name_and_hashed_as_any_other_program_does() -> None:
    assert canonical(SET) == TEXT
    assert sha256_of(SET) == HASH
    assert sha256_of(dict(reversed(SET.items()))) == HASH


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (4, "4"),
        (4.0, "4"),
        (-0.0, "0"),
        (2390 * 0.001, "2.39"),
        (0.1 + 0.2, "0.3"),
        (1.0 / 3.0, "0.333333333"),
        (4294967295, "4.2949673e+09"),
        (16000, "16000"),
        (-1.5e-4, "-0.00015"),
    ],
)
def test_a_value_has_nine_significant_digits_and_no_sign_of_zero(value: float, text: str) -> None:
    assert shown(value) == text


@pytest.mark.parametrize("name", SET)
def test_each_single_value_and_each_name_counts(name: str) -> None:
    assert sha256_of({**SET, name: SET[name] + 1}) != HASH
    assert sha256_of({one: value for one, value in SET.items() if one != name}) != HASH
    assert sha256_of({(f"{one}_x" if one == name else one): value for one, value in SET.items()}) != HASH
