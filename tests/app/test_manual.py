"""Manual sessions over the commands: chosen, ordered, kept alive under one lease; and what is typed."""

import asyncio
from pathlib import Path

import pytest

from benchd.app.manual_prompt import ManualPrompt, NotUnderstood, nearest_limit, order_in
from benchd.outside.commands import Code
from benchd.outside.messages import LimitMeta, Meta
from benchd.rules.states import State

from .commanding import EPOCH, Commanded, commanded

pytestmark = pytest.mark.virtual_time

SESSION = {"motor": "vent_flap_24v", "setup": "vent_flap", "order": "17", "serial": "0042", "operator": "Odile"}


async def chosen(bench: Commanded, **more: object) -> None:
    await bench.take()
    reply = await bench.until_last(bench.ask("manual", {**SESSION, **more}))
    assert reply.stage == "done", reply


async def started(bench: Commanded, **more: object) -> None:
    await chosen(bench, **more)
    await bench.until_last(bench.ask("reset"))
    assert (await bench.until_last(bench.ask("start"))).stage == "done"
    await bench.on_twin.until(lambda: bench.on_twin.live.desk.is_open, "an open desk")


async def alive(bench: Commanded) -> None:
    while True:
        bench.ask("keep", ttl_s=2.0)
        await asyncio.sleep(0.5)


