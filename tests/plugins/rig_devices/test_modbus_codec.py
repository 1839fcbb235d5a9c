import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd_rig.modbus_codec import (
    Frame,
    FramingLost,
    ModbusRefusal,
    NothingMapped,
    answer,
    signed16,
    signed32,
    take_frames,
    word_of,
    words_of,
)


class Words(NothingMapped):
    """Ten holding registers and ten coils."""

    def __init__(self) -> None:
        self.words = list(range(10))
        self.coils = [False] * 10

    def read_coils(self, address, count):
        return self.coils[address : address + count]

    def read_holding_registers(self, address, count):
        if address + count > 10:
            raise ModbusRefusal(2)
        return self.words[address : address + count]

    def write_coil(self, address, *, on):
        self.coils[address] = on

    def write_registers(self, address, words):
        if address + len(words) > 10:
            raise ModbusRefusal(2)
        self.words[address : address + len(words)] = words


def test_a_frame_arriving_byte_by_byte_is_one_frame():
    frame = Frame(transaction=0x1234, unit=1, pdu=b"\x03\x00\x00\x00\x02")
    buffer = bytearray()
    found = []
    for byte in frame.encode():
        buffer.append(byte)
        found.extend(take_frames(buffer))
    assert found == [frame]
    assert not buffer


def test_two_frames_in_one_piece_are_two_frames_and_the_rest_stays():
    one = Frame(transaction=1, unit=1, pdu=b"\x03\x00\x00\x00\x02")
    two = Frame(transaction=2, unit=1, pdu=b"\x06\x00\x01\x00\x03")
    buffer = bytearray(one.encode() + two.encode() + b"\x00\x03\x00")
    assert list(take_frames(buffer)) == [one, two]
    assert buffer == b"\x00\x03\x00"


@pytest.mark.parametrize("header", ["000100010006 01", "000100000001 01", "000100000100 01"])
def test_a_header_that_is_not_modbus_tcp_ends_the_stream(header):
    with pytest.raises(FramingLost):
        list(take_frames(bytearray.fromhex(header) + b"\x00" * 300))


def test_an_unknown_function_gets_exception_01():
    assert answer(b"\x2b\x0e\x01\x00", Words()) == b"\xab\x01"


def test_an_address_beyond_the_map_gets_exception_02():
    assert answer(b"\x03\x00\x09\x00\x02", Words()) == b"\x83\x02"


@pytest.mark.parametrize(
    "pdu",
    [
        b"\x03\x00\x00\x00\x00",  # no registers
        b"\x03\x00\x00\x00\x7e",  # 126 registers
        b"\x05\x00\x00\x12\x34",  # neither on nor off
        b"\x10\x00\x00\x00\x02\x03\x00\x01\x02",  # byte count does not fit
        b"\x03\x00\x00",  # cut short
    ],
)
def test_a_value_out_of_the_protocols_range_gets_exception_03(pdu):
    assert answer(pdu, Words()) == bytes((pdu[0] | 0x80, 3))


def test_a_block_that_runs_past_the_last_address_gets_exception_02_whatever_the_device_holds():
    class Everything(NothingMapped):
        def read_holding_registers(self, address, count):
            return [0] * count

    assert answer(b"\x03\xff\xff\x00\x01", Everything()) == b"\x03\x02\x00\x00"
    assert answer(b"\x03\xff\xff\x00\x02", Everything()) == b"\x83\x02"


def test_a_refused_write_changes_nothing():
    words = Words()
    assert answer(b"\x10\x00\x09\x00\x02\x04\x00\x01\x00\x02", words) == b"\x90\x02"
    assert words.words == list(range(10))


def test_coils_are_packed_from_the_lowest_bit():
    words = Words()
    assert answer(b"\x05\x00\x02\xff\x00", words) == b"\x05\x00\x02\xff\x00"
    assert answer(b"\x05\x00\x09\xff\x00", words) == b"\x05\x00\x09\xff\x00"
    assert answer(b"\x01\x00\x00\x00\x0a", words) == b"\x01\x02\x04\x02"


@given(st.binary(min_size=1, max_size=253))
def test_any_request_gets_a_reply_or_an_exception_of_its_own_function(pdu):
    reply = answer(pdu, NothingMapped())
    assert reply[0] & 0x7F == pdu[0] & 0x7F
    assert len(reply) == 2


@given(st.integers(-(2**31), 2**31 - 1))
def test_32_bit_numbers_survive_two_words(value):
    assert signed32(*words_of(value)) == value


@given(st.integers(-(2**15), 2**15 - 1))
def test_16_bit_numbers_survive_one_word(value):
    assert signed16(word_of(value)) == value
