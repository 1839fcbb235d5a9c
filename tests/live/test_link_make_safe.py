"""make_safe overtakes everything: how fast it reaches the wire, and what becomes of all else, in virtual time."""

import asyncio

import pytest

from benchd.contract import LinkLost, Refused, ReplyWrong
from benchd.live.link import SAFE_RETRY_S
from benchd.live.link_state import LinkState, Overtaken
from benchd.live.wire import PATIENCE_S

from .link_bench import SAFE_S, Bench, expect, now_s, outcome, running
from .scripted_driver import HANG, Answer, Deaf, Fail, ScriptedDriver

pytestmark = pytest.mark.virtual_time


@pytest.fixture
def driver() -> ScriptedDriver:
    return ScriptedDriver()


async def safe_at(bench: Bench, port: str = "output") -> float:
    await bench.link.make_safe(port)
    return now_s()


async def fails(bench: Bench, kind: type[Exception], match: str | None = None) -> float:
    with pytest.raises(kind, match=match):
        await bench.safe()
    return now_s()


async def test_it_goes_to_an_idle_wire_at_once(driver: ScriptedDriver):
    driver.ports["output"].output_on = True
    async with running(driver) as bench:
        began = now_s()
        assert await safe_at(bench) - began == pytest.approx(0.001)
        assert driver.safe_at == [began]
        assert driver.ports["output"].output_on is False
        assert await bench.ask(1.0) == 1.0
        assert bench.link.counters.reopened == 0  # nothing was spoiled


@pytest.mark.parametrize(("step", "longest_s"), [(HANG, 0.0), (Answer(after_s=0.1), 0.0), (Deaf(3.0), PATIENCE_S)])
async def test_it_reaches_the_wire_past_a_running_call(driver: ScriptedDriver, step, longest_s: float):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.calls.append(step)
        call = group.create_task(expect(bench, 1.0, Overtaken, "made way"))
        queued = [group.create_task(expect(bench, number, Overtaken, "made way")) for number in (2.0, 3.0)]
        await asyncio.sleep(0.01)
        began = now_s()
        await bench.safe()
        assert driver.safe_at[0] - began <= longest_s + 1e-9
        assert [await told for told in (call, *queued)] == [began] * 3  # every caller is told at once
        assert driver.sent == [1.0]
        assert bench.link.counters.overtaken == 3


