"""Whether bytes that came back answer the request that went out. Pure: bytes in, words out; it opens nothing.

pymodbus skips a frame with a foreign transaction number and takes whatever length comes; here every byte that the
request determines must be there, or the reply is wrong.

Source: Modbus Application Protocol V1.1b3, 6 and 7; Modbus Messaging on TCP/IP V1.0b, 3.1.3; Modbus over Serial Line
V1.02, 2.5.1.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from pymodbus.framer import FramerRTU

_READ_BITS = frozenset({1, 2})
_READ_REGISTERS = frozenset({3, 4})
_ECHO = frozenset({5, 6})  # the reply repeats the request
_WRITE_MULTIPLE = frozenset({15, 16})  # the reply repeats address and count

EXCEPTIONS: Mapping[int, str] = {
    1: "the device does not know this function",
    2: "the device has no such register, compare the register map with its manual",
    3: "the device does not take this value",
    4: "the device failed while doing it, look at its own display",
    5: "the device needs longer for it",
    6: "the device is busy",
    8: "the device found a parity error in its memory",
    10: "the gateway has no path to the device",
    11: "the device behind the gateway does not answer",
}


@dataclass(frozen=True, slots=True)
class Expected:
    """The replies that a request allows: how each begins and how many bytes it has in all."""

    prefix: bytes
    length: int
    exception_prefix: bytes
    exception_length: int
    rtu: bool


def expected_reply(request: bytes, *, rtu: bool) -> Expected:
    """What may come back on this request frame (with header or check sum)."""
    header, pdu, tail = (request[:1], request[1:-2], 2) if rtu else (request[:7], request[7:], 0)
    body = _expected_pdu(pdu)
    whole = len(body) + _data_length(pdu)
    exception = bytes((pdu[0] | 0x80,))
    if rtu:
        return Expected(header + body, 1 + whole + tail, header + exception, 3 + tail, rtu)
    numbers, unit = header[:4], header[6:7]
    return Expected(
        numbers + (whole + 1).to_bytes(2, "big") + unit + body,
        7 + whole,
        numbers + b"\x00\x03" + unit + exception,
        9,
        rtu,
    )


def _expected_pdu(pdu: bytes) -> bytes:
    function = pdu[0]
    if function in _READ_BITS | _READ_REGISTERS:
        return bytes((function, _data_length(pdu)))
    if function in _ECHO:
        return pdu
    if function in _WRITE_MULTIPLE:
        return pdu[:5]
    raise ValueError(f"function {function} is not used here")


def _data_length(pdu: bytes) -> int:
    function, count = pdu[0], int.from_bytes(pdu[3:5], "big")
    if function in _READ_REGISTERS:
        return 2 * count
    return (count + 7) // 8 if function in _READ_BITS else 0


def is_complete(expected: Expected, received: bytes) -> bool:
    """Whether `received` is the whole reply; raises `ValueError` with what is wrong as soon as a byte tells."""
    for prefix, length in (
        (expected.prefix, expected.length),
        (expected.exception_prefix, expected.exception_length),
    ):
        head = min(len(received), len(prefix))
        if received[:head] != prefix[:head] or len(received) > length:
            continue
        if len(received) < length:
            return False
        if expected.rtu and int.from_bytes(received[-2:], "big") != check_sum(received[:-2]):
            raise ValueError("its check sum does not fit")
        return True
    raise ValueError(_difference(expected, received))


def check_sum(frame: bytes) -> int:
    """The CRC of a serial frame as its two bytes stand on the wire, low byte first (Serial Line V1.02, 6.2.2)."""
    return FramerRTU.compute_CRC(frame)


def _difference(expected: Expected, received: bytes) -> str:
    if expected.rtu:
        unit, function, start = 0, 1, b""
    else:
        unit, function, start = 6, 7, received[:4]
        if start[:2] != expected.prefix[: len(start[:2])]:
            asked = int.from_bytes(expected.prefix[:2], "big")
            return f"transaction {int.from_bytes(start[:2], 'big')} was answered where {asked} was asked"
        if start[2:] != expected.prefix[2:4][: len(start[2:])]:
            return "its header is not one of Modbus TCP"
    if len(received) > unit and received[unit] != expected.prefix[unit]:
        return f"device {received[unit]} answered where {expected.prefix[unit]} was asked"
    if len(received) > function and received[function] & 0x7F != expected.prefix[function]:
        return f"function {received[function]} was answered where {expected.prefix[function]} was asked"
    return f"its length or its echo does not fit the request ({received[:24].hex(' ')})"
