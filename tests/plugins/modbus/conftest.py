"""A Modbus device on loopback, made of raw bytes and nothing of pymodbus, that misbehaves as it is told."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from benchd_modbus.settings import ModbusDriveSettings, ModbusSafetyChainSettings, ModbusThermometersSettings

STATUS_OF = {
    "not ready": 0x0000,
    "disabled": 0x0250,
    "ready": 0x0231,
    "switched on": 0x0233,
    "enabled": 0x0237,
    "quick stop": 0x0217,
    "reaction": 0x021F,
    "fault": 0x0218,
}
MOVES = {  # by the standard's figure of the state machine, typed in by hand
    ("disabled", 0x06): "ready",
    ("ready", 0x07): "switched on",
    ("ready", 0x00): "disabled",
    ("switched on", 0x0F): "enabled",
    ("switched on", 0x06): "ready",
    ("switched on", 0x00): "disabled",
    ("enabled", 0x07): "switched on",
    ("enabled", 0x06): "ready",
    ("enabled", 0x00): "disabled",
    ("enabled", 0x02): "quick stop",
    ("quick stop", 0x00): "disabled",
}


def crc(frame: bytes) -> bytes:
    """CRC-16 of a serial frame bit by bit (Modbus over Serial Line V1.02, 6.2.2), low byte first."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


@dataclass
class RawDevice:
    """Registers, coils, a drive's state machine, and a list of ways to answer the next requests."""

    rtu: bool = False
    holding: dict[int, int] = field(default_factory=dict)
    input: dict[int, int] = field(default_factory=dict)
    discrete: dict[int, bool] = field(default_factory=dict)
    coils: dict[int, bool] = field(default_factory=dict)
    state: str = "disabled"
    obeys: bool = True
    keeps_permit: bool = False
    requests: list[bytes] = field(default_factory=list)  # PDUs as they came
    frames: list[bytes] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    connections: int = 0
    refused: int = 0
    refuse_until: float = 0.0
    behave: Callable[[int, bytes], Any] | None = None  # (number of request, pdu) -> None or a way to answer
    open: list[asyncio.StreamWriter] = field(default_factory=list)
    port: int = 0

    def words(self, address: int, *values: int) -> None:
        for at, value in enumerate(values):
            self.holding[address + at] = value & 0xFFFF

    def double(self, address: int, value: int) -> None:
        self.words(address, (value >> 16) & 0xFFFF, value)

    def always(self, way: Any) -> None:
        """Answer every request in this way from now on."""
        self.behave = lambda _number, _pdu: way

    def commands(self) -> list[int]:
        """The controlwords that arrived alone."""
        return [int.from_bytes(pdu[3:5], "big") for pdu in self.requests if pdu[:3] == b"\x06\x00\x00"]

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        loop = asyncio.get_running_loop()
        if self.open or loop.time() < self.refuse_until:
            self.refused += 1
            writer.close()
            return
        self.open.append(writer)
        self.connections += 1
        try:
            while True:
                frame = await self._frame(reader)
                header, pdu = (frame[:1], frame[1:-2]) if self.rtu else (frame[:7], frame[7:])
                self.frames.append(frame)
                self.requests.append(pdu)
                self.times.append(loop.time())
                way = self.behave(len(self.requests), pdu) if self.behave else None
                await self._answer(writer, header, pdu, way)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self.open.remove(writer)
            writer.close()

    async def _frame(self, reader: asyncio.StreamReader) -> bytes:
        if not self.rtu:
            header = await reader.readexactly(7)
            return header + await reader.readexactly(int.from_bytes(header[4:6], "big") - 1)
        frame = await reader.readexactly(8)
        if frame[1] in {15, 16}:
            frame += await reader.readexactly(frame[6] + 1)
        assert crc(frame[:-2]) == frame[-2:]
        return frame

    async def _answer(self, writer: asyncio.StreamWriter, header: bytes, pdu: bytes, way: Any) -> None:
        if way == "hang":
            return
        if way == "close":
            raise ConnectionError
        if isinstance(way, tuple) and way[0] == "before":
            await asyncio.sleep(way[1])
        reply = self.act(pdu)
        if isinstance(way, tuple) and way[0] == "after":
            await asyncio.sleep(way[1])
        if isinstance(way, tuple) and way[0] == "exception":
            reply = bytes((pdu[0] | 0x80, way[1]))
        if isinstance(way, tuple) and way[0] == "reply":
            reply = way[1]
        if self.rtu:
            frame = header + reply
            frame += crc(frame)
        else:
            frame = header[:4] + struct.pack(">HB", len(reply) + 1, header[6]) + reply
        if callable(way):
            frame = way(frame)
        if way == "bytes":
            for at in range(len(frame)):
                writer.write(frame[at : at + 1])
                await writer.drain()
                await asyncio.sleep(0)
            return
        writer.write(frame)

    def act(self, pdu: bytes) -> bytes:
        function, address, count = struct.unpack(">BHH", pdu[:5])
        if function in {1, 2}:
            table = self.coils if function == 1 else self.discrete
            bits = sum(bool(table.get(address + at)) << at for at in range(count))
            size = (count + 7) // 8
            return bytes((function, size)) + bits.to_bytes(size, "little")
        if function in {3, 4}:
            self.holding[100] = STATUS_OF[self.state]
            self.holding[101] = self.holding.get(1, 0)
            table = self.holding if function == 3 else self.input
            words = [table.get(address + at, 0) for at in range(count)]
            return struct.pack(f">BB{count}H", function, 2 * count, *words)
        if function == 5:
            self.coils[address] = count == 0xFF00
            if address == 1 and self.coils[1] and not self.keeps_permit:
                self.discrete[4] = False
            return pdu
        words = [count] if function == 6 else list(struct.unpack(f">{count}H", pdu[6:]))
        last = self.holding.get(0, 0)
        self.words(address, *words)
        if address == 0 and self.obeys:
            self._command(last, words[0])
        return pdu[:5]

    def _command(self, last: int, word: int) -> None:
        if self.state == "fault":
            if word & 0x80 and not last & 0x80:
                self.state = "disabled"
                self.holding[108] = 0
            return
        self.state = MOVES.get((self.state, word), self.state)


