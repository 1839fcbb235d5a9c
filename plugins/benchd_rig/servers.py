"""The seven devices of a bench on seven ports.

Its one job is to connect each device to a listening socket in its own language; it decides nothing about either.
"""

from collections.abc import Mapping
from types import TracebackType
from typing import Self

from benchd_rig.bench import DEVICES, IDENTITIES, OTHER_IDENTITY, Bench
from benchd_rig.measuring_unit import measuring_instrument
from benchd_rig.modbus_codec import DataModel
from benchd_rig.modbus_server import ModbusConversation
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_server import ScpiConversation
from benchd_rig.sink import sink_instrument
from benchd_rig.supply import supply_instrument
from benchd_rig.wire_server import Conversation, WireServer


class DeviceServers:
    """Servers by device name; an async context manager that listens while entered."""

    def __init__(self, bench: Bench, *, host: str = "127.0.0.1", ports: Mapping[str, int] | None = None) -> None:
        self.bench = bench
        wanted = ports or {}
        self.by_device = {
            name: WireServer(
                device=name,
                conversation=conversation,
                faults=bench.faults[name],
                host=host,
                port=wanted.get(name, 0),
            )
            for name, conversation in _conversations(bench).items()
        }

    async def __aenter__(self) -> Self:
        """Listen on every port. Raises `OSError` where one is taken, and then listens on none."""
        self.bench.advance()
        try:
            for server in self.by_device.values():
                await server.start()
        except BaseException:
            await self._close()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every port and connection."""
        await self._close()

    def addresses(self) -> dict[str, dict[str, str | int]]:
        """Host and port of each device."""
        return {name: {"host": s.host, "port": s.port} for name, s in self.by_device.items()}

    async def _close(self) -> None:
        for server in self.by_device.values():
            await server.close()


def _conversations(bench: Bench) -> Mapping[str, Conversation]:
    faults = bench.faults
    instruments: Mapping[str, ScpiInstrument] = {
        "supply": supply_instrument(
            bench.supply,
            faults=faults["supply"],
            identity=IDENTITIES["supply"],
            other_identity=OTHER_IDENTITY,
        ),
        "sink": sink_instrument(
            bench.sink, faults=faults["sink"], identity=IDENTITIES["sink"], other_identity=OTHER_IDENTITY
        ),
        "measuring_unit": measuring_instrument(
            bench.measuring_unit,
            faults=faults["measuring_unit"],
            identity=IDENTITIES["measuring_unit"],
            other_identity=OTHER_IDENTITY,
        ),
    }
    models: Mapping[str, DataModel] = {
        "load_drive": bench.drive_registers,
        "thermometers": bench.thermometers,
        "cabinet_thermometers": bench.cabinet_thermometers,
        "safety_chain": bench.safety_chain,
    }

    def drive_request() -> None:
        bench.advance()
        bench.load_drive.request_arrived()

    made: dict[str, Conversation] = {
        name: ScpiConversation(instrument=instrument, faults=faults[name], advance=bench.advance)
        for name, instrument in instruments.items()
    }
    for name, model in models.items():
        before = drive_request if name == "load_drive" else bench.advance
        made[name] = ModbusConversation(model=model, faults=faults[name], before_request=before)
    return {name: made[name] for name in DEVICES}
