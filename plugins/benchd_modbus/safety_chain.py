"""The hardware safety chain as it shows itself: read, heartbeat, start warning, request to open. It never closes it."""

import asyncio
from collections.abc import Mapping
from types import TracebackType

from benchd.contract import Refused, ReplyWrong, SafetyChainReading
from benchd_modbus.connection import Connection, Line
from benchd_modbus.settings import ChainInput, ModbusSafetyChainSettings

_POLL_S = 0.005


class Chain:
    """The port "chain"."""

    def __init__(self, connection: Connection, settings: ModbusSafetyChainSettings) -> None:
        self._connection = connection
        self._settings = settings
        self._first = min(settings.inputs.values())
        self._count = max(settings.inputs.values()) - self._first + 1

    async def read(self) -> SafetyChainReading:
        """All inputs in one exchange."""
        loop = asyncio.get_running_loop()
        with self._connection.call() as line:
            started_mono_s = loop.time()
            inputs = await self._inputs(line)
            taken_mono_s = 0.5 * (started_mono_s + loop.time())
        return SafetyChainReading(
            guard_closed=inputs["guard_closed"],
            estop_released=inputs["estop_released"],
            remote_selected=inputs["remote_selected"],
            torque_enabled=inputs["torque_enabled"],
            permit=inputs["permit"],
            taken_mono_s=taken_mono_s,
            release_pressed=inputs.get("release_pressed"),
        )

    async def beat(self, *, high: bool) -> None:
        """Write the heartbeat coil; the device repeats the request. A lost beat only opens the chain."""
        with self._connection.call() as line:
            await line.write_coil(self._settings.heartbeat_coil, on=high)

    async def withdraw_permit(self) -> None:
        """Ask the chain to open; confirmed by the permit read back as gone. Raises `Refused` when it stays."""
        loop = asyncio.get_running_loop()
        deadline_mono_s = loop.time() + self._settings.withdraw_time_s
        with self._connection.call() as line:
            await line.write_coil(self._settings.withdraw_coil, on=True)
            while (await self._inputs(line))["permit"]:
                if loop.time() >= deadline_mono_s:
                    raise Refused(
                        f"{self._connection.place} keeps its permit {self._settings.withdraw_time_s} s after it was "
                        f"asked to open: open it by hand, then check coil {self._settings.withdraw_coil}."
                    )
                await asyncio.sleep(_POLL_S)

    @property
    def announces_start(self) -> bool:
        """Whether the settings name the coil of a horn or lamp."""
        return self._settings.start_warning_coil is not None

    async def announce_start(self, *, on: bool) -> None:
        """Write the warning's coil and read it back. Raises `ReplyWrong` where it holds something else."""
        coil = self._settings.start_warning_coil
        if coil is None:
            return
        with self._connection.call() as line:
            await line.write_coil(coil, on=on)
            held = await line.read_coil(coil)
        if held is not on:
            raise ReplyWrong(
                f"{self._connection.place} does not hold the start warning that it was given: look at coil {coil}."
            )

    async def look_first(self, line: Line) -> None:
        """See that the device answers for all its inputs."""
        await self._inputs(line)

    async def _inputs(self, line: Line) -> Mapping[ChainInput, bool]:
        bits = await line.read_discrete_inputs(self._first, self._count)
        inverted = self._settings.inverted
        return {
            name: bits[address - self._first] != (name in inverted) for name, address in self._settings.inputs.items()
        }


class ModbusSafetyChain:
    """A safety chain's window for software. Leaving it only stops the beats: the chain then opens by itself."""

    def __init__(self, settings: ModbusSafetyChainSettings) -> None:
        self._connection = Connection(settings, what="safety chain")
        self._chain = Chain(self._connection, settings)

    async def __aenter__(self) -> Mapping[str, Chain]:
        """Open and read once; sends no beat."""
        try:
            await self.reconnect()
        except BaseException:
            await self._connection.close()
            raise
        return {"chain": self._chain}

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Close; idempotent. Writes nothing."""
        await self._connection.close()

    async def reconnect(self) -> None:
        """Replace the connection; sends no beat."""
        await self._connection.open(self._chain.look_first)


def safety_chain(settings: ModbusSafetyChainSettings) -> ModbusSafetyChain:
    """The driver that the manifest names."""
    return ModbusSafetyChain(settings)
