"""The log is one JSON object a line, and a reader that is stuck never holds up the event loop."""

import asyncio
import fcntl
import json
import math
import os
import socket
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.outside.log import Log, configure


class Pipe:
    """A pipe whose writing end stands for standard error."""

    def __init__(self) -> None:
        self.reader, self.writer = os.pipe()

    def fileno(self) -> int:
        return self.writer

    def read(self) -> bytes:
        os.set_blocking(self.reader, False)
        parts = []
        while True:
            try:
                parts.append(os.read(self.reader, 1 << 20))
            except BlockingIOError:
                return b"".join(parts)

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.read().splitlines()]


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    os.close(made.reader)
    os.close(made.writer)


def at_noon() -> datetime:
    return datetime(2026, 11, 25, 12, 0, 0, 5, tzinfo=UTC)


def test_a_line_has_event_level_and_utc_first_and_then_the_fields(pipe: Pipe) -> None:
    log = configure(pipe, utc_now=at_noon)
    log.logger.info("link_lost", device="supply")
    assert pipe.read() == b""  # nothing is written by the call itself
    assert log.drain()
    expected = b'{"event": "link_lost", "level": "info", "utc": "2026-11-25T12:00:00.000005Z", "device": "supply"}\n'
    assert pipe.read() == expected
    log.close()


def test_a_number_that_json_lacks_leaves_the_others_beside_it_numbers(pipe: Pipe) -> None:
    log = configure(pipe, utc_now=at_noon)
    log.logger.info("progress", channels={"shaft_speed": 1500.0, "frequency": math.nan, "means": (1.0, math.inf)})
    log.drain()
    (line,) = pipe.lines()
    assert line["channels"] == {"shaft_speed": 1500.0, "frequency": "nan", "means": [1.0, "inf"]}
    log.close()


def test_levels_below_the_chosen_one_are_not_logged_and_bound_fields_are(pipe: Pipe) -> None:
    log = configure(pipe, level=30)
    bound = log.logger.bind(run="r1")
    bound.info("quiet")
    bound.error("loud", level="x", utc="y")
    log.drain()
    (line,) = pipe.lines()
    assert (line["event"], line["level"], line["run"]) == ("loud", "error", "r1")
    assert line["utc"].endswith("Z")
    log.close()


def test_two_logs_do_not_know_each_other(pipe: Pipe) -> None:
    other = Pipe()
    first, second = configure(pipe), configure(other)
    first.logger.info("one")
    second.logger.info("two")
    first.drain()
    second.drain()
    assert [line["event"] for line in pipe.lines()] == ["one"]
    assert [line["event"] for line in other.lines()] == ["two"]
    first.close()
    second.close()
    os.close(other.reader)
    os.close(other.writer)


def test_an_exception_stays_on_its_line(pipe: Pipe) -> None:
    log = configure(pipe)
    try:
        int("two\nlines")
    except ValueError:
        log.logger.exception("failed")
    log.drain()
    (line,) = pipe.lines()
    assert "\nValueError: invalid literal" in line["exception"]
    log.close()


odd = st.one_of(st.floats(), st.binary(), st.text(), st.text(st.characters(categories=["Cs"])), st.builds(object))


@settings(max_examples=60, deadline=None)
@given(fields=st.dictionaries(st.sampled_from(["device", "port", "value_nm", "x"]), odd | st.lists(odd, max_size=3)))
def test_no_field_is_so_odd_that_its_line_is_lost(fields: dict[str, Any]) -> None:
    pipe = Pipe()
    log = configure(pipe)
    log.logger.info("odd", **fields)
    log.drain()
    log.close()

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    text = pipe.read()
    os.close(pipe.reader)
    os.close(pipe.writer)
    assert text.count(b"\n") == 1
    line = json.loads(text, parse_constant=refuse)
    assert set(line) == {"event", "level", "utc", *fields}


def test_a_not_a_number_is_written_as_text_and_an_endless_line_is_cut(pipe: Pipe) -> None:
    log = configure(pipe)
    log.logger.info("a", value_nm=math.nan)
    log.logger.info("b", text="x" * 100_000)
    log.drain()
    first, second = pipe.lines()
    assert first["value_nm"] == "nan"
    assert second["event"] == "b"
    assert len(second["cut"]) < 10_000
    log.close()


class Sulking:
    def __str__(self) -> str:
        raise RuntimeError("no")


def test_a_field_whose_own_code_fails_does_not_reach_the_caller(pipe: Pipe) -> None:
    log = configure(pipe)
    log.logger.info("sulking", value=Sulking(), key={(1, 2): Sulking()})
    log.drain()
    (line,) = pipe.lines()
    assert line["event"] == "sulking"
    log.close()


