"""Modbus frames that the driver sends and takes, byte for byte as published.

Source: Modbus Application Protocol V1.1b3, 6.3, 6.6, 6.12, 7; Modbus over Serial Line V1.02, 6.2.2 (check sum);
the check value of CRC-16/MODBUS over "123456789" is 4B37.
"""

import asyncio

import pytest

from benchd.contract import Refused, ReplyWrong
from benchd_modbus.connection import Connection
from benchd_modbus.frames import check_sum, expected_reply, is_complete
from benchd_modbus.settings import WireSettings

READ_REQUEST = "03 00 6B 00 03"
READ_REPLY = "03 06 02 2B 00 00 00 64"
READ_REQUEST_RTU = "11 03 00 6B 00 03 76 87"
READ_REQUEST_TCP = "00 01 00 00 00 06 11 03 00 6B 00 03"
WRITE_ONE_RTU = "11 06 00 01 00 03 9A 9B"
WRITE_MANY_RTU = "11 10 00 01 00 02 04 00 0A 01 02 C6 F0"
WRITE_MANY_REPLY_RTU = "11 10 00 01 00 02 12 98"
EXCEPTION_RTU = "01 83 02 C0 F1"


def test_the_check_sum_of_the_digits_is_the_published_one():
    assert check_sum(b"123456789").to_bytes(2, "big") == bytes.fromhex("37 4B")  # low byte first on the wire


@pytest.mark.parametrize(
    "frame", [READ_REQUEST_RTU, WRITE_ONE_RTU, WRITE_MANY_RTU, WRITE_MANY_REPLY_RTU, EXCEPTION_RTU]
)
def test_the_check_sum_of_each_published_frame_fits(frame):
    whole = bytes.fromhex(frame)
    assert check_sum(whole[:-2]).to_bytes(2, "big") == whole[-2:]


@pytest.mark.parametrize(
    ("request_frame", "reply"),
    [
        (WRITE_ONE_RTU, WRITE_ONE_RTU),
        (WRITE_MANY_RTU, WRITE_MANY_REPLY_RTU),
        ("01 03 00 00 00 01 84 0A", EXCEPTION_RTU),
    ],
)
def test_a_published_reply_is_whole_only_with_its_last_byte_and_wrong_with_any_other_one(request_frame, reply):
    expected = expected_reply(bytes.fromhex(request_frame), rtu=True)
    whole = bytes.fromhex(reply)
    assert is_complete(expected, whole)
    for end in range(len(whole)):
        assert not is_complete(expected, whole[:end])
    for at in range(len(whole)):
        for bit in range(8):
            changed = whole[:at] + bytes((whole[at] ^ 1 << bit,)) + whole[at + 1 :]
            assert not _taken_for_whole(expected, changed), changed.hex(" ")


def _taken_for_whole(expected, received):
    try:
        return is_complete(expected, received)
    except ValueError:
        return False


class Wire:
    """Answers each request with the given bytes and keeps what was asked."""

    def __init__(self, *replies):
        self.replies = [bytes.fromhex(reply) for reply in replies]
        self.asked = []

    async def __call__(self, reader, writer):
        for reply in self.replies:
            self.asked.append(await reader.read(300))
            writer.write(reply)
        await reader.read()
        writer.close()

    async def use(self, call, *, framing, device_id):
        async with await asyncio.start_server(self, "127.0.0.1", 0) as server:
            wire = WireSettings(
                host="127.0.0.1",
                port=server.sockets[0].getsockname()[1],
                framing=framing,
                device_id=device_id,
                reply_time_s=0.1,
            )
            connection = Connection(wire, what="device")
            result = []

            async def probe(line):
                result.append(await call(line))

            try:
                await connection.open(probe)
            finally:
                await connection.close()
                await asyncio.sleep(0.01)
            return result[0]


@pytest.mark.wires
async def test_reading_sends_the_published_request_and_takes_the_published_reply_over_tcp():
    wire = Wire("00 01 00 00 00 09 11" + READ_REPLY)
    words = await wire.use(lambda line: line.read_registers("holding", 0x6B, 3), framing="tcp", device_id=0x11)
    assert wire.asked == [bytes.fromhex(READ_REQUEST_TCP)]
    assert wire.asked[0][7:] == bytes.fromhex(READ_REQUEST)
    assert list(words) == [0x022B, 0x0000, 0x0064]


@pytest.mark.wires
async def test_reading_sends_the_published_request_on_a_serial_line():
    reply = bytes.fromhex("11" + READ_REPLY)
    wire = Wire((reply + check_sum(reply).to_bytes(2, "big")).hex())
    words = await wire.use(lambda line: line.read_registers("holding", 0x6B, 3), framing="rtu", device_id=0x11)
    assert wire.asked == [bytes.fromhex(READ_REQUEST_RTU)]
    assert list(words) == [0x022B, 0x0000, 0x0064]


@pytest.mark.wires
@pytest.mark.parametrize(
    ("words", "request_frame", "reply"),
    [([3], WRITE_ONE_RTU, WRITE_ONE_RTU), ([0x000A, 0x0102], WRITE_MANY_RTU, WRITE_MANY_REPLY_RTU)],
)
async def test_writing_sends_and_takes_the_published_frames(words, request_frame, reply):
    wire = Wire(reply)
    await wire.use(lambda line: line.write_registers(1, words), framing="rtu", device_id=0x11)
    assert wire.asked == [bytes.fromhex(request_frame)]


@pytest.mark.wires
async def test_the_published_exception_is_refused_in_words():
    wire = Wire(EXCEPTION_RTU)
    with pytest.raises(Refused, match="exception 2: the device has no such register"):
        await wire.use(lambda line: line.read_registers("holding", 0, 1), framing="rtu", device_id=1)


@pytest.mark.wires
async def test_a_published_reply_to_another_question_is_wrong():
    wire = Wire(WRITE_ONE_RTU)
    with pytest.raises(ReplyWrong):
        await wire.use(lambda line: line.read_registers("holding", 1, 1), framing="rtu", device_id=0x11)
