"""Numbers and errors that SCPI-99 fixes, against the parser of the SCPI drivers."""

import math

import pytest

from benchd_scpi import message
from benchd_scpi.message import Garbled


@pytest.mark.parametrize("text", ["9.9E37", "9.9E+37", "9.900000E+37", "+9.90E37", "99e36"])
def test_positive_infinity_is_9_9e37_in_every_spelling(text: str):
    # SCPI-99 volume 1, 7.2.1.4
    assert message.number_or_special(text) == math.inf


@pytest.mark.parametrize("text", ["-9.9E37", "-9.9E+37", "-9.900000E+37"])
def test_negative_infinity_is_minus_9_9e37(text: str):
    # SCPI-99 volume 1, 7.2.1.4
    assert message.number_or_special(text) == -math.inf


@pytest.mark.parametrize("text", ["9.91E37", "9.91E+37", "9.910000E+37"])
def test_not_a_number_is_9_91e37(text: str):
    # SCPI-99 volume 1, 7.2.1.5
    assert math.isnan(message.number_or_special(text))


@pytest.mark.parametrize("text", ["9.9E37", "-9.9E37", "9.91E37"])
def test_no_special_number_passes_for_a_measurement(text: str):
    with pytest.raises(Garbled):
        message.number(text)


@pytest.mark.parametrize("text", ["9.92E37", "-9.91E37", "1E38"])
def test_nothing_beyond_them_is_a_number(text: str):
    with pytest.raises(Garbled):
        message.number_or_special(text)


def test_the_largest_number_just_below_them_is_one():
    assert message.number("9.899E37") == 9.899e37


@pytest.mark.parametrize(
    ("entry", "number", "words", "kind"),
    [
        # SCPI-99 volume 2, 21.8
        ('0,"No error"', 0, "No error", "no error"),
        ('-113,"Undefined header"', -113, "Undefined header", "command error"),
        ('-222,"Data out of range"', -222, "Data out of range", "execution error"),
        ('-224,"Illegal parameter value"', -224, "Illegal parameter value", "execution error"),
        ('-350,"Queue overflow"', -350, "Queue overflow", "device error"),
        ('-410,"Query INTERRUPTED"', -410, "Query INTERRUPTED", "query error"),
        ('-420,"Query UNTERMINATED"', -420, "Query UNTERMINATED", "query error"),
        # device-dependent: positive
        ('+301,"Fan ""rear"" stopped"', 301, 'Fan "rear" stopped', "device error"),
    ],
)
def test_an_error_entry_is_read_with_its_class(entry: str, number: int, words: str, kind: str):
    found = message.error_entry(entry)
    assert (found.number, found.words) == (number, words)
    assert message.error_kind(found.number) == kind


@pytest.mark.parametrize("text", ["", "No error", "-222", "-222,Data out of range", '-222,"Data', '1.5,"x"'])
def test_an_error_entry_without_number_and_quoted_words_is_garbled(text: str):
    with pytest.raises(Garbled):
        message.error_entry(text)
