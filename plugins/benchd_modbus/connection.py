"""One Modbus connection a device: opened, used by one call at a time, and never used again once it is out of step.

A line is out of step after a late, wrong or missing reply and after a cancelled call: what comes next on it may answer
an earlier question. Only opening a new one mends that. Nothing here retries, waits or logs by itself.
"""

import asyncio
import contextlib
import importlib.util
import logging
import socket
import struct
from collections.abc import Awaitable, Callable, Iterator, Sequence
from typing import Any

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU

from benchd.contract import DeviceFault, LinkLost, OutOfRange, Refused, ReplyWrong
from benchd_modbus.frames import EXCEPTIONS, Expected, expected_reply, is_complete
from benchd_modbus.registers import Table
from benchd_modbus.settings import WireSettings

_log = logging.getLogger("pymodbus")
if _log.level == logging.NOTSET:
    # Everything pymodbus would report is raised here as an error of the contract; the link says it once.
    _log.setLevel(logging.CRITICAL)

_HARMLESS = (Refused, OutOfRange, DeviceFault)  # the exchange itself was in order
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)
_PARITY = {"even": "E", "odd": "O", "none": "N"}


class Line:
    """One opened connection. `trouble` says why it must not be used (again)."""

    def __init__(self, wire: WireSettings, *, place: str, address: str | None) -> None:
        self.trouble: str | None = None
        self.busy = False
        self._wire = wire
        self._place = place
        self._rtu = wire.rtu
        self._device_id = wire.device_id
        self._expected: Expected | None = None
        self._client = _client(wire, address=address, packet=self._on_packet, connect=self._on_connect)

    async def open(self) -> None:
        """Connect. Raises `LinkLost` and then leaves nothing open."""
        asked = _cancel_requests()
        try:
            connected = await self._client.connect()
            _raise_a_swallowed_cancellation(since=asked)
        except BaseException:
            self.abandon("was not opened")
            raise
        if not connected:
            self.abandon("was not opened")
            raise LinkLost(f"{self._place} cannot be reached: check that it is on, its cable and its address.")

    @property
    def address(self) -> str | None:
        """The peer's numerical address, None for a serial line."""
        peer = self._client.ctx.transport.get_extra_info("peername") if self._client.ctx.transport else None
        return str(peer[0]) if peer else None

    def close(self) -> None:
        """Close in good order; idempotent."""
        self.trouble = self.trouble or "is closed"
        self._client.close()

    def abandon(self, why: str) -> None:
        """Close at once: a call that waits on it ends, and what is not sent yet never will be."""
        self.trouble = self.trouble or why
        self._fail(LinkLost(f"{self._place}: the connection was given up while a call was waiting on it."))
        transport: Any = self._client.ctx.transport
        if transport is not None:
            sock = transport.get_extra_info("socket")
            if sock is not None:
                # A reset tells a device with room for one connection that this one is over.
                with contextlib.suppress(OSError):
                    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
            transport.abort()
        self._client.close()

    async def read_registers(self, table: Table, address: int, count: int) -> Sequence[int]:
        """`count` registers from `address`, one exchange."""
        client = self._client
        read = client.read_holding_registers if table == "holding" else client.read_input_registers
        return (await self._exchange(read, address, count=count)).registers

    async def write_registers(self, address: int, words: Sequence[int]) -> None:
        """Write these holding registers in one request."""
        if len(words) == 1:
            await self._exchange(self._client.write_register, address, value=words[0])
        else:
            await self._exchange(self._client.write_registers, address, values=list(words))

    async def read_discrete_inputs(self, address: int, count: int) -> Sequence[bool]:
        """`count` discrete inputs from `address`, one exchange."""
        reply = await self._exchange(self._client.read_discrete_inputs, address, count=count)
        return reply.bits[:count]

    async def read_coil(self, address: int) -> bool:
        """What one coil holds."""
        reply = await self._exchange(self._client.read_coils, address, count=1)
        return bool(reply.bits[0])

    async def write_coil(self, address: int, *, on: bool) -> None:
        """Write one coil; the device repeats the request."""
        await self._exchange(self._client.write_coil, address, value=on)

    async def _exchange(self, call: Callable[..., Awaitable[ModbusPDU]], address: int, **arguments: Any) -> ModbusPDU:
        if self.trouble is not None:
            raise LinkLost(f"{self._place}: the connection {self.trouble}, reconnect first.")
        asked = _cancel_requests()
        try:
            reply = await call(address, device_id=self._device_id, **arguments)
        except ConnectionException as error:
            raise LinkLost(f"{self._place} is not connected, reconnect first.") from error
        except ModbusException as error:
            raise LinkLost(
                f"{self._place} gave no complete reply within {self._wire.reply_time_s} s: check that it is on "
                f"and that nobody else holds its connection."
            ) from error
        finally:
            self._expected = None
        _raise_a_swallowed_cancellation(since=asked)
        if reply.isError():
            why = EXCEPTIONS.get(reply.exception_code, "the device gives no reason that the standard knows")
            raise Refused(
                f"{self._place} refused function {reply.function_code & 0x7F} at address {address} with exception "
                f"{reply.exception_code}: {why}."
            )
        return reply

    def _on_packet(self, sending: bool, data: bytes) -> bytes:  # noqa: FBT001  (pymodbus calls it so)
        if sending:
            self._expected = expected_reply(data, rtu=self._rtu)
            return data
        if self._expected is None or self._client.ctx.response_future.done():
            self.trouble = self.trouble or "brought bytes that nobody asked for"
            return b""
        try:
            return data if is_complete(self._expected, data) else b""
        except ValueError as error:
            self.trouble = self.trouble or "brought a wrong reply"
            self._fail(ReplyWrong(f"{self._place} gave a wrong reply, {error}: reconnect, and look at the wiring."))
            return b""

    def _on_connect(self, connected: bool) -> None:  # noqa: FBT001  (pymodbus calls it so)
        if not connected:
            self.trouble = self.trouble or "was closed by the device"
            self._fail(
                LinkLost(
                    f"{self._place} closed the connection: check that nobody else holds it, many devices take one."
                )
            )

    def _fail(self, error: Exception) -> None:
        future = self._client.ctx.response_future
        if self._expected is not None and not future.done():
            future.set_exception(error)


