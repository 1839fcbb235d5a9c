"""The packets that come and go all day, read and written without the library's tables of what else there could be.

Values only; it knows no socket. The library builds these tables anew for each packet, which takes longer than
everything else between a command and its reply.
"""

import struct
from collections.abc import Mapping

from benchd.outside.admission import Arrived

_RESPONSE_TOPIC, _CORRELATION_DATA = 8, 9
_FIXED = {1: 1, 2: 4, 35: 2}  # bytes of what a PUBLISH may carry: format, expiry, topic alias (MQTT 5, 3.3.2.3)
_WITH_LENGTH = {3, _RESPONSE_TOPIC, _CORRELATION_DATA}
_SUBSCRIPTION, _USER = 11, 38


class Correlated:
    """The properties of a reply, packed as the library wants them."""

    def __init__(self, correlation_data: bytes) -> None:
        self._correlation_data = correlation_data

    def pack(self) -> bytes:
        """Length and correlation data (MQTT 5, 3.3.2.3.6)."""
        size = len(self._correlation_data)
        return _variable(size + 3) + struct.pack("!BH", _CORRELATION_DATA, size) + self._correlation_data


def arrived_in(header: int, packet: bytes | bytearray) -> tuple[Arrived, int, int]:
    """The message in a PUBLISH (MQTT 5, 3.3), its quality of service and its number; `packet` follows its length.

    Raises ValueError for one that is not sound; UnicodeDecodeError, which is one, for a topic that is no text.
    """
    packet = bytes(packet)
    qos = header >> 1 & 3
    topic, at = _with_length(packet, 0)
    mid = 0
    if qos:
        mid, at = _number(packet, at, 2)
    properties, at = _properties(packet, at)
    response = properties.get(_RESPONSE_TOPIC)
    arrived = Arrived(
        topic=topic.decode(),
        payload=packet[at:],
        retained=bool(header & 1),
        response_topic=None if response is None else response.decode(errors="replace"),
        correlation_data=properties.get(_CORRELATION_DATA),
    )
    return arrived, qos, mid


def mid_in(packet: bytes | bytearray) -> int:
    """The number of the message in a PUBLISH of quality of service 1. Raises ValueError."""
    _, at = _with_length(bytes(packet), 0)
    return _number(bytes(packet), at, 2)[0]


def acknowledged_in(packet: bytes | bytearray) -> tuple[int, int]:
    """Message number and reason code of a PUBACK (MQTT 5, 3.4), also one that the standard does not know there.

    Raises ValueError.
    """
    mid, at = _number(bytes(packet), 0, 2)
    return mid, packet[at] if len(packet) > at else 0


def _properties(packet: bytes, at: int) -> tuple[Mapping[int, bytes], int]:
    length, at = _read_variable(packet, at)
    end = at + length
    if end > len(packet):
        raise ValueError("properties beyond the packet's end")
    found: dict[int, bytes] = {}
    while at < end:
        kind, at = packet[at], at + 1
        if kind in _WITH_LENGTH:
            found[kind], at = _with_length(packet, at)
        elif kind in _FIXED:
            at += _FIXED[kind]
        elif kind == _USER:
            _, at = _with_length(packet, at)
            _, at = _with_length(packet, at)
        elif kind == _SUBSCRIPTION:
            _, at = _read_variable(packet, at)
        else:
            raise ValueError(f"a property {kind} that no message has")
    if at != end:
        raise ValueError("properties beyond their end")
    return found, end


def _with_length(packet: bytes, at: int) -> tuple[bytes, int]:
    size, at = _number(packet, at, 2)
    if at + size > len(packet):
        raise ValueError("a field beyond the packet's end")
    return packet[at : at + size], at + size


def _number(packet: bytes, at: int, size: int) -> tuple[int, int]:
    if at + size > len(packet):
        raise ValueError("a number beyond the packet's end")
    return int.from_bytes(packet[at : at + size], "big"), at + size


def _read_variable(packet: bytes, at: int) -> tuple[int, int]:
    """A variable byte integer (MQTT 5, 1.5.5)."""
    value = 0
    for place in range(4):
        digit, at = _number(packet, at, 1)
        value |= (digit & 0x7F) << 7 * place
        if digit < 0x80:
            return value, at
    raise ValueError("a length of more than four bytes")


def _variable(value: int) -> bytes:
    written = bytearray()
    while True:
        value, digit = value >> 7, value & 0x7F
        written.append(digit | (0x80 if value else 0))
        if not value:
            return bytes(written)
