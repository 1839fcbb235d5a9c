"""The sample stream over real TCP: every byte where it belongs, and nothing that is wrong ever passes for samples."""

import asyncio
import time

import numpy as np
import pytest

from benchd.contract import LinkLost, Refused, ReplyWrong, Waveforms
from benchd_scpi.measuring_unit import measuring_unit
from benchd_scpi.settings import ScpiMeasuringUnitSettings

from .scripted_devices import StreamingUnit, answer_of, listening

pytestmark = pytest.mark.wires

NAMES = ("wf11_v", "wf14_v")


@pytest.fixture
async def unit():
    async with listening(StreamingUnit()) as fake:
        yield fake


def driver_of(unit, *, reply_time_s: float = 0.4, **waveforms):
    given = {
        "host": "127.0.0.1",
        "port": unit.port,
        "identity": "Quillmoor Instruments,QM8",
        "reply_time_s": reply_time_s,
        "inputs": [{"name": "ai1_v", "channel": 1}, {"name": "encoder_rpm", "channel": 5}],
        "waveforms": {
            "rate_hz": 20000.0,
            "inputs": [{"name": "wf11_v", "channel": 11}, {"name": "wf14_v", "channel": 14}],
        }
        | waveforms,
    }
    return measuring_unit(ScpiMeasuringUnitSettings.model_validate(given))


def numbers(block) -> np.ndarray:
    return np.frombuffer(block.data, "<f4").reshape(-1, len(block.signals))


async def test_starting_sets_everything_and_reads_all_of_it_back_in_one_exchange(unit):
    async with driver_of(unit) as ports:
        assert isinstance(ports["waveforms"], Waveforms)
        assert unit.texts == ["*IDN?"]  # entering starts nothing
        await ports["waveforms"].start()
        assert unit.texts[1:] == [
            (
                "WAV:STAT OFF;:FORM REAL,32;:FORM:BORD SWAP;:WAV:CHAN (@11,14);:WAV:RATE 20000;:WAV:STAT ON;"
                ":FORM?;:FORM:BORD?;:WAV:CHAN?;:WAV:RATE?;:WAV:STAT?"
            )
        ]


async def test_samples_come_as_the_unit_took_them_with_their_numbers_and_what_was_lost(unit):
    async with driver_of(unit) as ports:
        stream = ports["waveforms"]
        await stream.start()
        first = await stream.read_block()
        unit.at, unit.lost, unit.block = 250, 150, 30
        second = await stream.read_block()
        assert (first.signals, first.rate_hz) == (NAMES, 20000.0)
        assert (first.first_index, first.lost, first.samples) == (0, 0, 100)
        assert (second.first_index, second.lost, second.samples) == (250, 150, 30)
        np.testing.assert_array_equal(numbers(first), np.arange(100)[:, None] + [0.0, 0.125])
        np.testing.assert_array_equal(numbers(second), np.arange(250, 280)[:, None] + [0.0, 0.125])


async def test_averaged_values_and_samples_share_one_connection(unit):
    async with driver_of(unit) as ports:
        await ports["waveforms"].start()
        for _ in range(5):
            assert (await ports["waveforms"].read_block()).samples == 100
            assert dict((await ports["inputs"].read()).values) == {"ai1_v": 1.5, "encoder_rpm": 3000.0}
        assert unit.accepted == 1


async def test_an_empty_block_is_no_error(unit):
    unit.block = 0
    async with driver_of(unit) as ports:
        await ports["waveforms"].start()
        assert (await ports["waveforms"].read_block()).data == b""


async def test_a_block_full_of_line_ends_that_comes_byte_by_byte_is_read_whole(unit):
    data = b"\n" * 80 + b"#18\r\n;,0"
    async with driver_of(unit) as ports:
        await ports["waveforms"].start()
        unit.replies = [answer_of(data, first_index=7)]
        unit.byte_by_byte = True
        block = await ports["waveforms"].read_block()
        assert (block.data, block.first_index) == (data, 7)


async def test_two_seconds_of_eight_channels_at_20_khz_come_in_one_block(unit):
    inputs = [{"name": f"wf{channel}_v", "channel": channel} for channel in range(11, 19)]
    unit.block = 40_000
    async with driver_of(unit, inputs=inputs) as ports:
        await ports["waveforms"].start()
        block = await ports["waveforms"].read_block()
        assert len(block.data) == 1_280_000
        assert numbers(block)[-1].tolist() == [39_999.0 + channel / 8.0 for channel in range(8)]


async def test_the_time_of_a_block_is_when_its_last_byte_came(unit):
    async with driver_of(unit) as ports:
        await ports["waveforms"].start()
        unit.delay_s = 0.05
        asked_s = asyncio.get_running_loop().time()
        block = await ports["waveforms"].read_block()
        assert asked_s + 0.1 <= block.taken_mono_s <= asyncio.get_running_loop().time()  # two questions


async def test_a_stream_that_does_not_run_is_refused_at_once_and_spoils_nothing(unit):
    async with driver_of(unit) as ports:
        started_s = time.monotonic()
        with pytest.raises(Refused, match="does not run"):
            await ports["waveforms"].read_block()
        assert time.monotonic() - started_s < 0.3
        await ports["waveforms"].start()
        await ports["waveforms"].stop()
        await ports["waveforms"].stop()
        with pytest.raises(Refused):
            await ports["waveforms"].read_block()
        assert (await ports["inputs"].read()).values["ai1_v"] == 1.5
        assert unit.accepted == 1