def fill(pipe: Pipe) -> int:
    """Fill the pipe to the last byte, as a reader does that has stopped reading."""
    handle = os.open(f"/proc/self/fd/{pipe.writer}", os.O_WRONLY | os.O_NONBLOCK)
    filled = 0
    for size in (4096, 1):
        try:
            while True:
                filled += os.write(handle, b"#" * size)
        except BlockingIOError:
            pass
    os.close(handle)
    return filled


@pytest.mark.wires
async def test_a_full_pipe_never_holds_up_the_event_loop_and_the_lines_come_later(pipe: Pipe) -> None:
    filled = fill(pipe)
    log = configure(pipe, capacity_lines=50)
    slowest_s = 0.0
    async with asyncio.TaskGroup() as tasks:
        pump = tasks.create_task(log.pump())
        for number in range(80):
            before = time.monotonic()
            log.logger.info("tick", number=number)
            await asyncio.sleep(0.001)
            slowest_s = max(slowest_s, time.monotonic() - before)
        assert slowest_s < 1.0  # a blocking write would stay for ever
        assert log.lines_dropped > 0
        assert log.lines_dropped < 80
        assert pipe.read() == b"#" * filled
        for _ in range(200):
            await asyncio.sleep(0.02)
            if log.lines_waiting == 0:
                break
        await asyncio.sleep(0.1)
        pump.cancel()
    lines = pipe.lines()
    numbers = [line["number"] for line in lines if line["event"] == "tick"]
    assert numbers == list(range(80 - log.lines_dropped))  # the oldest stay: they tell the first cause
    assert [line["count"] for line in lines if line["event"] == "log_lines_dropped"] == [log.lines_dropped]
    log.close()


async def test_cancelling_the_pump_writes_what_is_left(pipe: Pipe) -> None:
    log = configure(pipe)
    async with asyncio.TaskGroup() as tasks:
        pump = tasks.create_task(log.pump())
        await asyncio.sleep(0.01)
        log.logger.info("last_words")
        pump.cancel()
    assert [line["event"] for line in pipe.lines()] == ["last_words"]
    log.close()


def test_a_half_written_line_is_continued_and_no_byte_is_lost(pipe: Pipe) -> None:
    log = configure(pipe)
    fcntl.fcntl(pipe.writer, fcntl.F_SETPIPE_SZ, 4096)
    for number in range(2000):
        log.logger.info("row", number=number)
    got = b""
    while not log.drain():
        got += pipe.read()
    got += pipe.read()
    assert [json.loads(line)["number"] for line in got.splitlines()] == list(range(2000))
    log.close()


def test_the_shared_file_description_stays_blocking_for_others(pipe: Pipe) -> None:
    log = configure(pipe)
    assert os.get_blocking(pipe.writer)
    log.close()
    log.close()
    assert os.get_blocking(pipe.writer)


def test_a_reader_that_is_gone_does_not_end_the_daemon() -> None:
    pipe = Pipe()
    log = configure(pipe)
    os.close(pipe.reader)
    log.logger.info("into the void")
    assert log.drain() is False
    log.close()
    os.close(pipe.writer)


def test_a_stuck_socket_does_not_hold_up_and_a_read_one_gets_the_lines() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        log: Log = configure(ours, capacity_lines=100_000)
        for number in range(20_000):
            log.logger.info("row", number=number)
        assert log.drain() is False  # nobody reads
        got = b""
        done = False
        while not done:
            got += theirs.recv(1 << 20)
            done = log.drain()
        log.close()
        theirs.setblocking(False)
        while True:
            try:
                got += theirs.recv(1 << 20)
            except BlockingIOError:
                break
        assert got.count(b"\n") == 20_000
        assert ours.getblocking()


def test_a_file_is_appended_to(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_text("before\n")
    with path.open("a") as file:
        log = configure(file)
        log.logger.info("after")
        log.close()
    assert path.read_text().startswith('before\n{"event": "after"')


def test_a_file_that_others_write_to_as_well_keeps_what_each_of_them_wrote(tmp_path: Path) -> None:
    with (tmp_path / "log").open("wb", buffering=0) as file:  # not opened for appending, as by a shell's 2>
        log = configure(file)
        log.logger.info("first")
        log.drain()
        file.write(b"a sentence\n")
        log.logger.info("second")
        log.close()
    lines = (tmp_path / "log").read_text().splitlines()
    assert [lines[0].split('"')[3], lines[1], lines[2].split('"')[3]] == ["first", "a sentence", "second"]
