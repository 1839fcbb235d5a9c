"""Manual work on the twin in virtual time: what a hand may order and what it may not."""

import asyncio
import itertools
import math
from pathlib import Path

import pytest

from benchd.rules.by_hand import OrderRefused
from benchd.rules.moves import Role, Speed, Torque
from benchd.rules.states import State

from .manual_bench import BRUSHED, BRUSHLESS, Hand, by_hand

pytestmark = pytest.mark.virtual_time


async def turning(hand: Hand, rpm: float = 1000.0) -> None:
    hand.order("voltage_v", 48.0)
    await hand.sees("dc_voltage", 48.0, within=1.0)
    hand.order("speed_rpm", rpm)
    await hand.sees("shaft_speed", rpm, within=10.0)


def sentences(hand: Hand, event: str) -> list[str]:
    return [str(fields["sentence"]) for fields in hand.on_twin.told(event)]


# what a hand does


async def test_a_brushless_motor_is_fed_turned_and_loaded_and_left_through_measured_standstill(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.order("torque_nm", 0.4)
        await hand.sees("shaft_torque", 0.4, within=0.05)
        assert abs(hand.on_twin.truth.motor_speed_rpm - 1000.0) < 20.0
        hand.order("leave")
        assert await hand.on_twin.settle() is State.COMPLETE
        assert abs(hand.on_twin.truth.motor_speed_rpm) < hand.live.plan.stopping.standstill_rpm
        assert hand.on_twin.recorded.endings == [("complete", "all tests were played")]
        assert hand.on_twin.states[-2:] == ["Completing", "Complete"]


async def test_a_brushed_motor_is_fed_by_voltage_and_loaded_by_hand(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHED) as hand:
        hand.order("voltage_v", 12.0)
        await hand.sees("dc_voltage", 12.0, within=0.3)
        await asyncio.sleep(1.0)
        idle_nm = hand.seen("shaft_torque")
        hand.order("torque_nm", 0.05)
        await asyncio.sleep(2.0)
        assert abs(hand.seen("shaft_torque") - idle_nm - 0.05) < 0.01
        assert hand.on_twin.truth.motor_speed_rpm > 500.0
        hand.order("current_a", 2.0)
        await hand.on_twin.until(
            lambda: hand.live.setpoints.now(Role.SUPPLY).current_limit_a == 2.0,
            "the supply's current limit",
        )
        hand.order("leave")
        assert await hand.on_twin.settle() is State.COMPLETE


async def test_the_load_drive_makes_the_speed_of_a_brushed_motor_and_the_voltage_its_torque(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHED) as hand:
        hand.order("speed_by", by="load")
        hand.order("speed_rpm", 400.0)
        await hand.sees("shaft_speed", 400.0, within=10.0)
        volts = 400.0 * hand_ke(hand) * math.pi / 30.0
        hand.order("voltage_v", round(volts + 1.0, 2))
        await hand.sees("dc_voltage", round(volts + 1.0, 2), within=0.3)
        assert abs(hand.seen("shaft_speed") - 400.0) < 20.0
        hand.order("zero")
        await hand.on_twin.until(lambda: not hand.desk.zeroing, "everything at zero")
        assert abs(hand.on_twin.truth.motor_speed_rpm) < 30.0
        assert hand.on_twin.state is State.EXECUTE


def hand_ke(hand: Hand) -> float:
    return float(hand.on_twin.run.tests[0].around.plate.ke_v_s)


async def test_who_makes_the_speed_changes_at_measured_standstill_only(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand, 300.0)
        with pytest.raises(OrderRefused, match="at standstill only"):
            hand.order("speed_by", by="load")
        hand.order("speed_rpm", 0.0)
        with pytest.raises(OrderRefused, match="at standstill only"):
            hand.order("speed_by", by="load")
        await hand.sees("shaft_speed", 0.0, within=2.0)
        await asyncio.sleep(0.5)
        hand.order("speed_by", by="load")
        hand.order("speed_rpm", 300.0)
        await hand.sees("shaft_speed", 300.0, within=10.0)
        assert isinstance(hand.live.setpoints.now(Role.LOAD_DRIVE), Speed)
        assert isinstance(hand.live.setpoints.now(Role.MOTOR_DRIVE), Torque)
        hand.order("torque_nm", 0.2)
        await hand.sees("shaft_torque", 0.2, within=0.1)


async def test_small_steps_add_to_what_was_ordered_and_not_to_what_is_measured(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        for _ in range(5):
            hand.order("speed_rpm", 100.0, relative=True)
        assert hand.desk.ordered.speed_rpm == 500.0
        hand.order("speed_rpm", -50.0, relative=True)
        await hand.sees("shaft_speed", 450.0, within=10.0)


async def test_a_gentler_slope_in_the_order_is_kept_and_a_steeper_one_refused(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand, 200.0)
        began_s = asyncio.get_running_loop().time()
        hand.order("speed_rpm", 400.0, slope_per_s=50.0)
        await hand.sees("shaft_speed", 400.0, within=5.0)
        assert 3.5 < asyncio.get_running_loop().time() - began_s < 5.0
        hand.order("voltage_v", 44.0, slope_per_s=2.0)
        await asyncio.sleep(1.0)
        assert 45.5 < hand.live.setpoints.now(Role.SUPPLY).voltage_v < 46.5
        steepest = hand.live.plan.slopes.speed_rpm_per_s
        with pytest.raises(OrderRefused, match="this bench allows"):
            hand.order("speed_rpm", 500.0, slope_per_s=steepest * 1.01)
        assert hand.desk.ordered.speed_rpm == 400.0


async def test_no_set_point_moves_faster_than_the_bench_s_slope(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        seen: list[tuple[float, float]] = []
        loop = asyncio.get_running_loop()
        for _ in range(300):
            await asyncio.sleep(0.01)
            seen.append((loop.time(), hand.live.setpoints.now(Role.SUPPLY).voltage_v))
        slope = hand.live.plan.slopes.voltage_v_per_s
        assert seen[-1][1] > 10.0
        assert all(b[1] - a[1] <= slope * 0.021 for a, b in itertools.pairwise(seen))


async def test_zero_takes_torque_before_speed_and_the_voltage_once_the_shaft_stands(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand)
        hand.order("torque_nm", 0.4)
        await hand.sees("shaft_torque", 0.4, within=0.05)
        hand.order("zero")
        with pytest.raises(OrderRefused, match="on its way to zero"):
            hand.order("speed_rpm", 100.0)
        points = hand.live.setpoints
        while hand.desk.zeroing:
            speed, load = points.now(Role.MOTOR_DRIVE), points.now(Role.LOAD_DRIVE)
            if isinstance(speed, Speed) and speed.speed_rpm < 1000.0:
                assert load.torque_nm == 0.0
            if points.now(Role.SUPPLY).voltage_v < 48.0:
                assert not isinstance(speed, Speed) or speed.speed_rpm == 0.0
                assert abs(hand.seen("shaft_speed")) <= 2.0 * hand.live.plan.stopping.standstill_rpm
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.1)
        assert points.now(Role.SUPPLY).voltage_v == 0.0
        assert isinstance(points.now(Role.MOTOR_DRIVE), Torque), "nothing feeds it: it holds nothing"
        assert hand.on_twin.state is State.EXECUTE


async def test_a_jog_turns_while_it_is_ordered_and_comes_back_to_zero_when_it_is_let_go(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        for _ in range(20):
            hand.order("jog_rpm", 60.0)
            await asyncio.sleep(0.2)
        assert abs(hand.seen("shaft_speed") - 60.0) < 10.0
        with pytest.raises(OrderRefused, match="jogged"):
            hand.order("torque_nm", 0.1)
        await asyncio.sleep(0.7)  # the session itself is kept alive meanwhile
        await hand.sees("shaft_speed", 0.0, within=5.0, within_s=1.0)
        assert hand.on_twin.state is State.EXECUTE
        assert len(sentences(hand, "ordered")) == 2, "one event a jog, not one a repetition"
        assert sentences(hand, "jog_released") == ["The jog was let go: back to zero."]
        with pytest.raises(OrderRefused, match="what a jog may turn"):
            hand.order("jog_rpm", 1000.0)


# what a hand may not


REFUSED = [
    ("speed_rpm", 1e5, "not allowed by"),
    ("speed_rpm", -1e5, "not allowed by"),
    ("torque_nm", 1e3, "not allowed by"),
    ("voltage_v", 100.0, "not allowed by"),
    ("voltage_v", -1.0, "a supply's voltage"),
    ("current_a", 1.0, "here it is the run's"),
    ("speed_rpm", math.nan, "no finite number"),
    ("torque_nm", math.inf, "no finite number"),
    ("speed_rpm", None, "no finite number"),
    ("voltage_v", 0.0, "order zero"),
    ("jog_rpm", 60.0, "begins at rest"),
    ("jog_rpm", 1000.0, "begins at rest"),
]


async def test_an_order_beyond_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand, 300.0)
        before = hand.desk.ordered
        for order, value, because in REFUSED:
            with pytest.raises(OrderRefused, match=because):
                hand.order(order, value)
            assert hand.desk.ordered == before
        await asyncio.sleep(1.0)
        assert abs(hand.seen("shaft_speed") - 300.0) < 10.0
        assert len(sentences(hand, "ordered")) == 2
        refused = [one for one in hand.on_twin.recorded.events if one["event"] == "order_refused"]
        assert len(refused) == len(REFUSED)
        assert refused[0]["sentence"].startswith(
            "ines ordered speed 100000 r/min: A speed of 100000 r/min is not allowed"
        )


async def test_without_a_choice_for_the_session_a_hand_goes_as_far_as_the_rating_plate(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        for order, rated, key in (("speed_rpm", 3000.0, "speed_rpm"), ("torque_nm", 2.39, "torque_nm")):
            for way in (1.0, -1.0):
                with pytest.raises(OrderRefused, match=rf"not allowed by .*pump_48v\.toml:\d+ rated\.{key}: no "):
                    hand.order(order, way * rated * 1.001)
        hand.order("speed_rpm", 3000.0)
    async with by_hand(tmp_path, BRUSHLESS, max_speed_rpm=3200.0) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        hand.order("speed_rpm", 3100.0)
    async with by_hand(tmp_path, BRUSHED) as hand:
        assert hand.desk.ordered.current_a == 4.2
        with pytest.raises(OrderRefused, match=r"vent_flap_24v\.toml:\d+ rated\.current_a: no more than 4\.2"):
            hand.order("current_a", 4.3)


async def test_a_small_step_too_many_is_refused_at_the_bound(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS, max_speed_rpm=500.0) as hand:
        hand.order("voltage_v", 48.0)
        hand.order("speed_rpm", 450.0)
        with pytest.raises(OrderRefused, match="only below 500 r/min"):
            hand.order("speed_rpm", 50.0, relative=True)
        assert hand.desk.ordered.speed_rpm == 450.0


async def test_a_torque_without_a_voltage_is_refused_to_a_brushed_motor(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHED) as hand:
        with pytest.raises(OrderRefused, match="Without a voltage"):
            hand.order("torque_nm", 0.05)
        with pytest.raises(OrderRefused, match="Without a motor drive"):
            hand.order("speed_rpm", 100.0)
        hand.order("voltage_v", 12.0)
        hand.order("torque_nm", 0.02)
        with pytest.raises(OrderRefused, match="torque 0 first"):
            hand.order("voltage_v", 0.0)


async def test_what_was_tightened_for_the_session_trips_where_the_speed_only_follows(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHED, max_speed_rpm=600.0) as hand:
        hand.order("voltage_v", 20.0)
        await hand.on_twin.until(lambda: hand.on_twin.state is State.ABORTED, "Aborted")
        assert "shaft_speed above 600 r/min" in hand.live.cause.sentence
        with pytest.raises(OrderRefused, match="in Execute"):
            hand.order("voltage_v", 5.0)
        assert abs(hand.on_twin.truth.motor_speed_rpm) < 30.0


async def test_ten_thousand_orders_a_second_are_no_hand(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        taken = refused = 0
        for number in range(10_000):
            try:
                hand.order("speed_rpm", float(number % 100))
                taken += 1
            except OrderRefused as error:
                assert "no hand" in str(error)  # noqa: PT017 - counted beside
                refused += 1
        assert taken < 50
        assert refused > 9_900
        await asyncio.sleep(3.0)
        hand.order("speed_rpm", 200.0)
        await hand.sees("shaft_speed", 200.0, within=10.0)


async def test_a_shaft_whose_speed_is_not_read_is_not_taken_for_one_at_rest(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        await hand.sees("dc_voltage", 48.0, within=1.0)
        hand.desk._look(hand.live.intake.frame(asyncio.get_running_loop().time()))
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(type(hand.live.intake), "frame", lambda _self, time: _blind(time))
            await asyncio.sleep(0.05)
            with pytest.raises(OrderRefused, match="at standstill only"):
                hand.order("speed_by", by="load")


def _blind(time_mono_s: float):
    from benchd.rules.frames import Frame  # noqa: PLC0415 - here alone

    return Frame(time_mono_s, {})


async def test_every_order_is_an_event_of_the_run_with_who_and_what(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        hand.order("voltage_v", 48.0)
        hand.order("voltage_v", -8.0, relative=True)
        events = [one for one in hand.on_twin.recorded.events if one["event"] == "ordered"]
        assert [(one["by"], one["what"], one["value"]) for one in events] == [
            ("ines", "voltage_v", 48.0),
            ("ines", "voltage_v", 40.0),
        ]
        assert events[1]["sentence"] == "ines ordered voltage -8 V, now 40 V."
        assert [one["mode"] for one in hand.on_twin.recorded.events if one["event"] == "unit_mode"] == ["manual"]


async def test_what_is_held_is_said_to_the_outer_loops(tmp_path: Path) -> None:
    async with by_hand(tmp_path, BRUSHLESS) as hand:
        await turning(hand, 300.0)
        hand.order("torque_nm", 0.3)
        await hand.sees("shaft_torque", 0.3, within=0.05)
        move = hand.desk._move("")
        held = {role: (one.channel, round(one.value, 6)) for role, one in move.regulated.items()}
        assert held == {
            Role.SUPPLY: ("dc_voltage", 48.0),
            Role.MOTOR_DRIVE: ("shaft_speed", 300.0),
            Role.LOAD_DRIVE: ("shaft_torque", 0.3),
        }
