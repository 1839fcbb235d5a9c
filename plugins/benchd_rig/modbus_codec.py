"""Modbus TCP frames and the functions of a small server, as bytes in and bytes out.

Its one job is to turn requests into replies; it never opens a socket, keeps time or knows what a register means. It is
written independently of every Modbus client library, so that such a client can be tested against it.

Source: Modbus Application Protocol V1.1b3, Modbus Messaging on TCP/IP Implementation Guide V1.0b.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

ILLEGAL_FUNCTION = 1
ILLEGAL_DATA_ADDRESS = 2
ILLEGAL_DATA_VALUE = 3
SERVER_DEVICE_FAILURE = 4

READ_COILS = 1
READ_DISCRETE_INPUTS = 2
READ_HOLDING_REGISTERS = 3
READ_INPUT_REGISTERS = 4
WRITE_SINGLE_COIL = 5
WRITE_SINGLE_REGISTER = 6
WRITE_MULTIPLE_REGISTERS = 16
WRITES = frozenset({WRITE_SINGLE_COIL, WRITE_SINGLE_REGISTER, WRITE_MULTIPLE_REGISTERS})

_HEADER = struct.Struct(">HHHB")
_TWO_WORDS = struct.Struct(">HH")
_LONGEST = 254  # unit identifier and PDU
_COIL_ON = 0xFF00
_MAX_BITS = 2000
_MAX_REGISTERS_READ = 125
_MAX_REGISTERS_WRITTEN = 123


class ModbusRefusal(Exception):
    """The device answers a request with an exception code instead of data."""

    def __init__(self, code: int) -> None:
        super().__init__(f"Modbus exception {code:02d}")
        self.code = code


class FramingLost(Exception):
    """What arrived cannot be the start of a Modbus TCP frame; the only cure is a new connection."""


class DataModel(Protocol):
    """What a device shows over Modbus. Each method raises `ModbusRefusal` and then has changed nothing."""

    def read_coils(self, address: int, count: int) -> Sequence[bool]:
        """FC 1."""

    def read_discrete_inputs(self, address: int, count: int) -> Sequence[bool]:
        """FC 2."""

    def read_holding_registers(self, address: int, count: int) -> Sequence[int]:
        """FC 3."""

    def read_input_registers(self, address: int, count: int) -> Sequence[int]:
        """FC 4."""

    def write_coil(self, address: int, *, on: bool) -> None:
        """FC 5."""

    def write_registers(self, address: int, words: Sequence[int]) -> None:
        """FC 6 and 16: all of the words or none."""


class NothingMapped:
    """A device without any Modbus data: every address is illegal. Devices override what they have."""

    def read_coils(self, address: int, count: int) -> Sequence[bool]:
        """No coils."""
        del address, count
        raise ModbusRefusal(ILLEGAL_FUNCTION)

    def read_discrete_inputs(self, address: int, count: int) -> Sequence[bool]:
        """No discrete inputs."""
        del address, count
        raise ModbusRefusal(ILLEGAL_FUNCTION)

    def read_holding_registers(self, address: int, count: int) -> Sequence[int]:
        """No holding registers."""
        del address, count
        raise ModbusRefusal(ILLEGAL_FUNCTION)

    def read_input_registers(self, address: int, count: int) -> Sequence[int]:
        """No input registers."""
        del address, count
        raise ModbusRefusal(ILLEGAL_FUNCTION)

    def write_coil(self, address: int, *, on: bool) -> None:
        """No coils."""
        del address, on
        raise ModbusRefusal(ILLEGAL_FUNCTION)

    def write_registers(self, address: int, words: Sequence[int]) -> None:
        """No holding registers."""
        del address, words
        raise ModbusRefusal(ILLEGAL_FUNCTION)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One Modbus TCP frame without its length."""

    transaction: int
    unit: int
    pdu: bytes

    def encode(self) -> bytes:
        """The frame with its MBAP header."""
        return _HEADER.pack(self.transaction, 0, len(self.pdu) + 1, self.unit) + self.pdu


def take_frames(buffer: bytearray) -> Iterator[Frame]:
    """Each complete frame at the start of `buffer`, removed from it; an incomplete rest stays.

    Raises `FramingLost` when the header is not one of Modbus TCP.
    """
    while len(buffer) >= _HEADER.size:
        transaction, protocol, length, unit = _HEADER.unpack_from(buffer)
        if protocol != 0 or not 2 <= length <= _LONGEST:
            raise FramingLost(f"No Modbus TCP header: protocol {protocol}, length {length}.")
        end = _HEADER.size + length - 1
        if len(buffer) < end:
            return
        pdu = bytes(buffer[_HEADER.size : end])
        del buffer[:end]
        yield Frame(transaction=transaction, unit=unit, pdu=pdu)


