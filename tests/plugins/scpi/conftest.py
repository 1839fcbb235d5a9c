"""An instrument for the tests: real TCP, SCPI by the book, and every bad habit that a test asks for."""

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

from benchd_scpi.settings import ScpiSupplySettings

IDENTITIES = {
    "supply": "Quillmoor Instruments,QS80-60,1007,1.0",
    "sink": "Quillmoor Instruments,QL80-60,1008,1.0",
    "measuring_unit": "Quillmoor Instruments,QM8,1009,1.0",
}


def short(keyword: str) -> str:
    """SCPI-99 volume 1, 6.2.1: four letters, three where the fourth is a vowel; shorter words stay."""
    word = keyword.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


@dataclass
class Heard:
    """One message that the instrument read."""

    at_s: float
    connection: int
    text: str


@dataclass
class FakeInstrument:
    """Keeps its settings by canonical short header and answers strictly by the header path rules."""

    identity: str
    values: dict[str, str] = field(default_factory=dict)
    errors: list[str] = field(default_factory=list)
    heard: list[Heard] = field(default_factory=list)
    # bad habits
    deaf: bool = False  # accepts, reads, never answers
    byte_by_byte: bool = False
    byte_pause_s: float = 0.0
    delay_s: float = 0.0
    refuses_for_s: float = 0.0  # after a connection ended, the next ones are closed at once
    deaf_headers: set[str] = field(default_factory=set)  # settings that are taken and not carried out
    errors_by_header: dict[str, str] = field(default_factory=dict)
    rewrite: Callable[[bytes], bytes] | None = None  # of every reply but to *IDN?
    port: int = 0
    accepted: int = 0
    refused: int = 0
    open_now: int = 0
    _free_at_s: float = 0.0
    _writer: asyncio.StreamWriter | None = None

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.open_now or time.monotonic() < self._free_at_s:
            self.refused += 1
            writer.close()
            return
        self.accepted += 1
        self.open_now += 1
        number = self.accepted
        self._writer = writer
        try:
            while line := await reader.readline():
                text = line.decode().rstrip("\n")
                self.heard.append(Heard(time.monotonic(), number, text))
                reply = self.answer(text)
                if self.delay_s:
                    await asyncio.sleep(self.delay_s)
                if self.deaf or not reply:
                    continue
                if self.rewrite and "*IDN?" not in text:
                    reply = self.rewrite(reply)
                for piece in [reply[i : i + 1] for i in range(len(reply))] if self.byte_by_byte else [reply]:
                    writer.write(piece)
                    await writer.drain()
                    if self.byte_by_byte:
                        await asyncio.sleep(self.byte_pause_s)
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            self.open_now -= 1
            self._free_at_s = time.monotonic() + self.refuses_for_s
            writer.close()

    async def say(self, unasked: bytes) -> None:
        assert self._writer is not None
        self._writer.write(unasked)
        await self._writer.drain()
        await asyncio.sleep(0.02)  # until it has arrived

    async def let_go(self) -> None:
        """Until the last connection has ended on this side too."""
        while self.open_now:
            await asyncio.sleep(0.001)

    def answer(self, text: str) -> bytes:
        answers = []
        path: list[str] = []
        for unit in text.split(";"):
            header, _, argument = unit.strip().partition(" ")
            query = header.endswith("?")
            name = header.rstrip("?")
            if name.startswith("*"):
                canonical = name.upper()
            else:
                keywords = [short(word) for word in name.lstrip(":").split(":")]
                keywords = keywords if name.startswith(":") or not path else path + keywords
                path = keywords[:-1]
                canonical = ":".join(word for word in keywords if word not in {"SOUR", "STAT"})
            if query:
                answers.append(self.ask(canonical, argument))
            else:
                self.set(canonical, argument)
        return (";".join(answers) + "\n").encode() if answers else b""

    def ask(self, header: str, argument: str) -> str:
        if header == "*IDN":
            return self.identity
        if header == "SYST:ERR":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if header == "FETC":
            channels = re.fullmatch(r"\(@([0-9,]+)\)", argument)
            assert channels, argument
            return ",".join(self.values[f"FETC{channel}"] for channel in channels[1].split(","))
        return self.values[header]

    def set(self, header: str, argument: str) -> None:
        if header in self.errors_by_header:
            self.errors.append(self.errors_by_header[header])
        elif header in {"OUTP", "INP"} and header not in self.deaf_headers:
            on = argument.upper() in {"ON", "1"} and self.values.get(f"{self.trip_of(header)}") != "1"
            self.values[header] = str(int(on))
        elif header == "OUTP:PROT:CLE":
            if header not in self.deaf_headers:
                self.values["VOLT:PROT:TRIP"] = "0"
        elif header not in self.deaf_headers:
            assert header in self.values, header
            self.values[header] = argument

    @staticmethod
    def trip_of(header: str) -> str:
        return "VOLT:PROT:TRIP" if header == "OUTP" else "INP:PROT:TRIP"

    @property
    def texts(self) -> list[str]:
        return [one.text for one in self.heard]


def fresh(kind: str) -> FakeInstrument:
    values = {
        "supply": {
            "OUTP": "0",
            "VOLT": "0.000",
            "CURR": "1.000",
            "VOLT:PROT": "60.00",
            "VOLT:PROT:TRIP": "0",
            "MEAS:VOLT": "23.998",
            "MEAS:CURR": "1.2503",
        },
        "sink": {
            "INP": "0",
            "FUNC": "CURR",
            "VOLT": "0.000",
            "CURR:LIM": "1.000",
            "INP:PROT:TRIP": "0",
            "MEAS:VOLT": "+2.3998E+01",
            "MEAS:CURR": "0.0",
        },
        "measuring_unit": {f"FETC{channel}": f"{channel}.5" for channel in range(1, 7)},
    }[kind]
    return FakeInstrument(identity=IDENTITIES[kind], values=values)


async def _serving(kind: str) -> AsyncIterator[FakeInstrument]:
    fake = fresh(kind)
    server = await asyncio.start_server(fake.serve, "127.0.0.1", 0)
    fake.port = server.sockets[0].getsockname()[1]
    async with server:
        yield fake
        async with asyncio.timeout(2.0):  # a driver that leaves a connection open fails its test here
            while fake.open_now:
                await asyncio.sleep(0.001)


@pytest.fixture
async def supply_device() -> AsyncIterator[FakeInstrument]:
    async for fake in _serving("supply"):
        yield fake


@pytest.fixture
async def sink_device() -> AsyncIterator[FakeInstrument]:
    async for fake in _serving("sink"):
        yield fake


@pytest.fixture
async def measuring_unit_device() -> AsyncIterator[FakeInstrument]:
    async for fake in _serving("measuring_unit"):
        yield fake


@pytest.fixture(autouse=True)
def no_thread_stays() -> Iterator[None]:
    yield
    deadline_s = time.monotonic() + 2.0
    while threads() and time.monotonic() < deadline_s:
        time.sleep(0.005)
    assert not threads()


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith("scpi ")]


@pytest.fixture
def driver_threads() -> Callable[[], list[threading.Thread]]:
    return threads


@pytest.fixture
def supply_settings() -> Callable[..., Any]:
    def make(fake: FakeInstrument, **changes: Any) -> ScpiSupplySettings:
        given = {
            "host": "127.0.0.1",
            "port": fake.port,
            "identity": "Quillmoor Instruments,QS80-60",
            "max_voltage_v": 80.0,
            "max_current_a": 60.0,
            "reply_time_s": 0.4,  # the longest, for a machine that does other things too
        }
        return ScpiSupplySettings.model_validate(given | changes)

    return make
