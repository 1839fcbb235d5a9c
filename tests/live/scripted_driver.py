"""A driver for tests: a supply on a make-believe wire where a reply that nobody fetched waits for the next reader.

That wire is what makes late replies dangerous, so the tests can see whether one ever reaches the wrong caller. Each
exchange follows the next entry of a script; without one it is answered after a millisecond.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from benchd.contract import LinkLost, SupplyReading, SupplySettings


@dataclass(frozen=True)
class Answer:
    after_s: float = 0.001


@dataclass(frozen=True)
class Fail:
    error: Exception
    after_s: float = 0.001


@dataclass(frozen=True)
class Deaf:
    """Swallows its cancellation and stays inside the driver until `until_s` after it began."""

    until_s: float


HANG = Answer(after_s=float("inf"))
Step = Answer | Fail | Deaf


async def follow(step: Step) -> None:
    """Take as long as the step does and fail when it does."""
    loop = asyncio.get_running_loop()
    if isinstance(step, Deaf):
        until_mono_s = loop.time() + step.until_s
        while loop.time() < until_mono_s:
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(until_mono_s - loop.time())
    elif step.after_s == float("inf"):
        await asyncio.Event().wait()
    else:
        await asyncio.sleep(step.after_s)
    if isinstance(step, Fail):
        raise step.error


class ScriptedDriver:
    """One device with supply outputs; `absent` and the scripts say how it behaves, the lists what was done to it."""

    def __init__(self, *, ports: tuple[str, ...] = ("output",)) -> None:
        self.absent = False
        self.calls: deque[Step] = deque()
        self.opens: deque[Step] = deque()
        self.safes: deque[Step] = deque()
        self.leaves: deque[Step] = deque()
        self.opened_at: list[float] = []  # attempts, also those that failed
        self.safe_at: list[float] = []
        self.safe_ended_at = float("-inf")
        self.left_at: list[float] = []
        self.sent: list[float] = []
        self.inside = 0  # ordinary calls inside the driver just now
        self.most_inside = 0
        self.safes_inside = 0
        self.most_safes_inside = 0
        self.entered = 0
        self.inbox: asyncio.Queue[float] = asyncio.Queue()
        self.ports = {name: ScriptedSupply(self) for name in ports}

    async def __aenter__(self) -> Mapping[str, "ScriptedSupply"]:
        await self.open()
        self.entered += 1
        return self.ports

    async def __aexit__(self, kind, error, trace, /) -> None:
        self.left_at.append(asyncio.get_running_loop().time())
        await follow(self.leaves.popleft() if self.leaves else Answer())
        for port in self.ports.values():
            port.output_on = False

    async def reconnect(self) -> None:
        await self.open()

    async def open(self) -> None:
        self.opened_at.append(asyncio.get_running_loop().time())
        self.inbox = asyncio.Queue()  # the old connection is closed with whatever was still in it
        await follow(self.opens.popleft() if self.opens else Answer(after_s=0.0))
        if self.absent:
            raise LinkLost("supply: nobody answers at 192.0.2.7, look at its mains switch")
        self.inbox = asyncio.Queue()


class ScriptedSupply:
    """One output; `ask` is an exchange that must bring back the number that was sent."""

    def __init__(self, driver: ScriptedDriver) -> None:
        self.driver = driver
        self.output_on = False
        self.voltage_v = 0.0

    async def ask(self, number: float) -> float:
        driver = self.driver
        step = driver.calls.popleft() if driver.calls else Answer()
        driver.inside += 1
        driver.most_inside = max(driver.most_inside, driver.inside)
        try:
            if driver.absent:
                raise LinkLost("supply: the connection is closed, look at its network cable")
            driver.sent.append(number)
            if isinstance(step, Answer) and step.after_s < float("inf"):
                inbox = driver.inbox
                asyncio.get_running_loop().call_later(step.after_s, inbox.put_nowait, number)
                return await inbox.get()
            await follow(step)
            return number
        finally:
            driver.inside -= 1

    async def make_safe(self) -> None:
        driver = self.driver
        driver.safe_at.append(asyncio.get_running_loop().time())
        driver.safes_inside += 1
        driver.most_safes_inside = max(driver.most_safes_inside, driver.safes_inside)
        try:
            driver.inbox = asyncio.Queue()
            await follow(driver.safes.popleft() if driver.safes else Answer())
            if driver.absent:
                raise LinkLost("supply: nobody answers at 192.0.2.7, look at its mains switch")
            self.output_on = False
        finally:
            driver.safes_inside -= 1
            driver.safe_ended_at = asyncio.get_running_loop().time()

    async def read(self) -> SupplyReading:
        taken_mono_s = asyncio.get_running_loop().time()
        voltage_v = await self.ask(self.voltage_v)
        return SupplyReading(
            voltage_v=voltage_v, current_a=0.0, output_on=self.output_on, tripped=False, taken_mono_s=taken_mono_s
        )

    async def read_settings(self) -> SupplySettings:
        voltage_v = await self.ask(self.voltage_v)
        return SupplySettings(
            voltage_v=voltage_v, current_limit_a=1.0, over_voltage_protection_v=60.0, output_on=self.output_on
        )

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        self.voltage_v = await self.ask(voltage_v)

    async def set_over_voltage_protection(self, voltage_v: float) -> None:
        await self.ask(voltage_v)

    async def switch_output(self, *, on: bool) -> None:
        self.output_on = bool(await self.ask(float(on)))

    async def clear_protection(self) -> None:
        await self.ask(0.0)