class Connection:
    """The one connection to a device, and who may use it."""

    def __init__(self, wire: WireSettings, *, what: str) -> None:
        if wire.serial_device is not None and importlib.util.find_spec("serial") is None:
            raise ImportError(f"{what} at {wire.place}: a serial line needs pyserial, install it beside benchd.")
        self.place = f"{what} at {wire.place}"
        self._wire = wire
        self._line: Line | None = None
        self._address: str | None = None
        self._turn = 0
        self._left = True

    async def open(self, probe: Callable[[Line], Awaitable[None]]) -> None:
        """Replace the connection and let `probe` look at the device; if that fails nothing is left open."""
        self._left = False
        line = await self._dial(address=None)
        try:
            if self._wire.rtu:
                # Serial frames carry no number: a late reply must run out before it can pass for the next one.
                await asyncio.sleep(self._wire.reply_time_s)
            with self.call(line) as mine:
                await probe(mine)
        except BaseException:
            line.abandon("did not pass the first look at the device")
            raise

    @contextlib.contextmanager
    def call(self, line: Line | None = None) -> Iterator[Line]:
        """The line for one call. Whatever ends the call early leaves the line out of step.

        Raises `LinkLost` at once, without touching the wire, where the line is out of step or a call is under way.
        """
        line = self._line if line is None else line
        if line is None:
            raise LinkLost(f"{self.place} has no open connection, reconnect first.")
        if line.trouble is not None:
            raise LinkLost(f"{self.place}: the connection {line.trouble}, reconnect first.")
        if line.busy:
            raise LinkLost(f"{self.place}: another call is still under way, reconnect first.")
        line.busy = True
        try:
            yield line
        except _HARMLESS:
            raise
        except BaseException:
            line.trouble = line.trouble or "is out of step after a call that failed or was cancelled"
            raise
        finally:
            line.busy = False

    async def secure(self) -> None:
        """Have a line that nobody uses: the present one where it is sound and idle, a new one otherwise.

        A call that is under way on the old line ends with `LinkLost` and can send nothing more.
        """
        line = self._line
        if line is None or line.busy or line.trouble is not None:
            await self._dial(address=self._address)

    def must_be_entered(self) -> None:
        """Raises `LinkLost` after the driver was left: nothing opens the connection behind its back."""
        if self._left:
            raise LinkLost(f"{self.place} was left, enter the driver again.")

    async def _dial(self, *, address: str | None) -> Line:
        self.must_be_entered()
        self._turn += 1
        turn = self._turn
        if self._line is not None:
            self._line.abandon("was given up for a new one")
            self._line = None
            await asyncio.sleep(0)  # the old socket closes in this turn of the loop, before the new one knocks
        line = Line(self._wire, place=self.place, address=address)
        await line.open()
        if turn != self._turn or self._left:
            line.abandon("was overtaken by another one")
            raise LinkLost(f"{self.place}: another call opened the connection anew meanwhile.")
        self._line = line
        self._address = line.address
        return line

    async def close(self) -> None:
        """Close for good, until `open`; idempotent."""
        self._left = True
        self._turn += 1
        line, self._line = self._line, None
        if line is not None:
            if line.busy or line.trouble is not None:
                line.abandon("is closed")
            else:
                line.close()
            await asyncio.sleep(0)


def _cancel_requests() -> int:
    task = asyncio.current_task()
    return 0 if task is None else task.cancelling()


def _raise_a_swallowed_cancellation(*, since: int) -> None:
    # wait_for of Python 3.11 loses a cancellation that meets the reply in the same turn of the loop.
    if _cancel_requests() > since:
        raise asyncio.CancelledError


def _client(
    wire: WireSettings,
    *,
    address: str | None,
    packet: Callable[[bool, bytes], bytes],
    connect: Callable[[bool], None],
) -> AsyncModbusTcpClient | AsyncModbusSerialClient:
    # retries would send a write twice, and reconnect_delay 0 keeps pymodbus from opening behind the driver's back
    if wire.serial_device is not None:
        return AsyncModbusSerialClient(
            wire.serial_device,
            baudrate=wire.baudrate,
            parity=_PARITY[wire.parity],
            stopbits=2 if wire.parity == "none" else 1,
            timeout=wire.reply_time_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=packet,
            trace_connect=connect,
        )
    return AsyncModbusTcpClient(
        address or wire.host or "",
        port=wire.port,
        framer=FramerType.RTU if wire.rtu else FramerType.SOCKET,
        timeout=wire.reply_time_s,
        retries=0,
        reconnect_delay=0,
        trace_packet=packet,
        trace_connect=connect,
    )
