"""The control socket: what a test or a person at the simulated bench can do that no wire of the daemon can.

Its one job is one JSON object a line in, one a line out: tell the truth, break things, press buttons, read the log. It
listens on loopback only and is no part of the bench that it stands beside.
"""

import asyncio
import dataclasses
import json
import math
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

from benchd_rig.bench import Bench
from benchd_rig.control_requests import (
    ClearWireFaults,
    Commission,
    Press,
    ReadLog,
    Request,
    RequestRefusedError,
    SetPlantFault,
    SetWireFault,
    TellCrossing,
    TellTruth,
    Temperature,
    Trip,
    WatchCrossing,
    parsed,
)
from benchd_rig.safety_chain import Button, ResetRefusedError
from benchd_rig.servers import DeviceServers
from benchd_rig.wire_faults import UnknownFaultError

_LONGEST_LINE = 65536


class Control:
    """Carries out requests on a bench and its servers."""

    def __init__(self, bench: Bench, servers: DeviceServers) -> None:
        self._bench = bench
        self._servers = servers

    async def answer(self, line: str) -> dict[str, Any]:
        """The reply to one line: {"ok": true, ...} or {"ok": false, "error": sentence}."""
        try:
            request = parsed(line)
            self._bench.advance()
            return {"ok": True, **await self._carry_out(request)}
        except (RequestRefusedError, UnknownFaultError, ResetRefusedError) as refused:
            return {"ok": False, "error": str(refused)}

    async def _carry_out(self, request: Request) -> dict[str, Any]:
        match request:
            case TellTruth():
                return {"truth": _truth(self._bench)}
            case ReadLog():
                return {"log": self._log(request)}
            case TellCrossing():
                seen = self._bench.crossing
                return {"crossed_mono_s": seen.crossed_mono_s, "furthest": seen.furthest}
            case WatchCrossing():
                try:
                    self._bench.crossing.arm(request.name, above=request.above)
                except ValueError as error:
                    raise RequestRefusedError(str(error)) from error
            case SetWireFault():
                await self._wire_fault(request)
            case ClearWireFaults():
                await self._clear(request.device)
            case _:
                self._act_on_bench(request)
        return {}

    def _act_on_bench(self, request: Request) -> None:
        bench = self._bench
        match request:
            case SetPlantFault():
                amount = request.value if request.on is None else request.on
                if amount is None:
                    raise RequestRefusedError('Request \'plant_fault\' needs "on" or "value".')
                try:
                    bench.set_plant_fault(request.name, amount)
                except ValueError as error:
                    raise RequestRefusedError(str(error)) from error
            case Press():
                bench.safety_chain.press(_button(request.button))
            case Trip():
                bench.trip(self._here(request.device))
            case Temperature():
                self._temperature(request)
            case Commission():
                values = request.model_dump(exclude={"do", "device"}, exclude_none=True)
                bench.commission(self._here(request.device), values)

    async def _wire_fault(self, request: SetWireFault) -> None:
        server = self._servers.by_device[self._here(request.device)]
        parameters = {name: float(value) for name, value in request.__pydantic_extra__.items()}
        server.faults.switch(request.kind, on=request.on, times=request.times, parameters=parameters)
        if request.kind == "refuse":
            await (server.close() if request.on else server.start())

    async def _clear(self, device: str | None) -> None:
        names = self._servers.by_device if device is None else (self._here(device),)
        for name in names:
            self._servers.by_device[name].faults.clear()
            await self._servers.by_device[name].start()

    def _temperature(self, request: Temperature) -> None:
        group = self._bench.thermometers
        if request.device == "cabinet_thermometers":
            group = self._bench.cabinet_thermometers
        degc = math.nan if request.degc == "open" else request.degc
        try:
            group.put(request.name, degc)
        except KeyError:
            has = ", ".join(group.names)
            raise RequestRefusedError(f"{request.device} has no thermometer {request.name!r}; it has: {has}.") from None

    def _log(self, request: ReadLog) -> dict[str, list[dict[str, Any]]]:
        names = self._servers.by_device if request.device is None else (self._here(request.device),)
        return {
            name: [dataclasses.asdict(entry) for entry in self._servers.by_device[name].log.last(request.last)]
            for name in names
        }

    def _here(self, device: str) -> str:
        if device not in self._servers.by_device:
            raise RequestRefusedError(
                f"The bench has no device {device!r}; it has: {', '.join(self._servers.by_device)}."
            )
        return device


class ControlServer:
    """The control socket; an async context manager that listens while entered."""

    def __init__(self, control: Control, *, host: str = "127.0.0.1", port: int = 0) -> None:
        self._control = control
        self.host = host
        self.port = port
        self._server: asyncio.Server | None = None
        self._clients: dict[asyncio.Task[Any], asyncio.StreamWriter] = {}

    async def __aenter__(self) -> Self:
        """Listen. Raises `OSError` where the port is taken."""
        self._server = await asyncio.start_server(self._serve, self.host, self.port, limit=_LONGEST_LINE)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the socket and every connection."""
        if self._server is not None:
            self._server.close()
        for writer in self._clients.values():
            writer.transport.abort()  # ends its reader; a task cancelled from here would be reported as a defect
        await asyncio.gather(*self._clients, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # noqa: S101  (a coroutine that runs has one)
        self._clients[task] = writer
        try:
            while line := await reader.readline():
                reply = await self._control.answer(line.decode("utf-8", "replace"))
                writer.write(json.dumps(reply).encode() + b"\n")
                await writer.drain()
        except ValueError:
            writer.write(b'{"ok": false, "error": "The line is too long: send one JSON object a line."}\n')
        except ConnectionError:
            pass  # the client has left
        finally:
            self._clients.pop(task, None)
            writer.close()


def _button(name: str) -> Button:
    try:
        return Button(name)
    except ValueError:
        has = ", ".join(button.value for button in Button)
        raise RequestRefusedError(f"There is no button {name!r}; there are: {has}.") from None


def _truth(bench: Bench) -> dict[str, Any]:
    """The plant's truth and what each device holds; NaN becomes null."""
    chain, unit, meter = bench.safety_chain, bench.measuring_unit, bench.resistance_meter
    numbers = dataclasses.asdict(bench.plant.truth())
    states: dict[str, Callable[[], Any]] = {
        "supply_output_on": lambda: bench.supply.output_on,
        "supply_tripped": lambda: bench.supply.tripped,
        "sink_input_on": lambda: bench.sink.input_on,
        "sink_tripped": lambda: bench.sink.tripped,
        "power_leads_closed": lambda: meter.power_leads_closed,
        "resistance_meter_pair": lambda: meter.pair,
        "waveforms_running": lambda: unit.waveforms.running,
        "permit": lambda: chain.permit,
        "torque_enabled": lambda: chain.torque_enabled,
        "opened_by": lambda: chain.opened_by,
        "start_warning": lambda: chain.start_warning,
        "plant_faults": lambda: dataclasses.asdict(bench.plant.faults),
        "wire_faults": lambda: {name: faults.names() for name, faults in bench.faults.items()},
        "slipped_s": lambda: bench.slipped_s,
    }
    clean = {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in numbers.items()
    }
    return clean | {name: tell() for name, tell in states.items()} | _drives(bench)


def _drives(bench: Bench) -> dict[str, Any]:
    """State, fault code and power stage of each drive that the bench has."""
    return {
        f"{name}_{what}": value
        for name, drive in bench.drives.items()
        for what, value in (
            ("state", drive.state.value),
            ("fault_code", drive.fault_code),
            ("power_stage_on", drive.power_stage_on),
        )
    }
