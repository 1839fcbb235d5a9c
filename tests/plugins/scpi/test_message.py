"""Composing and parsing: text in, values out, nothing guessed."""

import math
from decimal import Decimal, InvalidOperation

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_scpi import message
from benchd_scpi.message import Garbled


def test_every_header_of_a_compound_message_starts_at_the_root():
    assert message.compose("MEAS:VOLT?", "OUTP?", "*IDN?") == b"MEAS:VOLT?;:OUTP?;*IDN?\n"


@given(st.floats(min_value=-1e37, max_value=1e37))
def test_a_number_survives_being_sent_and_read(value: float):
    assert message.number(message.decimal(value)) == pytest.approx(value, rel=1e-8, abs=1e-300)


@given(
    st.from_regex(r"[ ]?[+-]?[0-9]{1,7}(\.[0-9]{0,7})?([eE][+-]?[0-9]{1,2})?[ ]?", fullmatch=True)
    | st.from_regex(r"[+-]?\.[0-9]{1,9}", fullmatch=True)
)
def test_every_numeric_response_of_ieee_488_2_is_read_as_its_decimal_value(text: str):
    exact = Decimal(text.strip())
    if abs(exact) < Decimal("9.9E37"):
        assert message.number(text) == float(exact)


@given(st.text(alphabet="0123456789+-.eE,; nainfINF_x\t", max_size=12) | st.text(max_size=8))
def test_whatever_is_taken_for_a_number_is_one(text: str):
    try:
        value = message.number(text)
    except Garbled:
        plain = text.strip()
        if plain and set(plain) <= set("0123456789+-.eE"):  # then only Decimal may refuse it, or SCPI's largest
            try:
                exact = Decimal(plain)
            except InvalidOperation:
                return
            assert abs(exact) >= Decimal("9.9E37")
        return
    assert set(text.strip()) <= set("0123456789+-.eE")
    assert value == float(Decimal(text.strip()))


@pytest.mark.parametrize("text", ["nan", "inf", "-Infinity", "1_0", "0x10", "", " ", "1e", "--1", "1 2", "１", "1E999"])
def test_what_python_reads_as_a_number_and_scpi_does_not_is_garbled(text: str):
    with pytest.raises(Garbled):
        message.number_or_special(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_special_value_is_ever_sent(value: float):
    with pytest.raises(ValueError, match="cannot be sent"):
        message.decimal(value)


def test_flags_are_read_in_both_spellings_and_nothing_else():
    assert [message.flag(text) for text in ("1", "ON", "on", " 1")] == [True] * 4
    assert [message.flag(text) for text in ("0", "OFF", "off")] == [False] * 3
    for text in ("2", "", "TRUE", "1.0", "01"):
        with pytest.raises(Garbled):
            message.flag(text)


def test_a_keyword_is_known_in_short_and_long_form_only():
    assert all(message.same_keyword(text, "VOLTage") for text in ("VOLT", "voltage", " VOLT "))
    assert not any(message.same_keyword(text, "VOLTage") for text in ("VOL", "VOLTA", "CURR", ""))


def test_a_reply_with_another_number_of_answers_is_garbled():
    assert message.parts_of("1;2", 2) == ["1", "2"]
    for text in ("1", "1;", ";2", ""):
        with pytest.raises(Garbled, match="expected 2 answers"):
            message.parts_of(text, 2)
    with pytest.raises(Garbled):
        message.two_numbers_two_flags("1;2;1;0;0")


def test_only_the_last_answer_may_hold_semicolons():
    assert message.parts_of("0;Firm A;B,M,1", 2) == ["0", "Firm A;B,M,1"]


@pytest.mark.parametrize("reply", [b"\xff1.0\n", b"1.0\x00\n", b"1\n2\n", b"\x1b[0m\n"])
def test_a_reply_that_is_not_printable_ascii_is_garbled(reply: bytes):
    with pytest.raises(Garbled):
        message.text_of(reply)


def test_a_carriage_return_before_the_line_feed_is_no_matter():
    assert message.text_of(b"1.0\r\n") == "1.0"


def test_an_identity_is_compared_by_whole_fields():
    answer = "Quillmoor Instruments, QS80-60,1007,1.0"
    assert message.identity_fits("Quillmoor Instruments,QS80-60", answer)
    assert message.identity_fits("Quillmoor Instruments,QS80-60,1007", answer)
    assert not message.identity_fits("Quillmoor Instruments,QS80", answer)
    assert not message.identity_fits("Quillmoor Instruments,QS80-60,1008", answer)
    assert not message.identity_fits("Quillmoor Instruments,QS80-60,1007,1.0,more", answer)


def test_a_read_back_may_differ_by_the_resolution_and_no_more():
    check = message.is_number("VOLT?", 12.34, within=0.01, unit="V")
    assert check.holds("12.35")
    assert check.holds("12.33")
    assert not check.holds("12.351")
    assert not check.holds("12.329")
    with pytest.raises(Garbled):
        check.holds("9.91E37")
