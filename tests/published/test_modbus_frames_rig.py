"""The simulated bench's Modbus codec against the frames printed in the protocol's specification.

Source: Modbus Application Protocol Specification V1.1b3, clauses 6.3, 6.6, 6.12 and 7; Modbus Messaging on TCP/IP
Implementation Guide V1.0b, clause 3.1.3 (MBAP header).
"""

from benchd_rig.modbus_codec import Frame, ModbusRefusal, NothingMapped, answer, take_frames


class SpecificationExample(NothingMapped):
    """Registers 6Bh to 6Dh hold the values of the specification's example; 0 to 9 can be written."""

    def __init__(self) -> None:
        self.words = {0x6B: 0x022B, 0x6C: 0x0000, 0x6D: 0x0064} | dict.fromkeys(range(10), 0)

    def read_holding_registers(self, address, count):
        if not set(range(address, address + count)) <= set(self.words):
            raise ModbusRefusal(2)
        return [self.words[each] for each in range(address, address + count)]

    def write_registers(self, address, words):
        self.words |= dict(enumerate(words, start=address))


def test_read_holding_registers():
    assert answer(bytes.fromhex("03006B0003"), SpecificationExample()) == bytes.fromhex("0306022B00000064")


def test_the_same_request_in_a_tcp_frame():
    sent = bytes.fromhex("0001 0000 0006 11 03 006B 0003")
    [frame] = take_frames(bytearray(sent))
    assert frame == Frame(transaction=1, unit=0x11, pdu=bytes.fromhex("03006B0003"))
    assert frame.encode() == sent
    reply = Frame(transaction=1, unit=0x11, pdu=answer(frame.pdu, SpecificationExample()))
    assert reply.encode() == bytes.fromhex("0001 0000 0009 11 03 06 022B 0000 0064")


def test_write_single_register_is_echoed():
    example = SpecificationExample()
    assert answer(bytes.fromhex("0600010003"), example) == bytes.fromhex("0600010003")
    assert example.words[1] == 3


def test_write_multiple_registers_answers_with_address_and_count():
    example = SpecificationExample()
    assert answer(bytes.fromhex("1000010002 04 000A 0102"), example) == bytes.fromhex("1000010002")
    assert (example.words[1], example.words[2]) == (0x000A, 0x0102)


def test_an_exception_is_the_function_with_its_top_bit_and_the_code():
    class NoSuchCoil(NothingMapped):
        def read_coils(self, address, count):
            raise ModbusRefusal(2)

    assert answer(bytes.fromhex("0104A10001"), NoSuchCoil()) == bytes.fromhex("8102")
