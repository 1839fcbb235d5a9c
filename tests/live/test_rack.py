"""What the rack believes of the link: its own channel and the sink across it, never the supply behind its diode."""

import asyncio
import math
from dataclasses import replace

import pytest

from benchd.rules.channels import Quality
from benchd.rules.frames import Sample

from .parts import World, parts

pytestmark = pytest.mark.virtual_time


async def test_a_link_beyond_its_range_is_charged_whatever_the_supply_shows() -> None:
    async with parts(World()) as rack:
        await asyncio.sleep(0.05)
        now_s = asyncio.get_running_loop().time()
        sink = rack.intake.readings[rack.plan.sink]
        rack.intake.readings[rack.plan.sink] = replace(sink, voltage_v=0.0)
        rack.intake.samples["link_voltage"] = Sample(102.0, Quality.OVER_RANGE, now_s)
        assert rack.link_voltage_v() == 102.0


async def test_the_sink_alone_can_tell_of_a_charged_link() -> None:
    async with parts(World()) as rack:
        await asyncio.sleep(0.05)
        now_s = asyncio.get_running_loop().time()
        rack.intake.samples["link_voltage"] = Sample(0.0, Quality.GOOD, now_s)
        sink = rack.intake.readings[rack.plan.sink]
        rack.intake.readings[rack.plan.sink] = replace(sink, voltage_v=75.0)
        assert rack.link_voltage_v() == 75.0


async def test_without_link_channel_and_sink_the_voltage_is_not_known() -> None:
    async with parts(World()) as rack:
        await asyncio.sleep(0.05)
        rack.intake.samples["link_voltage"] = Sample(math.nan, Quality.NOT_A_NUMBER, asyncio.get_running_loop().time())
        del rack.intake.readings[rack.plan.sink]
        assert math.isinf(rack.link_voltage_v())
