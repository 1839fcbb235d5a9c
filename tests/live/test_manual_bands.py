"""A critical band under orders by hand on the twin in virtual time: crossed, whatever is ordered meanwhile."""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.live import manual
from benchd.rules.moves import Role, Speed
from benchd.rules.resonance import dwells_in
from benchd.rules.states import State

from .manual_bench import BRUSHLESS, Hand, by_hand

pytestmark = pytest.mark.virtual_time


def within(hand: Hand) -> bool:
    now = hand.live.setpoints.now(Role.MOTOR_DRIVE)
    bands = hand.on_twin.run.critical.bands
    return isinstance(now, Speed) and dwells_in(bands, speed_rpm=now.speed_rpm) is not None


async def loaded(hand: Hand) -> None:
    hand.order("voltage_v", 48.0)
    await hand.sees("dc_voltage", 48.0, within=1.0)
    hand.order("speed_rpm", 1000.0)
    await hand.sees("shaft_speed", 1000.0, within=10.0)
    hand.order("torque_nm", 1.5)
    await hand.sees("shaft_torque", 1.5, within=0.1)


async def stays_s(hand: Hand, until_rpm: float) -> float:
    """How long the set-point is within the band until it has gone past this speed in either direction, s."""
    loop = asyncio.get_running_loop()
    await hand.on_twin.until(lambda: within(hand), "a set-point within the band")
    began_s = before_s = loop.time()
    inside_s = 0.0
    while within(hand) or hand.live.setpoints.now(Role.MOTOR_DRIVE).speed_rpm != until_rpm:
        assert hand.on_twin.state is State.EXECUTE, hand.on_twin.told("tripped")
        assert loop.time() - began_s < 20.0
        await asyncio.sleep(0.002)
        now_s = loop.time()
        inside_s += now_s - before_s if within(hand) else 0.0
        before_s = now_s
    return inside_s


async def test_zero_that_is_ordered_within_the_band_takes_the_torque_away_beside_it(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await loaded(hand)
        hand.order("speed_rpm", 2000.0)
        await hand.on_twin.until(lambda: within(hand), "a set-point within the band")
        hand.order("zero")
        assert await stays_s(hand, 0.0) < 0.06  # 174 r/min at 4000 r/min a second; the torque takes 0.75 s


async def test_a_gentle_order_crosses_the_band_no_slower_than_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = manual.facts_of
    monkeypatch.setattr(
        "benchd.app.manual_run.facts_of", lambda *args, **more: replace(made(*args, **more), crossing_rpm_per_s=0.0)
    )
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await loaded(hand)
        hand.order("speed_rpm", 1400.0, slope_per_s=100.0)
        assert await stays_s(hand, 1400.0) < 0.2  # 174 r/min at the 4000 of the set-points, then 2000 by the desk