def exception_reply(function: int, code: int) -> bytes:
    """The PDU that refuses `function` with an exception code."""
    return bytes(((function | 0x80) & 0xFF, code))


def answer(pdu: bytes, model: DataModel) -> bytes:
    """The reply PDU to a request PDU; exceptions are replies too. Never raises `ModbusRefusal`."""
    function = pdu[0]
    handler = _HANDLERS.get(function)
    if handler is None:
        return exception_reply(function, ILLEGAL_FUNCTION)
    try:
        return handler(pdu, model)
    except ModbusRefusal as refusal:
        return exception_reply(function, refusal.code)


def echo_of_write(pdu: bytes) -> bytes:
    """The reply that confirms a write request, whether or not anything was written."""
    return pdu[:5]


def _address_and_count(pdu: bytes, *, most: int) -> tuple[int, int]:
    if len(pdu) != 5:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    address, count = _TWO_WORDS.unpack_from(pdu, 1)
    if not 1 <= count <= most:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    if address + count > 0x10000:
        raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)
    return address, count


def _bits_reply(function: int, bits: Sequence[bool]) -> bytes:
    packed = bytearray((len(bits) + 7) // 8)
    for index, bit in enumerate(bits):
        if bit:
            packed[index // 8] |= 1 << (index % 8)
    return bytes((function, len(packed))) + bytes(packed)


def _words_reply(function: int, words: Sequence[int]) -> bytes:
    return struct.pack(f">BB{len(words)}H", function, 2 * len(words), *words)


def _read_coils(pdu: bytes, model: DataModel) -> bytes:
    return _bits_reply(pdu[0], model.read_coils(*_address_and_count(pdu, most=_MAX_BITS)))


def _read_discrete_inputs(pdu: bytes, model: DataModel) -> bytes:
    return _bits_reply(pdu[0], model.read_discrete_inputs(*_address_and_count(pdu, most=_MAX_BITS)))


def _read_holding(pdu: bytes, model: DataModel) -> bytes:
    return _words_reply(pdu[0], model.read_holding_registers(*_address_and_count(pdu, most=_MAX_REGISTERS_READ)))


def _read_input(pdu: bytes, model: DataModel) -> bytes:
    return _words_reply(pdu[0], model.read_input_registers(*_address_and_count(pdu, most=_MAX_REGISTERS_READ)))


def _write_coil(pdu: bytes, model: DataModel) -> bytes:
    if len(pdu) != 5:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    address, value = _TWO_WORDS.unpack_from(pdu, 1)
    if value not in {0, _COIL_ON}:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    model.write_coil(address, on=value == _COIL_ON)
    return pdu


def _write_register(pdu: bytes, model: DataModel) -> bytes:
    if len(pdu) != 5:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    address, value = _TWO_WORDS.unpack_from(pdu, 1)
    model.write_registers(address, (value,))
    return pdu


def _write_registers(pdu: bytes, model: DataModel) -> bytes:
    if len(pdu) < 6:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    address, count = _address_and_count(pdu[:5], most=_MAX_REGISTERS_WRITTEN)
    if pdu[5] != 2 * count or len(pdu) != 6 + 2 * count:
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
    model.write_registers(address, struct.unpack_from(f">{count}H", pdu, 6))
    return pdu[:5]


_HANDLERS: dict[int, Callable[[bytes, DataModel], bytes]] = {
    READ_COILS: _read_coils,
    READ_DISCRETE_INPUTS: _read_discrete_inputs,
    READ_HOLDING_REGISTERS: _read_holding,
    READ_INPUT_REGISTERS: _read_input,
    WRITE_SINGLE_COIL: _write_coil,
    WRITE_SINGLE_REGISTER: _write_register,
    WRITE_MULTIPLE_REGISTERS: _write_registers,
}


def words_of(value: int) -> tuple[int, int]:
    """A 32-bit value, signed or not, as two registers, high word first."""
    return (value >> 16) & 0xFFFF, value & 0xFFFF


def word_of(value: int) -> int:
    """A 16-bit value, signed or not, as one register."""
    return value & 0xFFFF


def signed16(word: int) -> int:
    """One register as a signed number."""
    return word - 0x10000 if word & 0x8000 else word


def signed32(high: int, low: int) -> int:
    """Two registers, high word first, as a signed number."""
    value = (high << 16) | low
    return value - 0x100000000 if value & 0x80000000 else value
