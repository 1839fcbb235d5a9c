"""Drivers whose calls are seen and whose replies can be withheld. It must never keep an order from its device."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

from benchd.contract import Driver, Port

LISTENING = frozenset({"read", "read_block", "beat"})  # what goes to a device all the time and changes nothing


@dataclass(frozen=True, slots=True)
class Order:
    """One call that tells a device something: when it was handed to the driver and when that said it was obeyed."""

    port: str  # "device.port"
    name: str  # the call's, such as make_safe
    began_mono_s: float
    ended_mono_s: float | None  # None where it was not obeyed, or not yet


@dataclass(slots=True)
class Trace:
    """What went to all devices of a bench since `clear`, and from which device no readings come just now."""

    orders: list[Order] = field(default_factory=list)
    withheld: str = ""

    def clear(self) -> None:
        """Forget what was seen; what is under way then is not counted any more."""
        self.orders = []

    def first(self, ports: frozenset[str]) -> Order | None:
        """The first order to one of these ports since `clear`, in the order of beginning."""
        return next((one for one in self.orders if one.port in ports), None)

    def last_ended_mono_s(self) -> float | None:
        """When the last order was obeyed."""
        return max((one.ended_mono_s for one in self.orders if one.ended_mono_s is not None), default=None)


class TracedDriver:
    """A driver seen through `trace`. Readings of a withheld device never come; every order goes through."""

    def __init__(self, name: str, driver: Driver, trace: Trace) -> None:
        self._name = name
        self._driver = driver
        self._trace = trace

    async def __aenter__(self) -> Mapping[str, Port]:
        ports = await self._driver.__aenter__()
        traced: dict[str, Any] = {
            port: _TracedPort(f"{self._name}.{port}", self._name, one, self._trace) for port, one in ports.items()
        }
        return traced

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        await self._driver.__aexit__(kind, error, trace)

    async def reconnect(self) -> None:
        """As the driver's."""
        await self._driver.reconnect()


class _TracedPort:
    """A port whose calls are noted; it has what the port has."""

    def __init__(self, ref: str, device: str, port: Any, trace: Trace) -> None:
        self._ref = ref
        self._device = device
        self._port = port
        self._trace = trace

    def __getattr__(self, name: str) -> Any:
        attribute = getattr(self._port, name)
        if not callable(attribute):
            return attribute

        async def listened(*arguments: Any, **named: Any) -> Any:
            if self._trace.withheld == self._device:
                await asyncio.Event().wait()  # the link's deadline ends it, as it does for a device that hangs
            return await attribute(*arguments, **named)

        async def told(*arguments: Any, **named: Any) -> Any:
            loop = asyncio.get_running_loop()
            began_s = loop.time()
            orders = self._trace.orders
            at = len(orders)
            orders.append(Order(self._ref, name, began_s, None))
            given = await attribute(*arguments, **named)
            orders[at] = Order(self._ref, name, began_s, loop.time())
            return given

        return listened if name in LISTENING or name.startswith("read") else told