WRONG = {
    "a line of text": (b"1.5\n", "broke off"),
    "an error's words in the place of a header": (b'-221,"Settings conflict; not running"\n', "a sample number"),
    "an indefinite block": (b"000000000000,000000,#0abcdefgh\n", "indefinite"),
    "half a sample": (answer_of(bytes(12)), "whole samples"),
    "a length that is too great": (b"000000000000,000000,#9999999992", "at most"),
    "a block that breaks off": (answer_of(bytes(80))[:-30], "broke off in the middle of an answer: 51 of 80"),
    "a header that breaks off": (answer_of(bytes(80))[:11], "broke off in the middle of an answer: 11 of 22"),
    "more samples than announced": (answer_of(bytes(80))[:-1] + bytes(8) + b"\n", "a line end after 80"),
    "no line end": (answer_of(bytes(80))[:-1], "0 of 1 bytes"),
    "two answers": (answer_of(bytes(80)) * 2, "more than it was asked for"),
}


@pytest.mark.parametrize(("reply", "words"), WRONG.values(), ids=WRONG.keys())
async def test_a_wrong_block_is_a_wrong_reply_and_the_connection_is_not_used_again(unit, reply, words):
    driver = driver_of(unit, reply_time_s=0.15)
    async with driver as ports:
        stream = ports["waveforms"]
        await stream.start()
        unit.replies = [reply]
        with pytest.raises(ReplyWrong, match=words):
            await stream.read_block()
        heard = len(unit.heard)
        for call in (stream.read_block, ports["inputs"].read):
            with pytest.raises(LinkLost, match="reconnected first"):
                await call()
        assert len(unit.heard) == heard
        await unit.let_go()
        await driver.reconnect()
        block = await stream.read_block()
        assert block.first_index == 100  # the next block, and a gap that whoever counts can see
        np.testing.assert_array_equal(numbers(block)[0], [100.0, 100.125])


async def test_no_answer_at_all_is_a_lost_link(unit):
    async with driver_of(unit, reply_time_s=0.1) as ports:
        await ports["waveforms"].start()
        unit.replies = [b""]
        with pytest.raises(LinkLost, match=r"did not answer 'WAV:DATA\?'"):
            await ports["waveforms"].read_block()


async def test_a_unit_that_closes_in_the_middle_of_a_block_is_lost_at_once(unit):
    async with driver_of(unit, reply_time_s=0.4) as ports:
        await ports["waveforms"].start()
        unit.replies = [answer_of(bytes(80))[:-30]]
        started_s = time.monotonic()
        async with asyncio.TaskGroup() as group:
            reading = group.create_task(_failure(ports["waveforms"].read_block()))
            await asyncio.sleep(0.05)
            assert unit._writer is not None
            unit._writer.close()
        assert isinstance(reading.result(), LinkLost)
        assert time.monotonic() - started_s < 0.3


async def _failure(call) -> BaseException | None:
    try:
        await call
    except (LinkLost, ReplyWrong) as error:
        return error
    return None


async def test_a_look_that_is_cancelled_at_any_point_leaves_no_samples_for_the_next_answer(unit):
    driver = driver_of(unit)
    cut_off = 0
    async with driver as ports:
        await ports["waveforms"].start()
        for passes in range(30):
            async with asyncio.TaskGroup() as group:
                task = group.create_task(ports["waveforms"].read_block())
                for _ in range(passes):
                    await asyncio.sleep(0.0 if passes < 20 else 0.0005)
                task.cancel()
            cut_off += task.cancelled()
            unit.values["FETC1"] = f"{passes}.5"
            try:
                reading = await ports["inputs"].read()
            except LinkLost:
                await unit.let_go()
                await driver.reconnect()
                reading = await ports["inputs"].read()
            assert reading.values["ai1_v"] == passes + 0.5
            unit.at = 1000 * passes
            block = await ports["waveforms"].read_block()
            assert block.first_index == 1000 * passes
            assert numbers(block)[0, 0] == 1000.0 * passes
    assert cut_off


@pytest.mark.parametrize("header", ["FORM", "FORM:BORD", "WAV:CHAN", "WAV:RATE", "WAV"])
async def test_a_start_that_does_not_hold_is_a_wrong_reply(unit, header):
    unit.deaf_headers = {header}
    async with driver_of(unit) as ports:
        with pytest.raises(ReplyWrong, match="instead of"):
            await ports["waveforms"].start()


async def test_a_rate_that_the_unit_refuses_is_told_in_its_words(unit):
    unit.errors_by_header = {"WAV:RATE": '-222,"Data out of range"'}
    async with driver_of(unit) as ports:
        with pytest.raises(Refused, match="-222"):
            await ports["waveforms"].start()


@pytest.mark.parametrize("told", [("REAL,32", "SWAPPED"), ("REAL, 32", "SWAP")])
async def test_a_unit_may_answer_in_long_or_short_form(unit, told):
    unit.rewrite = lambda reply: reply.replace(b"REAL,32;SWAP", ";".join(told).encode())
    async with driver_of(unit) as ports:
        await ports["waveforms"].start()
