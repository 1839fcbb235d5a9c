import pytest

from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_server import LONGEST_LINE, ScpiConversation
from benchd_rig.wire_faults import WireFaults


@pytest.fixture
def conversation() -> ScpiConversation:
    instrument = ScpiInstrument(identity=lambda: "Maker,Model,1,1.0", reset=lambda: None)
    return ScpiConversation(
        instrument=instrument, faults=WireFaults(device="supply", wire="scpi"), advance=lambda: None
    )


def errors(conversation: ScpiConversation) -> bytes | None:
    return conversation.answer(b"SYST:ERR?")


def test_lines_end_at_a_line_feed_wherever_the_pieces_break(conversation):
    assert conversation.feed(b"*ID") == []
    assert conversation.feed(b"N?\n*OPC?\n*E") == [b"*IDN?", b"*OPC?"]
    assert conversation.feed(b"SR?\r\n\n \n") == [b"*ESR?\r"]


def test_a_line_without_end_is_dropped_once_and_the_next_one_works(conversation):
    for _ in range(5):
        assert conversation.feed(b"x" * LONGEST_LINE) == []
    assert conversation.feed(b"x\n*OPC?\n") == [b"*OPC?"]
    assert errors(conversation) == b'-363,"Input buffer overrun"\n'
    assert errors(conversation) == b'0,"No error"\n'


def test_a_long_line_that_arrives_whole_is_dropped_too(conversation):
    assert conversation.feed(b"x" * (LONGEST_LINE + 1) + b"\n*OPC?\n") == [b"*OPC?"]
    assert errors(conversation) == b'-363,"Input buffer overrun"\n'


def test_bytes_of_an_earlier_connection_are_forgotten(conversation):
    conversation.feed(b"VOLT 1")
    conversation.restart()
    assert conversation.feed(b"*OPC?\n") == [b"*OPC?"]


def test_bytes_beyond_ascii_are_an_invalid_character(conversation):
    assert conversation.answer(b"*IDN\xff?") is None
    assert errors(conversation) == b'-101,"Invalid character"\n'