@contextlib.asynccontextmanager
async def on_loopback(device: RawDevice) -> AsyncIterator[RawDevice]:
    async with await asyncio.start_server(device.serve, "127.0.0.1", 0) as server:
        device.port = server.sockets[0].getsockname()[1]
        try:
            yield device
        finally:
            for writer in device.open:
                writer.close()
            await asyncio.sleep(0.01)


def as_drive(device: RawDevice) -> RawDevice:
    """A drive of 2 N·m at 3000 r/min, unit 1, that reports what the tests expect."""
    device.words(10, 2, 1, 2)
    device.words(102, -250, 0)
    device.double(104, 15000)
    device.double(106, 320_500)
    device.words(108, 0, 456)
    device.double(110, 2000)
    device.double(114, 60_000)
    device.words(116, 900, 0x51, 0x0402)
    return device


@pytest.fixture
async def device() -> AsyncIterator[RawDevice]:
    async with on_loopback(as_drive(RawDevice())) as one:
        yield one


@pytest.fixture
async def serial_device() -> AsyncIterator[RawDevice]:
    async with on_loopback(as_drive(RawDevice(rtu=True))) as one:
        yield one


@pytest.fixture(params=["tcp", "rtu"])
async def either_device(request: pytest.FixtureRequest) -> AsyncIterator[RawDevice]:
    async with on_loopback(as_drive(RawDevice(rtu=request.param == "rtu"))) as one:
        yield one


@pytest.fixture
def drive_settings() -> Callable[..., ModbusDriveSettings]:
    def make(device: RawDevice, **more: Any) -> ModbusDriveSettings:
        given = {"torque_sign": -1, "max_torque_nm": 1.5, "max_speed_rpm": 4000.0, "reply_time_s": 0.1}
        where = {"host": "127.0.0.1", "port": device.port, "framing": "rtu" if device.rtu else "tcp"}
        return ModbusDriveSettings.model_validate(given | where | more)

    return make


@pytest.fixture
def thermometer_settings() -> Callable[..., ModbusThermometersSettings]:
    def make(device: RawDevice, **more: Any) -> ModbusThermometersSettings:
        given = {"registers": {"winding": 0, "housing": 1, "ambient": 2}, "reply_time_s": 0.1}
        return ModbusThermometersSettings.model_validate(given | {"host": "127.0.0.1", "port": device.port} | more)

    return make


@pytest.fixture
def chain_settings() -> Callable[..., ModbusSafetyChainSettings]:
    def make(device: RawDevice, **more: Any) -> ModbusSafetyChainSettings:
        given = {"reply_time_s": 0.1, "withdraw_time_s": 0.1}
        return ModbusSafetyChainSettings.model_validate(given | {"host": "127.0.0.1", "port": device.port} | more)

    return make


@pytest.fixture(autouse=True)
async def no_task_is_left() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    await asyncio.sleep(0)
    mine = {one for one in asyncio.all_tasks() - before - {asyncio.current_task()} if "serve" not in repr(one)}
    assert not mine, f"left running: {mine}"
