"""How a manual session ends on the twin in virtual time: left, lost, held, stopped, taken over."""

import asyncio
from pathlib import Path

import pytest

from benchd.rules.by_hand import OrderRefused
from benchd.rules.moves import Role
from benchd.rules.states import Command, State

from .manual_bench import BRUSHLESS, Hand, by_hand

pytestmark = pytest.mark.virtual_time


async def turning(hand: Hand, rpm: float = 1000.0) -> None:
    hand.order("voltage_v", 48.0)
    await hand.sees("dc_voltage", 48.0, within=1.0)
    hand.order("speed_rpm", rpm)
    await hand.sees("shaft_speed", rpm, within=10.0)


def sentences(hand: Hand, event: str) -> list[str]:
    return [str(fields["sentence"]) for fields in hand.on_twin.told(event)]


async def test_a_hand_that_falls_silent_ends_the_run_which_comes_to_rest(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.alive = False
        began_s = asyncio.get_running_loop().time()
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTING, "Aborting")
        assert 1.7 < asyncio.get_running_loop().time() - began_s < 2.1
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
        assert "never goes on alone" in hand.live.cause.sentence
        assert hand.live.cause.reaction.name == "RAMP_DOWN"
        assert abs(hand.on_twin.truth.motor_speed_rpm) < 30.0
        assert hand.on_twin.recorded.endings[0][0] == "aborted"


async def test_orders_alone_keep_a_session_alive(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.alive = False
        for _ in range(6):
            hand.order("voltage_v", 1.0, relative=True)
            await asyncio.sleep(1.5)
        assert hand.on_twin.state is State.EXECUTE


async def test_a_hand_that_falls_silent_in_held_ends_the_run_too(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        assert await hand.on_twin.command(Command.HOLD) is State.HELD
        await asyncio.sleep(5.0)
        assert hand.on_twin.state is State.HELD, "it is kept alive"
        hand.alive = False
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
        assert "never goes on alone" in hand.live.cause.sentence


async def test_held_has_no_torque_takes_no_orders_and_goes_on_where_it_was(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.order("torque_nm", 0.4)
        await hand.sees("shaft_torque", 0.4, within=0.05)
        assert await hand.on_twin.command(Command.HOLD) is State.HELD
        assert hand.live.setpoints.now(Role.LOAD_DRIVE).torque_nm == 0.0
        with pytest.raises(OrderRefused, match="Held"):
            hand.order("speed_rpm", 500.0)
        await hand.on_twin.command(Command.UNHOLD, wait=False)
        await hand.on_twin.until(lambda: hand.on_twin.state is State.EXECUTE, "Execute")
        await hand.sees("shaft_torque", 0.4, within=0.05)
        await hand.on_twin.until(lambda: not hand.desk.is_held, "orders again")
        hand.order("speed_rpm", 500.0)
        await hand.sees("shaft_speed", 500.0, within=10.0)


async def test_hold_during_a_jog_ends_the_run(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        hand.order("jog_rpm", 60.0)
        hand.live.command(Command.HOLD, because="the test")
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
        assert "nobody jogs a shaft that is held" in hand.live.cause.sentence


async def test_another_hand_or_none_ends_the_run(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand, 200.0)
        hand.desk.hand = lambda: None
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
        assert "no control any more" in hand.live.cause.sentence


async def test_stop_ends_a_session_and_orders_while_it_stops_are_refused(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.live.command(Command.STOP, because="the test")
        await asyncio.sleep(0.05)
        assert hand.on_twin.state is State.STOPPING
        with pytest.raises(OrderRefused, match="in Execute"):
            hand.order("speed_rpm", 2000.0)
        with pytest.raises(OrderRefused, match="nothing to keep"):
            hand.desk.keep()
        assert await hand.on_twin.settle() is State.STOPPED
        assert abs(hand.on_twin.truth.motor_speed_rpm) < 30.0


async def test_orders_before_execute_are_refused(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS, start=False) as hand:
        with pytest.raises(OrderRefused, match="in Execute"):
            hand.order("voltage_v", 10.0)
        assert await hand.on_twin.command(Command.RESET) is State.IDLE
        with pytest.raises(OrderRefused, match="in Execute"):
            hand.order("voltage_v", 10.0)


async def test_a_second_session_begins_with_nothing_ordered(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.order("leave")
        assert await hand.on_twin.settle() is State.COMPLETE
        await hand.on_twin.start()
        await hand.on_twin.until(lambda: hand.desk.is_open, "an open desk")
        await asyncio.sleep(1.0)
        assert hand.desk.ordered.speed_rpm == hand.desk.ordered.voltage_v == 0.0
        assert abs(hand.on_twin.truth.motor_speed_rpm) < 30.0