async def test_a_cancelled_call_gets_the_few_milliseconds_it_needs_to_let_go(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.calls.append(Deaf(until_s=0.012))
        group.create_task(expect(bench, 1.0, Overtaken))
        await asyncio.sleep(0.010)
        began = now_s()
        await bench.safe()
        assert driver.safe_at[0] - began == pytest.approx(0.002)  # not beside the call, and not later than it ended


async def test_what_was_cancelled_for_it_leaves_no_reply_for_the_next_call(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.calls.append(Answer(after_s=0.05))
        group.create_task(expect(bench, 111.0, Overtaken))
        await asyncio.sleep(0.049)
        await bench.safe()
        assert await bench.ask(222.0) == 222.0
        assert bench.link.counters.reopened == 1


async def test_calls_that_come_meanwhile_are_refused(driver: ScriptedDriver):
    driver.safes.append(Answer(after_s=0.3))
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        group.create_task(bench.safe())
        await asyncio.sleep(0.1)
        await expect(bench, 1.0, Overtaken, "not sent")
    assert driver.sent == []


async def test_a_second_one_joins_the_first(driver: ScriptedDriver):
    driver.safes.append(Answer(after_s=0.2))
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        first = group.create_task(safe_at(bench))
        await asyncio.sleep(0.15)
        assert await safe_at(bench) == await first == pytest.approx(0.01 + 0.2)
        assert len(driver.safe_at) == 1
        await bench.safe()  # and once more after it: legal, and really sent
        assert len(driver.safe_at) == 2


async def test_it_goes_on_when_its_first_caller_is_cancelled(driver: ScriptedDriver):
    driver.ports["output"].output_on = True
    driver.safes.append(Answer(after_s=0.2))
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        first = group.create_task(bench.safe())
        await asyncio.sleep(0.05)
        second = group.create_task(bench.safe())
        await asyncio.sleep(0.05)
        first.cancel()
        await second
        third = group.create_task(bench.safe())
        await asyncio.sleep(0)
        third.cancel()
    assert len(driver.safe_at) == 2
    assert driver.ports["output"].output_on is False


async def test_its_failure_reaches_everyone_who_joined(driver: ScriptedDriver):
    driver.safes.append(Fail(Refused("supply: output stays on, look at its front panel"), after_s=0.1))
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        for _ in range(3):
            group.create_task(fails(bench, Refused, "front panel"))
    assert len(driver.safe_at) == 1


async def test_a_refusal_is_told_at_once_a_lost_or_wrong_reply_is_tried_again_in_time(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.safes += [Fail(LinkLost("reset")), Fail(ReplyWrong("garbage")), Answer()]
        began = now_s()
        assert await safe_at(bench) - began == pytest.approx(0.003 + 2 * SAFE_RETRY_S)
        driver.safes += [Fail(ReplyWrong("supply: output still on"))] * 100
        began = now_s()
        assert await fails(bench, ReplyWrong, "still on") - began <= SAFE_S


@pytest.mark.parametrize("step", [HANG, Deaf(until_s=3.0)])
async def test_its_callers_are_told_within_the_safe_time_whatever_the_driver_does(driver: ScriptedDriver, step):
    async with running(driver) as bench:
        driver.safes.append(step)
        began = now_s()
        assert await fails(bench, LinkLost, "making output safe took longer") - began <= SAFE_S + 2 * PATIENCE_S
        await asyncio.sleep(4.0)
        assert await bench.ask(1.0) == 1.0


async def test_it_works_while_the_link_is_down_and_the_device_is_back(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.absent = True
        await expect(bench, 1.0, LinkLost)
        await asyncio.sleep(20.0)  # the next attempt of the link itself is seconds away
        safe = group.create_task(safe_at(bench))
        await asyncio.sleep(0.2)
        driver.absent = False
        assert await safe - now_s() < 0.1
        await asyncio.sleep(0.01)
        assert bench.link.state is LinkState.UP  # it answered, so the link does not wait any longer


async def test_it_says_what_is_wrong_when_the_device_stays_away(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.absent = True
        began = now_s()
        assert await fails(bench, LinkLost, "nobody answers at") - began <= SAFE_S


async def test_a_device_that_was_absent_so_far_is_entered_first(driver: ScriptedDriver):
    driver.absent = True
    async with running(driver, wait_s=30.0) as bench, asyncio.TaskGroup() as group:
        attempts = len(driver.opened_at)
        safe = group.create_task(safe_at(bench))
        await asyncio.sleep(0.2)
        assert len(driver.opened_at) >= attempts + 3
        driver.absent = False
        assert await safe - now_s() < 0.1


async def test_a_device_that_stays_absent_is_told_in_time(driver: ScriptedDriver):
    driver.absent = True
    async with running(driver, wait_s=30.0) as bench:
        began = now_s()
        assert await fails(bench, LinkLost, "cannot be made safe: .*nobody answers") - began == pytest.approx(SAFE_S)


@pytest.mark.parametrize("step", [HANG, Deaf(until_s=2.0)])
async def test_it_cuts_a_reconnection_that_hangs(driver: ScriptedDriver, step):
    async with running(driver) as bench:
        driver.opens.append(step)
        driver.calls.append(Fail(ReplyWrong("supply: garbage")))
        await expect(bench, 1.0, ReplyWrong)
        await asyncio.sleep(0.01)
        began = now_s()
        await bench.safe()
        assert driver.safe_at[0] - began <= PATIENCE_S + 1e-9
        await asyncio.sleep(3.0)
        assert await bench.ask(2.0) == 2.0
        assert driver.most_inside == 1


async def test_after_a_cut_reconnection_the_link_is_ready_at_once(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.opens.append(HANG)
        driver.calls.append(Fail(ReplyWrong("supply: garbage")))
        await expect(bench, 1.0, ReplyWrong)
        await asyncio.sleep(0.01)
        await bench.safe()
        began = now_s()
        assert await bench.ask(2.0) == 2.0
        assert now_s() - began < 0.01


async def test_two_ports_of_one_device_take_turns():
    driver = ScriptedDriver(ports=("first", "second"))
    driver.safes += [Answer(after_s=0.1), Answer(after_s=0.1)]
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        ends = [group.create_task(safe_at(bench, port)) for port in ("first", "second")]
        assert [await end for end in ends] == pytest.approx([0.11, 0.21])
    assert driver.most_safes_inside == 1


async def test_a_port_that_cannot_be_made_safe_is_a_mistake_of_the_caller(driver: ScriptedDriver):
    async with running(driver) as bench:
        with pytest.raises(TypeError, match="no port 'inputs' that can be made safe"):
            await bench.link.make_safe("inputs")
        assert await bench.ask(1.0) == 1.0


async def test_while_the_device_is_being_left_it_joins_the_leaving(driver: ScriptedDriver):
    driver.leaves.append(Answer(after_s=0.2))
    async with running(driver) as bench:
        bench.run.cancel()
        await asyncio.sleep(0.05)
        assert await safe_at(bench) == pytest.approx(0.21)
        assert await safe_at(bench) == pytest.approx(0.21)  # after it there is no energy left to remove
    assert driver.safe_at == []


async def test_after_a_leaving_that_failed_it_fails_too(driver: ScriptedDriver):
    driver.leaves.append(Fail(LinkLost("supply: nobody answers")))
    async with running(driver) as bench:
        bench.run.cancel()
        await asyncio.sleep(0)
        await fails(bench, LinkLost, "nobody answers")


async def test_one_that_is_under_way_ends_before_the_device_is_left(driver: ScriptedDriver):
    driver.safes.append(Answer(after_s=0.3))
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        safe = group.create_task(safe_at(bench))
        await asyncio.sleep(0.1)
        bench.run.cancel()
        assert await safe == pytest.approx(0.31)
    assert driver.left_at == [pytest.approx(0.31)]


async def test_a_reconnection_that_was_cut_before_its_first_step_leaves_nothing_unawaited(driver: ScriptedDriver):
    for steps in range(8):
        async with running(driver) as bench:
            driver.calls.append(Fail(ReplyWrong("supply: garbage")))
            await expect(bench, 1.0, ReplyWrong)
            for _ in range(steps):
                await asyncio.sleep(0)
            await bench.safe()
            assert await bench.ask(2.0) == 2.0


async def test_it_may_be_asked_at_any_point_of_a_busy_link():
    for step in range(-12, 80):
        driver = ScriptedDriver()
        driver.opens += [Answer(0.001), Answer(0.002), Fail(LinkLost("x")), Answer(0.002)]
        driver.calls += [Answer(), Fail(ReplyWrong("x")), HANG, Fail(LinkLost("x")), Answer()]
        async with running(driver, wait_s=0.0) as bench, asyncio.TaskGroup() as group:
            callers = [group.create_task(outcome(bench, number)) for number in range(3)]
            for _ in range(-step):  # single steps of the loop, while the device is being entered
                await asyncio.sleep(0)
            await asyncio.sleep(0.0005 * max(step, 0))
            callers += [group.create_task(outcome(bench, number)) for number in range(3)]
            began = now_s()
            await bench.safe()
            assert driver.safe_at[0] - began <= 0.002 + PATIENCE_S  # an entering that is under way is waited for
            await asyncio.wait(callers)
            await asyncio.sleep(1.0)
            assert await bench.ask(9.0) == 9.0
        assert driver.most_inside == 1
