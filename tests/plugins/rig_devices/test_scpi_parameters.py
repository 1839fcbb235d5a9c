import math

import pytest

from benchd_rig.scpi_parameters import ScpiRefusal, channel_list, choice, fixed, measured, number, switch


@pytest.mark.parametrize(
    ("text", "value"),
    [("12.5", 12.5), ("+1.25E1", 12.5), (".5", 0.5), ("500 mV", 0.5), ("12V", 12.0), ("MAX", 80.0), ("minimum", 0.0)],
)
def test_numbers_with_and_without_unit(text, value):
    assert number(text, unit="V", low=0.0, high=80.0, default=1.0) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "code"), [("80.1", -222), ("-1", -222), ("1e999", -222), ("5 A", -131), ("five", -104), ("1;2", -104)]
)
def test_what_is_no_number_in_range_is_refused_by_its_error_number(text, code):
    with pytest.raises(ScpiRefusal) as refused:
        number(text, unit="V", low=0.0, high=80.0, default=1.0)
    assert refused.value.number == code


@pytest.mark.parametrize(
    ("text", "on"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("2", True)]
)
def test_a_switch_takes_words_and_numbers(text, on):
    assert switch(text) is on


def test_a_choice_takes_both_forms_and_nothing_between():
    words = ("VOLTage", "CURRent")
    assert choice("volt", words) == choice("VOLTAGE", words) == "VOLTage"
    with pytest.raises(ScpiRefusal) as refused:
        choice("VOLTA", words)
    assert refused.value.number == -224


@pytest.mark.parametrize(
    ("text", "channels"), [("(@1,2,5)", (1, 2, 5)), ("(@ 3:1 )", (3, 2, 1)), ("(@6,1:2)", (6, 1, 2))]
)
def test_channel_lists_keep_their_order(text, channels):
    assert channel_list(text, first=1, last=6) == channels


@pytest.mark.parametrize(
    ("text", "code"), [("(@7)", -224), ("(@0)", -224), ("1,2", -104), ("(@1:2:3)", -104), ("(@1,)", -104)]
)
def test_a_channel_that_is_not_there_is_refused(text, code):
    with pytest.raises(ScpiRefusal) as refused:
        channel_list(text, first=1, last=6)
    assert refused.value.number == code


def test_measured_values_use_the_numbers_of_scpi():
    assert measured(math.inf) == "9.9E37"
    assert measured(-math.inf) == "-9.9E37"
    assert measured(math.nan) == "9.91E37"
    assert float(measured(-1.2345678)) == pytest.approx(-1.234568)


def test_a_rounded_zero_has_no_sign():
    assert fixed(-0.0001, decimals=3) == "0.000"
