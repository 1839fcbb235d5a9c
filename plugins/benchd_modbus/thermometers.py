"""A temperature module. It only reads; an open sensor is None and never a number."""

import asyncio
from collections.abc import Mapping
from types import TracebackType

from benchd.contract import ThermometersReading
from benchd_modbus.connection import Connection, Line
from benchd_modbus.registers import decode
from benchd_modbus.settings import ModbusThermometersSettings


class Group:
    """The port "group": all thermometers of a module."""

    def __init__(self, connection: Connection, settings: ModbusThermometersSettings) -> None:
        self._connection = connection
        self._settings = settings
        self._first = min(settings.registers.values())
        self._count = max(settings.registers.values()) - self._first + 1

    async def read(self) -> ThermometersReading:
        """All temperatures in one exchange."""
        loop = asyncio.get_running_loop()
        with self._connection.call() as line:
            started_mono_s = loop.time()
            words = await line.read_registers(self._settings.table, self._first, self._count)
            taken_mono_s = 0.5 * (started_mono_s + loop.time())
        return ThermometersReading(
            temperatures_degc={
                name: self._temperature_degc(words[register - self._first])
                for name, register in self._settings.registers.items()
            },
            taken_mono_s=taken_mono_s,
        )

    async def look_first(self, line: Line) -> None:
        """See that the device answers for all its registers."""
        await line.read_registers(self._settings.table, self._first, self._count)

    def _temperature_degc(self, word: int) -> float | None:
        raw = decode((word,), number_type="i16")
        return None if raw == self._settings.open_value else raw * self._settings.degc_per_step


class ModbusThermometers:
    """A temperature module with one group of thermometers."""

    def __init__(self, settings: ModbusThermometersSettings) -> None:
        self._connection = Connection(settings, what="thermometers")
        self._group = Group(self._connection, settings)

    async def __aenter__(self) -> Mapping[str, Group]:
        """Open and read once."""
        try:
            await self.reconnect()
        except BaseException:
            await self._connection.close()
            raise
        return {"group": self._group}

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Close; idempotent."""
        await self._connection.close()

    async def reconnect(self) -> None:
        """Replace the connection."""
        await self._connection.open(self._group.look_first)


def thermometers(settings: ModbusThermometersSettings) -> ModbusThermometers:
    """The driver that the manifest names."""
    return ModbusThermometers(settings)
