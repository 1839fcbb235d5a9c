"""Replies that hold bytes and are longer than what a socket takes at once."""

import asyncio
import contextlib

import pytest

from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_parameters import definite_block
from benchd_rig.scpi_server import ScpiConversation
from benchd_rig.wire_faults import WireFaults
from benchd_rig.wire_server import WireServer

pytestmark = pytest.mark.wires

DATA = bytes(range(256)) * 4000  # about a megabyte, 4000 line feeds in it
REPLY = b"#71024000" + DATA + b"\n"


@pytest.fixture
async def server():
    instrument = ScpiInstrument(identity=lambda: "Maker,Model,1,1.0", reset=lambda: None)
    instrument.on("DATA?", lambda _: definite_block(DATA))
    faults = WireFaults(device="measuring_unit", wire="scpi")
    conversation = ScpiConversation(instrument=instrument, faults=faults, advance=lambda: None)
    made = WireServer(device="measuring_unit", conversation=conversation, faults=faults, host="127.0.0.1")
    await made.start()
    yield made
    await made.close()


async def test_a_long_block_arrives_whole_with_its_line_feeds_in_it(server):
    reader, writer = await asyncio.open_connection(server.host, server.port)
    async with asyncio.timeout(10):
        for _ in range(3):
            writer.write(b"DATA?\n")
            assert await reader.readexactly(len(REPLY)) == REPLY
        writer.write(b"*OPC?;DATA?;*OPC?\n")
        assert await reader.readexactly(len(REPLY) + 4) == b"1;" + REPLY[:-1] + b";1\n"
    writer.close()
    await writer.wait_closed()


async def test_a_client_that_asks_ahead_and_reads_slowly_gets_every_reply_in_order(server):
    reader, writer = await asyncio.open_connection(server.host, server.port, limit=4096)
    async with asyncio.timeout(20):
        writer.write(b"DATA?\n*IDN?\n" * 8)
        for _ in range(8):
            assert await reader.readexactly(len(REPLY)) == REPLY
            await asyncio.sleep(0.01)
            assert await reader.readline() == b"Maker,Model,1,1.0\n"
    writer.close()
    await writer.wait_closed()


async def test_the_device_makes_no_further_replies_for_a_client_that_does_not_read(server):
    made = []
    conversation = server.conversation
    answer = conversation.answer

    def counted(message: bytes) -> bytes | None:
        made.append(message)
        return answer(message)

    conversation.answer = counted
    reader, writer = await asyncio.open_connection(server.host, server.port, limit=4096)
    writer.transport.pause_reading()
    writer.write(b"DATA?\n" * 100)
    async with asyncio.timeout(10):
        while not made:
            await asyncio.sleep(0.01)
    await asyncio.sleep(0.1)
    assert len(made) < 50  # what sockets take, and one reply more
    assert server.session is not None
    writer.transport.resume_reading()
    async with asyncio.timeout(20):
        for _ in range(100):
            assert len(await reader.readexactly(len(REPLY))) == len(REPLY)
    writer.close()
    await writer.wait_closed()


async def test_a_client_that_only_asks_is_cut_in_the_end(server):
    _, writer = await asyncio.open_connection(server.host, server.port)
    writer.transport.pause_reading()
    async with asyncio.timeout(10):
        while server.session is None:
            await asyncio.sleep(0.001)
        with contextlib.suppress(ConnectionError):
            while server.session is not None:
                writer.write(b"DATA?\n" * 50)
                await writer.drain()
                await asyncio.sleep(0)
    assert server.session is None
    writer.transport.abort()


@pytest.mark.parametrize("kind", ["truncated_reply", "duplicate_reply", "late_reply"])
async def test_the_faults_of_a_wire_reach_long_replies_too(server, kind):
    parameters = {"delay_s": 0.05} if kind == "late_reply" else {}
    server.faults.switch(kind, on=True, times=1, parameters=parameters)
    reader, writer = await asyncio.open_connection(server.host, server.port)
    writer.write(b"DATA?\n*OPC?\n")
    whole = {"truncated_reply": REPLY[: len(REPLY) // 2], "duplicate_reply": REPLY + REPLY, "late_reply": REPLY}[kind]
    async with asyncio.timeout(10):
        assert await reader.readexactly(len(whole)) == whole
        assert await reader.readline() == b"1\n"
    writer.close()
    await writer.wait_closed()


async def test_a_long_reply_in_single_bytes_goes_on_byte_by_byte(server):
    server.faults.switch("one_byte_at_a_time", on=True, parameters={"gap_s": 0.0})
    reader, writer = await asyncio.open_connection(server.host, server.port)
    writer.write(b"DATA?\n")
    async with asyncio.timeout(20):
        assert await reader.readexactly(300) == REPLY[:300]
    writer.transport.abort()
