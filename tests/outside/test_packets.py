"""What paho-mqtt packs is what is read here, and what is packed here is what paho-mqtt reads."""

import contextlib
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.client import MQTTv5
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.outside.packets import Correlated, acknowledged_in, arrived_in, mid_in

WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=40)
# what the standard lets a PUBLISH carry (MQTT 5, 3.3.2.3)
CARRIED = st.fixed_dictionaries(
    {},
    optional={
        "PayloadFormatIndicator": st.integers(0, 1),
        "MessageExpiryInterval": st.integers(0, 2**32 - 1),
        "ContentType": WORDS,
        "ResponseTopic": WORDS,
        "CorrelationData": st.binary(max_size=300),
        "TopicAlias": st.integers(1, 65_535),
        "SubscriptionIdentifier": st.integers(1, 268_435_455),
        "UserProperty": st.lists(st.tuples(WORDS, WORDS), min_size=1, max_size=3),
    },
)


def publish(topic: str, qos: int, mid: int, carried: dict[str, Any], payload: bytes) -> bytes:
    properties: Any = Properties
    properties = properties(PacketTypes.PUBLISH)
    for name, value in carried.items():
        setattr(properties, name, value)
    name = topic.encode()
    number = struct.pack("!H", mid) if qos else b""
    return struct.pack("!H", len(name)) + name + number + properties.pack() + payload


@given(WORDS, st.integers(0, 1), st.integers(1, 65_535), st.booleans(), CARRIED, st.binary(max_size=300))
def test_a_message_is_read_as_it_was_packed(topic, qos, mid, retained, carried, payload) -> None:
    packet = publish(topic, qos, mid, carried, payload)
    arrived, read_qos, read_mid = arrived_in(0x30 | qos << 1 | retained, bytearray(packet))
    assert (arrived.topic, arrived.payload, arrived.retained) == (topic, payload, retained)
    assert (read_qos, read_mid) == (qos, mid if qos else 0)
    assert arrived.response_topic == carried.get("ResponseTopic")
    assert arrived.correlation_data == carried.get("CorrelationData")
    if qos:
        assert mid_in(packet) == mid


@given(st.binary(max_size=60), st.integers(0, 255))
def test_no_bytes_do_more_than_raise_one_kind_of_error(packet: bytes, header: int) -> None:
    with contextlib.suppress(ValueError):
        arrived_in(header, packet)


@given(WORDS, CARRIED, st.data())
def test_a_message_cut_off_before_its_payload_is_not_sound(topic: str, carried: dict[str, Any], data) -> None:
    packet = publish(topic, 1, 7, carried, b"")
    cut = data.draw(st.integers(0, len(packet) - 1))
    with pytest.raises(ValueError):  # noqa: PT011 - which of the fields was cut does not matter
        arrived_in(0x32, packet[:cut])


@pytest.mark.parametrize("size", [0, 1, 124, 125, 16_380, 16_381, 65_535])
def test_correlation_data_of_any_length_is_read_by_the_library(size: int) -> None:
    packet = b"\x00\x01t" + Correlated(b"\xa5" * size).pack() + b"payload"
    read = decode_publish(0x30, packet, MQTTv5)
    assert read.properties is not None
    assert read.properties.CorrelationData == b"\xa5" * size
    assert bytes(read.payload) == b"payload"


def test_an_acknowledgement_may_be_short_long_or_of_a_code_that_is_none() -> None:
    assert acknowledged_in(b"\x01\x02") == (258, 0)
    assert acknowledged_in(b"\x00\x07\x10") == (7, 0x10)
    assert acknowledged_in(b"\x00\x07\x95\x00") == (7, 0x95)  # as mosquitto 2.0.11 sends it
    with pytest.raises(ValueError, match="end"):
        acknowledged_in(b"\x00")


def test_a_property_that_reaches_into_the_payload_is_not_sound() -> None:
    with pytest.raises(ValueError, match="beyond their end"):
        arrived_in(0x30, b"\x00\x01t" + b"\x04" + b"\x09\x00\x05ab" + b"payload")
