import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_rig.scpi_instrument import ScpiInstrument, spellings
from benchd_rig.scpi_parameters import ScpiRefusal


def instrument():
    made = ScpiInstrument(identity=lambda: "Maker,Model,1,1.0", reset=lambda: None)
    held = {"volt": "0", "prot": "9", "out": "0"}

    def take(key):
        def handler(parameters):
            if parameters[0] == "99":
                raise ScpiRefusal(-222)
            held[key] = parameters[0]

        return handler

    for pattern, key in (
        ("[SOURce:]VOLTage[:LEVel]", "volt"),
        ("[SOURce:]VOLTage:PROTection", "prot"),
        ("OUTPut[:STATe]", "out"),
    ):
        made.on(pattern, take(key), parameters=(1, 1))
        made.on(f"{pattern}?", lambda _, key=key: held[key])
    return made


def errors(made):
    found = []
    while not (entry := made.execute("SYST:ERR?")).startswith("0,"):
        found.append(int(entry.split(",")[0]))
    return found


def test_each_spelling_of_a_header_is_known():
    assert set(spellings("[SOURce:]VOLTage[:LEVel]?")) == {
        (*source, volt, *level)
        for source in ((), ("SOUR",), ("SOURCE",))
        for volt in ("VOLT", "VOLTAGE")
        for level in ((), ("LEV",), ("LEVEL",))
    }


@pytest.mark.parametrize("header", ["VOLT", "volt", "Voltage", "SOUR:VOLT", ":source:voltage:level", "VOLT:LEV"])
def test_long_and_short_forms_in_any_case_mean_the_same(header):
    made = instrument()
    assert made.execute(f"{header} 12.5") is None
    assert made.execute(f"{header}?") == "12.5"
    assert errors(made) == []


@pytest.mark.parametrize("header", ["VOLTA?", "VO?", "SOURC:VOLT?", "OUTP:VOLT?", "VOLT:LEV:LEV?"])
def test_an_abbreviation_that_is_neither_form_is_an_undefined_header(header):
    made = instrument()
    assert made.execute(header) is None
    assert errors(made) == [-113]


def test_replies_of_one_message_come_in_one_line():
    assert instrument().execute("VOLT 5;VOLT?;*OPC?;OUTP?") == "5;1;0"


def test_a_header_after_a_semicolon_continues_in_the_same_branch():
    made = instrument()
    assert made.execute("VOLT:PROT 60;PROT?") == "60"
    assert made.execute("SOUR:VOLT 7;VOLT?") == "7"


def test_a_leading_colon_returns_to_the_root_and_a_common_command_keeps_the_branch():
    made = instrument()
    assert made.execute("VOLT:PROT 60;:OUTP?") == "0"
    assert made.execute("VOLT:PROT 61;*OPC?;PROT?") == "1;61"
    assert made.execute("VOLT:PROT 60;OUTP?") is None  # VOLTage:OUTPut does not exist
    assert errors(made) == [-113]


def test_after_a_command_error_the_rest_of_the_message_is_dropped():
    made = instrument()
    assert made.execute("VOLT 5;NONSENSE;VOLT 6") is None
    assert made.execute("VOLT?") == "5"


def test_after_an_execution_error_the_rest_of_the_message_is_carried_out():
    made = instrument()
    assert made.execute("VOLT 99;OUTP 1;OUTP?") == "1"
    assert errors(made) == [-222]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT? 3", -108),
        ("VOLT 1,,2", -109),
        ("*IDN", -113),
        ("1VOLT 3", -102),
        ("VOLT::PROT?", -102),
        ("VOLTAGEISTOOLONG?", -112),
        ("VOLT\x01?", -101),
        ("VÖLT?", -101),
    ],
)
def test_faulty_messages_leave_their_error_number(message, code):
    made = instrument()
    assert made.execute(message) is None
    assert errors(made) == [code]


def test_separators_inside_quotes_and_parentheses_separate_nothing():
    made = instrument()
    seen = []
    made.on("FETCh", seen.append, parameters=(1, 3))
    made.execute('FETC (@1,2;3),"a;b,c"')
    assert seen == [["(@1,2;3)", '"a;b,c"']]


def test_the_seventeenth_error_becomes_queue_overflow():
    made = instrument()
    for _ in range(20):
        made.execute("NONSENSE")
    assert errors(made) == [-113] * 15 + [-350]


def test_the_event_register_is_cleared_by_reading():
    made = instrument()
    assert made.execute("*ESR?") == "128"  # power on
    made.execute("NONSENSE")
    made.execute("VOLT 99")
    made.execute("*OPC")
    assert made.execute("*ESR?") == str(32 + 16 + 1)
    assert made.execute("*ESR?") == "0"


def test_clear_status_empties_queue_and_register():
    made = instrument()
    made.execute("NONSENSE")
    made.execute("*CLS")
    assert made.execute("SYST:ERR?;*ESR?") == '0,"No error";0'


def test_the_status_byte_sums_up_queue_and_enabled_events():
    made = instrument()
    made.execute("*CLS;*ESE 32;*SRE 32")
    assert made.execute("*STB?") == "0"
    made.execute("NONSENSE")
    assert made.execute("*STB?") == str(4 + 32 + 64)


@given(st.text(max_size=60))
def test_no_text_makes_it_fail(text):
    made = instrument()
    made.execute(text)
    assert made.execute("*IDN?") == "Maker,Model,1,1.0"
