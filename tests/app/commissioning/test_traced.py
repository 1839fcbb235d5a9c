"""Drivers seen through a trace: every order is noted and goes through, readings alone can be withheld."""

import asyncio

import pytest

from benchd.app.commissioning.traced import Trace, TracedDriver
from benchd.contract import Energises, Thermometers


class Output:
    """A port that counts what reaches it."""

    label = "output"

    def __init__(self) -> None:
        self.told: list[str] = []

    async def read(self) -> str:
        await asyncio.sleep(0.001)
        return "a reading"

    async def make_safe(self) -> None:
        await asyncio.sleep(0.02)
        self.told.append("make_safe")

    async def refuse(self) -> None:
        raise ValueError("no")


class Device:
    """A driver of one output."""

    def __init__(self) -> None:
        self.output = Output()
        self.left = False

    async def __aenter__(self) -> dict[str, Output]:
        return {"output": self.output}

    async def __aexit__(self, *_: object) -> None:
        self.left = True

    async def reconnect(self) -> None:
        self.output.told.append("reconnect")


async def test_an_order_is_noted_with_its_times_and_reaches_the_device_also_while_readings_are_withheld() -> None:
    trace, device = Trace(), Device()
    driver = TracedDriver("supply", device, trace)
    ports = await driver.__aenter__()
    output = ports["output"]
    assert isinstance(output, Energises)
    assert isinstance(output, Thermometers)  # it reads, and no more is asked of one
    assert await output.read() == "a reading"
    assert not trace.orders
    trace.withheld = "supply"
    with pytest.raises(TimeoutError):
        await asyncio.wait_for(output.read(), 0.1)
    await output.make_safe()
    assert device.output.told == ["make_safe"]
    (order,) = trace.orders
    assert (order.port, order.name) == ("supply.output", "make_safe")
    assert order.ended_mono_s is not None
    assert order.ended_mono_s - order.began_mono_s == pytest.approx(0.02, abs=0.005)
    trace.withheld = "load_drive"
    assert await output.read() == "a reading"
    await driver.__aexit__(None, None, None)
    assert device.left


async def test_an_order_that_was_not_obeyed_has_no_end_and_one_of_before_is_not_counted() -> None:
    trace = Trace()
    ports = await TracedDriver("supply", Device(), trace).__aenter__()
    output = ports["output"]
    async with asyncio.TaskGroup() as group:
        group.create_task(output.make_safe())
        await asyncio.sleep(0.01)
        trace.clear()
    assert not trace.orders
    with pytest.raises(ValueError, match="no"):
        await output.refuse()  # type: ignore[attr-defined]
    assert trace.orders[0].ended_mono_s is None
    assert trace.last_ended_mono_s() is None
    assert trace.first(frozenset({"load_drive.axis"})) is None
    assert trace.first(frozenset({"supply.output"})) is trace.orders[0]
