"""A streaming measuring unit, a power analyser and a resistance meter for the tests, over real TCP."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import numpy as np

from .conftest import FakeInstrument

CONFLICT = '-221,"Settings conflict"'


@contextlib.asynccontextmanager
async def listening(fake: FakeInstrument) -> AsyncIterator[FakeInstrument]:
    server = await asyncio.start_server(fake.serve, "127.0.0.1", 0)
    fake.port = server.sockets[0].getsockname()[1]
    async with server:
        yield fake
        async with asyncio.timeout(2.0):  # a driver that leaves a connection open fails its test here
            await fake.let_go()


def answer_of(data: bytes, *, first_index: int = 0, lost: int = 0) -> bytes:
    length = str(len(data))
    return f"{first_index:012d},{lost:06d},#{len(length)}{length}".encode() + data + b"\n"


@dataclass
class StreamingUnit(FakeInstrument):
    """Hands out `block` samples of each channel at each look; sample n of channel c is n + c / 8."""

    identity: str = "Quillmoor Instruments,QM8,1009,1.0"
    values: dict[str, str] = field(
        default_factory=lambda: {
            "FORM": "ASC",
            "FORM:BORD": "NORM",
            "WAV:CHAN": "(@1)",
            "WAV:RATE": "1000",
            "WAV": "0",  # WAVeform:STATe
            "FETC1": "1.5",
            "FETC5": "3000",
        }
    )
    block: int = 100
    at: int = 0
    lost: int = 0
    replies: list[bytes] = field(default_factory=list)  # instead of the next true answers

    def answer(self, text: str) -> bytes:
        if text.upper() not in {"WAV:DATA?", "WAVEFORM:DATA?"}:
            return super().answer(text)
        if self.values["WAV"] == "0":
            self.errors.append(CONFLICT)
            return b""
        first, self.at = self.at, self.at + self.block
        answer = answer_of(self.samples(first, self.block).tobytes(), first_index=first, lost=self.lost)
        return self.replies.pop(0) if self.replies else answer

    def samples(self, first: int, count: int) -> np.ndarray:
        channels = self.values["WAV:CHAN"].count(",") + 1
        order = "<f4" if self.values["FORM:BORD"].upper().startswith("SWAP") else ">f4"
        return (np.arange(first, first + count)[:, None] + np.arange(channels) / 8.0).astype(order)

    def set(self, header: str, argument: str) -> None:
        if header == "WAV" and header not in self.deaf_headers:
            argument = str(int(argument.upper() in {"ON", "1"}))
            self.at = 0 if argument == "1" else self.at
        super().set(header, argument)


@dataclass
class Analyser(FakeInstrument):
    """Result n is n + 0.25 unless a test says otherwise."""

    identity: str = "Quillmoor Instruments,QP3,1010,1.0"
    values: dict[str, str] = field(
        default_factory=lambda: (
            {f"FETC{number}": f"{number}.25" for number in range(1, 17)}
            | {"SENS:BAND": "5.0E+05", "SENS:SWE:TIME": "0.1"}
        )
    )


@dataclass
class Meter(FakeInstrument):
    """Keeps the rules of its contacts and notes every breach of them; `contactor_looks` delays the contactor."""

    identity: str = "Quillmoor Instruments,QR2,1011,1.0"
    values: dict[str, str] = field(
        default_factory=lambda: {
            "CONT": "1",
            "ROUT:CLOS": "0",
            "CURR": "0",
            "MEAS:VOLT": "-0.24871",
            "MEAS:CURR": "-0.99984",
        }
    )
    welded: bool = False
    contactor_looks: int = 0  # looks at the feedback contact until it follows
    breaches: list[str] = field(default_factory=list)
    _wanted: str = "1"
    _looks: int = 0

    def ask(self, header: str, argument: str) -> str:
        if header == "CONT":
            self._looks += 1
            if self._looks > self.contactor_looks and not self.welded:
                self.values["CONT"] = self._wanted
        return super().ask(header, argument)

    def set(self, header: str, argument: str) -> None:
        values = self.values
        if header == "CONT":
            self._wanted, self._looks = str(int(argument == "ON")), 0
            if self._wanted == "1" and values["ROUT:CLOS"] != "0":
                self.breaches.append("power leads closed onto the meter")
            if not self.contactor_looks and not self.welded:
                values["CONT"] = self._wanted
        elif header == "ROUT:OPEN:ALL":
            if float(values["CURR"]):
                self.breaches.append("opened under current")
            values["ROUT:CLOS"] = "0"
        elif header == "ROUT:CLOS" and values["CONT"] == "1":
            self.breaches.append("connected with the power leads closed")
            self.errors.append(CONFLICT)
        elif header == "ROUT:CLOS" and header not in self.deaf_headers:
            values[header] = argument.strip("(@)")
        elif header == "CURR" and float(argument) and values["ROUT:CLOS"] == "0":
            self.errors.append(CONFLICT)
        else:
            super().set(header, argument)