async def test_a_session_is_chosen_ordered_kept_and_left(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench, asyncio.TaskGroup() as group:
        await started(bench)
        living = group.create_task(alive(bench))
        assert bench.last(bench.ask("set", {"what": "voltage_v", "value": 6.0})).stage == "done"
        await bench.on_twin.turning(200.0)
        bench.announcer.tell_state()
        assert bench.told.states[-1].mode == "manual"
        assert bench.told.states[-1].progress.doing.startswith("set by hand: ")
        refused = bench.last(bench.ask("set", {"what": "voltage_v", "value": 60.0}))
        assert (refused.stage, refused.code) == ("rejected", Code.NOT_FOLLOWED)
        assert "this run's highest voltage" in refused.sentence
        assert bench.last(bench.ask("set", {"what": "leave"})).stage == "done"
        assert await bench.on_twin.settle() is State.COMPLETE
        living.cancel()
    told = [one for one in bench.told.events if one.event == "ordered"]
    assert [one.fields["sentence"] for one in told] == ["ines ordered voltage 6 V.", "ines ordered leave."]


async def test_what_means_nothing_now_is_refused_in_a_sentence(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        reply = bench.last(bench.ask("set", {"what": "voltage_v", "value": 6.0}))
        assert (reply.code, "no manual session" in reply.sentence) == (Code.NOT_FOLLOWED, True)
        await bench.until_last(bench.ask("manual", SESSION))
        for name, arguments in (("set", {"what": "voltage_v", "value": 6.0}), ("keep", {})):
            assert bench.last(bench.ask(name, arguments)).code is Code.NOT_FOLLOWED
        assert (await bench.until_last(bench.ask("reset"))).state == "Idle"
        assert bench.last(bench.ask("set", {"what": "voltage_v", "value": 6.0})).code is Code.NOT_FOLLOWED
        for wrong in ({"what": "voltage_v", "value": "6"}, {"what": "speed"}, {"what": "zero", "now": True}, {}):
            assert bench.last(bench.ask("set", wrong)).code is Code.MALFORMED
        assert bench.last(bench.ask("set", {"what": "voltage_v", "value": float("nan")})).code is Code.MALFORMED


async def test_only_the_holder_of_the_lease_orders_and_the_session_ends_with_the_lease(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench, asyncio.TaskGroup() as group:
        await started(bench)
        living = group.create_task(alive(bench))
        bench.ask("set", {"what": "voltage_v", "value": 6.0})
        await bench.on_twin.turning(200.0)
        other = bench.last(bench.ask("set", {"what": "voltage_v", "value": 9.0}, client="otto"))
        assert other.code is Code.CONTROL_HELD
        assert bench.last(bench.ask("keep", client="otto")).code is Code.CONTROL_HELD
        bench.ask("release")
        reply = bench.last(bench.ask("control", {"lease_s": 30.0}, client="otto", fence=None))
        assert reply.stage == "done"
        await bench.on_twin.until(lambda: bench.on_twin.state is State.ABORTED, "Aborted")
        assert "no control any more" in bench.on_twin.live.cause.sentence
        assert abs(bench.on_twin.truth.motor_speed_rpm) < 30.0
        living.cancel()


async def test_a_new_lease_under_the_same_name_is_another_hand(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench, asyncio.TaskGroup() as group:
        await started(bench)
        living = group.create_task(alive(bench))
        await asyncio.sleep(1.0)
        again = bench.last(bench.ask("control", {"lease_s": 30.0}, fence=None))  # a second program of the same client
        assert again.stage == "done"
        await bench.on_twin.until(lambda: bench.on_twin.state is State.ABORTED, "Aborted")
        living.cancel()


async def test_a_keep_that_comes_late_keeps_nothing(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await started(bench)
        late = "2026-05-04T05:59:50Z"
        for _ in range(10):
            assert bench.last(bench.ask("keep", issued_at=late)).code is Code.LATE
            await asyncio.sleep(0.3)
        await bench.on_twin.until(lambda: bench.on_twin.state is State.ABORTED, "Aborted")


async def test_ten_thousand_orders_at_once_drown_neither_a_stop_nor_what_is_told(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await started(bench)
        before = len(bench.told.events)
        for number in range(10_000):
            bench.ask("set", {"what": "voltage_v", "value": 1.0 + number % 5})
        assert len(bench.told.events) - before < 100
        assert len([one for one in bench.told.events if one.event == "ordered"]) < 50
        assert (await bench.until_last(bench.ask("stop", fence=None))).state == "Stopped"
        assert bench.failures == []


async def test_a_session_that_asks_for_more_than_there_is_is_refused_with_what_would_help(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await bench.take()
        reply = await bench.until_last(bench.ask("manual", {**SESSION, "max_voltage_v": 59.0}))
        assert reply.code is Code.UNFIT
        reply = await bench.until_last(bench.ask("manual", {**SESSION, "max_speed_rpm": 1e5}))
        assert reply.code is Code.UNFIT
        assert "wider than" in reply.sentence
        reply = await bench.until_last(bench.ask("manual", {**SESSION, "motor": "nobody"}))
        assert reply.code is Code.UNKNOWN_FILE
        assert bench.last(bench.ask("manual", {**SESSION, "max_speed_rpm": 0.0})).code is Code.MALFORMED


async def test_a_programme_after_a_manual_session_is_production_again(tmp_path: Path) -> None:
    async with commanded(tmp_path) as bench:
        await chosen(bench)
        bench.announcer.tell_state()
        assert bench.told.states[-1].mode == "manual"
        choice = {**SESSION, "programme": "vent_flap_acceptance"}
        assert (await bench.until_last(bench.ask("load", choice))).stage == "done"
        bench.announcer.tell_state()
        assert bench.told.states[-1].mode == "production"


@pytest.mark.parametrize(
    ("typed", "order"),
    [
        ("speed 1000", {"what": "speed_rpm", "value": 1000.0}),
        ("speed +50", {"what": "speed_rpm", "value": 50.0, "relative": True}),
        ("torque -0.1", {"what": "torque_nm", "value": -0.1, "relative": True}),
        ("speed to -500", {"what": "speed_rpm", "value": -500.0}),
        ("voltage 24 slope 5", {"what": "voltage_v", "value": 24.0, "slope_per_s": 5.0}),
        ("torque 0,2", {"what": "torque_nm", "value": 0.2}),
        ("current 3", {"what": "current_a", "value": 3.0}),
        ("jog -60", {"what": "jog_rpm", "value": -60.0}),
        ("by load", {"what": "speed_by", "speed_by": "load"}),
        ("zero", {"what": "zero"}),
        ("leave", {"what": "leave"}),
    ],
)
def test_what_is_typed_is_an_order(typed: str, order: dict[str, object]) -> None:
    assert order_in(typed) == order


@pytest.mark.parametrize(
    "typed",
    ["speed", "speed fast", "speed nan", "speed 1 slope", "torque 1 2", "by me", "zero 3", "sped 3", "speed inf"],
)
def test_what_is_no_order_is_told_so(typed: str) -> None:
    with pytest.raises(NotUnderstood, match=r"help|such as|number"):
        order_in(typed)


class Typed(ManualPrompt):
    """A prompt that only collects its lines."""

    def __init__(self) -> None:
        super().__init__(None, None, on_reply=lambda _reply: None)  # type: ignore[arg-type]
        self.lines: list[str] = []

    def line(self, typed: str) -> None:
        self.lines.append(typed)


def test_keys_make_lines_and_can_be_taken_back() -> None:
    prompt = Typed()
    for key in "speed 10\x7f5\nzero\x15leave\n\x1b[A\n \n":
        prompt._press(key)
    assert prompt.lines == ["speed 15", "leave", "[A", ""]


def test_the_nearest_limit_is_the_one_with_the_least_left() -> None:
    def limit(channel: str, bound: str, value: float) -> LimitMeta:
        return LimitMeta(channel=channel, bound=bound, value=value, delay_s=0.0, reaction="cut", origin="somewhere")

    limits = (
        limit("shaft_speed", "high", 3000.0),
        limit("shaft_speed", "low", -500.0),
        limit("dc_current", "high", 10.0),
    )
    meta = Meta(
        bench="b", session="s", software="x", started_utc=EPOCH, tick_hz=100.0, channels=(), groups=(), limits=limits,
        commands=(), longest_command_bytes=1,
    )  # fmt: skip
    assert nearest_limit(meta, {"shaft_speed": 1500.0, "dc_current": 6.0}) == "nearest limit: dc_current 60 % of 10"
    assert nearest_limit(meta, {"shaft_speed": -450.0}) == "nearest limit: shaft_speed 90 % of -500"
    assert nearest_limit(None, {"shaft_speed": 1.0}) == ""
