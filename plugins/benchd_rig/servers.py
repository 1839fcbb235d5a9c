"""The devices of a bench, each on its port.

Its one job is to connect each device to a listening socket in its own language; it decides nothing about either.
"""

from collections.abc import Callable, Mapping
from functools import partial
from types import TracebackType
from typing import Self

from benchd_rig.axis_drive import AxisDrive
from benchd_rig.bench import OTHER_IDENTITY, Bench
from benchd_rig.measuring_unit import measuring_instrument
from benchd_rig.modbus_codec import DataModel
from benchd_rig.modbus_server import ModbusConversation
from benchd_rig.power_analyser import analyser_instrument
from benchd_rig.resistance_meter import meter_instrument
from benchd_rig.scpi_instrument import ScpiInstrument
from benchd_rig.scpi_server import ScpiConversation
from benchd_rig.sink import sink_instrument
from benchd_rig.supply import supply_instrument
from benchd_rig.watchdog import CommunicationWatchdog
from benchd_rig.wire_server import Conversation, WireServer


class DeviceServers:
    """Servers by device name; an async context manager that listens while entered."""

    def __init__(self, bench: Bench, *, host: str = "127.0.0.1", ports: Mapping[str, int] | None = None) -> None:
        self.bench = bench
        wanted = ports or {}
        for name in wanted.keys() - {"control", *bench.devices}:
            raise ValueError(f"The bench of {bench.plant.specimen.name} has no {name}: leave its port out.")
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
    makers: dict[str, Callable[..., ScpiInstrument]] = {
        "supply": partial(supply_instrument, bench.supply),
        "sink": partial(sink_instrument, bench.sink),
        "measuring_unit": partial(measuring_instrument, bench.measuring_unit),
        "resistance_meter": partial(meter_instrument, bench.resistance_meter),
    }
    if bench.power_analyser is not None:
        makers["power_analyser"] = partial(analyser_instrument, bench.power_analyser)
    watchdogs = {"supply": bench.supply.watchdog, "sink": bench.sink.watchdog}
    models: Mapping[str, DataModel] = {
        "thermometers": bench.thermometers,
        "cabinet_thermometers": bench.cabinet_thermometers,
        "safety_chain": bench.safety_chain,
        **bench.registers,
    }
    made: dict[str, Conversation] = {}
    for name, make in makers.items():
        faults = bench.faults[name]
        instrument = make(faults=faults, identity=bench.identities[name], other_identity=OTHER_IDENTITY)
        watched = watchdogs.get(name)
        before = bench.advance if watched is None else partial(_message, bench, watched)
        made[name] = ScpiConversation(instrument=instrument, faults=faults, advance=before)
    for name, model in models.items():
        before = partial(_drive_request, bench, bench.drives[name]) if name in bench.drives else bench.advance
        made[name] = ModbusConversation(model=model, faults=bench.faults[name], before_request=before)
    return {name: made[name] for name in bench.devices}


def _message(bench: Bench, watchdog: CommunicationWatchdog) -> None:
    bench.advance()
    watchdog.message_arrived()


def _drive_request(bench: Bench, drive: AxisDrive) -> None:
    bench.advance()
    drive.request_arrived()
