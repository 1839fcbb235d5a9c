import asyncio
import contextlib

import pytest

from benchd_rig.servers import DeviceServers
from benchd_rig.wire_server import WireServer

pytestmark = pytest.mark.wires


class Client:
    """A plain socket to one device."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    async def ask(self, line: str) -> str:
        self.writer.write(line.encode() + b"\n")
        return await self.line()

    async def line(self, *, within_s: float = 5.0) -> str:
        async with asyncio.timeout(within_s):
            return (await self.reader.readline()).decode("latin-1").rstrip("\n")

    async def nothing_comes(self, *, for_s: float) -> None:
        with pytest.raises(TimeoutError):
            await self.line(within_s=for_s)

    async def close(self) -> None:
        self.writer.close()
        with contextlib.suppress(ConnectionError):
            await self.writer.wait_closed()


async def connect(server: WireServer) -> Client:
    return Client(*await asyncio.open_connection(server.host, server.port))


@pytest.fixture
async def supply(served: DeviceServers) -> WireServer:
    return served.by_device["supply"]


async def test_a_second_connection_is_accepted_and_closed_at_once(supply):
    first = await connect(supply)
    assert await first.ask("*OPC?") == "1"
    second = await connect(supply)
    second.writer.write(b"*OPC?\n")
    async with asyncio.timeout(5):
        with contextlib.suppress(ConnectionResetError):
            assert await second.reader.read() == b""
    assert await first.ask("*OPC?") == "1"
    assert "turned_away" in [entry.what for entry in supply.log.last(10)]
    await first.close()
    await second.close()


async def test_a_client_may_close_and_open_again_without_waiting(supply):
    for _ in range(20):
        client = await connect(supply)
        assert await client.ask("*OPC?") == "1"
        client.writer.close()
    await client.close()


async def test_a_message_in_single_bytes_is_one_message(supply):
    client = await connect(supply)
    for byte in b"*OPC?;*IDN?\r\n":
        client.writer.write(bytes((byte,)))
        await asyncio.sleep(0)
    assert (await client.line()).startswith("1;Quillmoor Instruments,QS80-60,")
    await client.close()


async def test_two_messages_in_one_piece_are_answered_in_order(supply):
    client = await connect(supply)
    client.writer.write(b"VOLT 3;VOLT?\nVOLT 4;VOLT?\n")
    assert [await client.line(), await client.line()] == ["3.000", "4.000"]
    await client.close()


async def test_the_log_tells_what_arrived_and_when(supply):
    client = await connect(supply)
    before = asyncio.get_running_loop().time()
    assert await client.ask("*OPC?") == "1"
    after = asyncio.get_running_loop().time()
    entry = supply.log.last(1)[0]
    assert (entry.what, entry.text) == ("message", "*OPC?")
    assert before <= entry.at_mono_s <= after
    await client.close()


async def test_a_hung_device_logs_and_neither_acts_nor_answers(served, supply):
    client = await connect(supply)
    supply.faults.switch("hang", on=True)
    client.writer.write(b"VOLT 7;VOLT?\n")
    await client.nothing_comes(for_s=0.1)
    assert supply.log.last(1)[0].text == "VOLT 7;VOLT?"
    assert served.bench.supply.voltage_v == 0.0
    supply.faults.switch("hang", on=False)
    assert await client.ask("VOLT?") == "0.000"
    await client.close()


async def test_a_late_reply_arrives_before_the_reply_to_the_next_question(supply):
    client = await connect(supply)
    await client.ask("VOLT 7;VOLT?")
    supply.faults.switch("late_reply", on=True, times=1, parameters={"delay_s": 0.2})
    client.writer.write(b"VOLT?\n")
    await client.nothing_comes(for_s=0.05)
    assert await client.ask("CURR?") == "7.000"  # the old reply
    assert await client.line() == "0.000"
    await client.close()


async def test_an_instrument_that_keeps_no_reply_says_interrupted(supply):
    client = await connect(supply)
    supply.faults.switch("late_reply", on=True, times=1, parameters={"delay_s": 0.2, "keep_reply": 0.0})
    client.writer.write(b"VOLT?\n")
    await client.nothing_comes(for_s=0.05)
    assert await client.ask("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    await client.close()


async def test_a_client_that_leaves_in_the_middle_of_a_message_leaves_unterminated(supply):
    client = await connect(supply)
    client.writer.write(b"MEAS:VOL")
    client.writer.write_eof()
    async with asyncio.timeout(5):
        assert await client.reader.read() == b""
    await client.close()
    client = await connect(supply)
    assert await client.ask("SYST:ERR?") == '-420,"Query UNTERMINATED"'
    await client.close()


async def test_half_a_message_of_a_connection_that_was_reset_is_forgotten(supply):
    client = await connect(supply)
    assert await client.ask("*OPC?") == "1"
    client.writer.write(b"VOLT 5;NONSENSE;")
    async with asyncio.timeout(5):
        while not supply.conversation._buffer:
            await asyncio.sleep(0.001)
    supply.session.cut()
    await client.close()
    client = await connect(supply)
    assert await client.ask("VOLT?;:SYST:ERR?") == '0.000;0,"No error"'
    await client.close()


async def test_a_new_connection_does_not_get_the_old_ones_late_reply(supply):
    client = await connect(supply)
    supply.faults.switch("late_reply", on=True, times=1, parameters={"delay_s": 0.1})
    client.writer.write(b"*IDN?\n")
    await asyncio.sleep(0.02)
    await client.close()
    client = await connect(supply)
    assert await client.ask("*OPC?") == "1"
    await client.nothing_comes(for_s=0.15)
    await client.close()


async def test_garbage_is_no_number(supply):
    client = await connect(supply)
    supply.faults.switch("garbage", on=True)
    with pytest.raises(ValueError, match="could not convert"):
        float(await client.ask("MEAS:VOLT?"))
    await client.close()


async def test_a_dropped_connection_is_reset_and_may_be_opened_again(supply):
    client = await connect(supply)
    supply.faults.switch("drop", on=True, times=1)
    client.writer.write(b"VOLT?\n")
    async with asyncio.timeout(5):
        with pytest.raises(ConnectionResetError):
            await client.reader.readexactly(1)
    await client.close()
    client = await connect(supply)
    assert await client.ask("*OPC?") == "1"
    await client.close()


async def test_a_stuck_value_repeats_itself_per_question_and_commands_still_act(supply):
    client = await connect(supply)
    await client.ask("VOLT 1;VOLT?")
    supply.faults.switch("stuck_value", on=True)
    assert await client.ask("VOLT?") == "1.000"
    client.writer.write(b"VOLT 2\n")
    assert await client.ask("VOLT?") == "1.000"
    assert await client.ask("CURR?") == "0.000"
    supply.faults.switch("stuck_value", on=False)
    assert await client.ask("VOLT?") == "2.000"
    await client.close()


async def test_ignored_and_refused_writes_differ_in_the_error_queue(supply):
    client = await connect(supply)
    supply.faults.switch("ignore_writes", on=True)
    assert await client.ask("VOLT 9;VOLT?;:SYST:ERR?") == '0.000;0,"No error"'
    supply.faults.clear()
    supply.faults.switch("says_no", on=True)
    assert await client.ask("VOLT 9;VOLT?;:SYST:ERR?") == '0.000;-200,"Execution error"'
    await client.close()


async def test_single_bytes_and_duplicates_carry_the_right_text(supply):
    client = await connect(supply)
    supply.faults.switch("one_byte_at_a_time", on=True, parameters={"gap_s": 0.0})
    supply.faults.switch("duplicate_reply", on=True)
    assert await client.ask("*IDN?;*OPC?") == await client.line()
    supply.faults.clear()
    supply.faults.switch("truncated_reply", on=True)
    client.writer.write(b"VOLT?;CURR?\n")
    async with asyncio.timeout(5):
        assert await client.reader.readexactly(6) == b"0.000;"
    await client.close()


async def test_a_closed_server_refuses_and_listens_again_on_the_same_port(supply):
    client = await connect(supply)
    port = supply.port
    await supply.close()
    with pytest.raises(ConnectionRefusedError):
        await connect(supply)
    await supply.start()
    assert supply.port == port
    await client.close()
    client = await connect(supply)
    assert await client.ask("*OPC?") == "1"
    await client.close()


async def test_a_client_that_never_reads_is_cut(supply):
    client = await connect(supply)
    client.writer.transport.pause_reading()
    with pytest.raises((ConnectionError, TimeoutError)):  # noqa: PT012
        async with asyncio.timeout(20):
            while True:
                client.writer.write(b"*IDN?;" * 600 + b"*IDN?\n")
                await client.writer.drain()
                await asyncio.sleep(0)
                if supply.session is None:
                    raise ConnectionResetError
    await client.close()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", ""])  # noqa: S104
async def test_it_listens_on_loopback_only(supply, host):
    with pytest.raises(ValueError, match="loopback only"):
        WireServer(device="supply", conversation=supply.conversation, faults=supply.faults, host=host)
