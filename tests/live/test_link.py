"""The link's reaction to each way in which a device or a caller can misbehave, in virtual time."""

import asyncio
import contextlib

import pytest

from benchd.contract import DeviceFault, Driver, LinkLost, OutOfRange, Refused, ReplyWrong, Supply
from benchd.live.link import BAD_IN_A_ROW, REFUSED_RETRY_S
from benchd.live.link_state import LinkState

from .link_bench import REPLY_S, SAFE_S, Bench, expect, now_s, running
from .scripted_driver import HANG, Answer, Deaf, Fail, ScriptedDriver

pytestmark = pytest.mark.virtual_time


@pytest.fixture
def driver() -> ScriptedDriver:
    return ScriptedDriver()


def test_the_scripted_device_keeps_the_contract(driver: ScriptedDriver):
    assert isinstance(driver.ports["output"], Supply)
    as_driver: Driver = driver
    assert as_driver is driver


async def test_it_enters_the_device_answers_calls_and_leaves_it(driver: ScriptedDriver):
    async with running(driver) as bench:
        assert await bench.ask(4.5) == 4.5
        assert bench.link.state is LinkState.UP
    assert bench.states == [LinkState.UP, LinkState.CLOSED]
    assert len(driver.left_at) == 1
    assert bench.run.cancelled()


async def test_calls_go_one_at_a_time_in_the_order_of_asking(driver: ScriptedDriver):
    order: list[int] = []

    async def caller(bench: Bench, number: int) -> None:
        assert await bench.ask(number) == number
        order.append(number)

    async with running(driver) as bench, asyncio.TaskGroup() as group:
        for number in range(20):
            group.create_task(caller(bench, number))
    assert driver.sent == order == list(range(20))
    assert driver.most_inside == 1


async def test_two_busy_callers_get_the_same_share(driver: ScriptedDriver):
    counts = [0, 0]

    async def caller(bench: Bench, number: int) -> None:
        while True:
            await bench.ask(number)
            counts[number] += 1

    async with running(driver) as bench:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(1.0), asyncio.TaskGroup() as group:
                group.create_task(caller(bench, 0))
                group.create_task(caller(bench, 1))
    assert sum(counts) > 900
    assert abs(counts[0] - counts[1]) <= 1


async def test_a_missed_deadline_is_told_in_time_and_the_connection_replaced(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls.append(Answer(after_s=REPLY_S + 0.001))
        began = now_s()
        with pytest.raises(LinkLost, match=r"^supply: no answer from output within 0\.2 s"):
            await bench.ask(1.0)
        assert now_s() - began == pytest.approx(REPLY_S)
        assert await bench.ask(2.0) == 2.0  # and not the late 1.0
        assert (bench.link.counters.late, bench.link.counters.reopened) == (1, 1)
        assert bench.states == [LinkState.UP]
    assert len(driver.opened_at) == 2


async def test_a_call_may_bring_its_own_deadline(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls += [HANG, Answer(after_s=0.9)]
        began = now_s()
        with pytest.raises(LinkLost, match=r"0\.03 s"):
            await bench.ask(1.0, deadline_s=0.03)
        assert now_s() - began == pytest.approx(0.03)
        assert await bench.ask(2.0, deadline_s=1.0) == 2.0


async def test_waiting_in_line_is_bounded_apart_from_the_deadline(driver: ScriptedDriver):
    async with running(driver, queue_time_s=0.15) as bench, asyncio.TaskGroup() as group:
        driver.calls += [Answer(after_s=0.1), Answer(after_s=0.19), Answer()]
        first = group.create_task(bench.ask(1.0))
        second = group.create_task(bench.ask(2.0))  # waits 0.1 s, then takes 0.19 s
        third = group.create_task(expect(bench, 3.0, LinkLost, r"waited 0\.15 s for its turn and was not sent"))
        await third
        assert now_s() == pytest.approx(0.01 + 0.15)
    assert (await first, await second) == (1.0, 2.0)
    assert driver.sent == [1.0, 2.0]


async def test_a_cancelled_call_leaves_no_reply_for_the_next(driver: ScriptedDriver):
    for step in range(12):  # before, at and after every await of the call
        async with running(driver) as bench:
            driver.calls.append(Answer(after_s=0.004))
            async with asyncio.TaskGroup() as group:
                call = group.create_task(bench.ask(111.0))
                if step < 6:
                    for _ in range(step):
                        await asyncio.sleep(0)
                else:
                    await asyncio.sleep(0.001 * (step - 5))
                call.cancel()
            assert await bench.ask(222.0) == 222.0
        driver.calls.clear()
    assert driver.most_inside == 1


async def test_a_queued_call_that_is_cancelled_is_never_sent_and_costs_no_connection(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        running_call = group.create_task(bench.ask(1.0))
        queued = group.create_task(bench.ask(2.0))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        queued.cancel()
        assert await running_call == 1.0
        assert await bench.ask(3.0) == 3.0
    assert driver.sent == [1.0, 3.0]
    assert bench.link.counters.reopened == 0


async def test_a_lost_link_is_told_once_and_reopened(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.absent = True
        await expect(bench, 1.0, LinkLost, "look at its network cable")
        assert bench.link.state is LinkState.LOST
        await expect(bench, 2.0, LinkLost, "look at its network cable")  # at once, without asking the driver
        assert bench.link.counters.calls == 1
        await asyncio.sleep(20.0)
        assert "nobody answers" in bench.link.last_error
        driver.absent = False
        await asyncio.sleep(6.0)
        assert await bench.ask(3.0) == 3.0
        assert bench.link.counters.lost == 1
    assert bench.states == [LinkState.UP, LinkState.LOST, LinkState.UP, LinkState.CLOSED]


async def test_queued_calls_fail_when_the_link_is_lost(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.calls.append(Fail(LinkLost("supply: connection reset")))
        for number in range(3):
            group.create_task(expect(bench, number, LinkLost, "connection reset"))
    assert driver.sent == [0]


async def test_the_pause_between_attempts_doubles_up_to_its_cap(driver: ScriptedDriver):
    driver.absent = True
    async with running(driver, wait_s=60.0) as bench:
        pauses = [b - a for a, b in zip(driver.opened_at, driver.opened_at[1:], strict=False)]
        assert pauses[:7] == pytest.approx([0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2])
        assert pauses[7:] == pytest.approx([5.0] * len(pauses[7:]))
        assert bench.states == [LinkState.OPENING]  # told once, although there is no change of state
        assert "nobody answers" in bench.changes[0].sentence
        await expect(bench, 1.0, LinkLost, "nobody answers")
        driver.absent = False
        await asyncio.sleep(5.0)
        assert bench.states == [LinkState.OPENING, LinkState.UP]


async def test_the_pause_is_short_again_once_the_link_has_proved_itself(driver: ScriptedDriver):
    driver.absent = True
    async with running(driver, wait_s=60.0) as bench:
        driver.absent = False
        await asyncio.sleep(12.0)
        await bench.ask(1.0)
        driver.calls.append(Fail(LinkLost("supply: connection reset")))
        lost_at = await expect(bench, 2.0, LinkLost)
        await asyncio.sleep(1.0)
        assert driver.opened_at[-1] - lost_at == pytest.approx(0.05)


async def test_one_answer_after_reopening_does_not_shorten_the_pause_yet(driver: ScriptedDriver):
    driver.absent = True
    async with running(driver, wait_s=60.0) as bench:
        driver.absent = False
        await asyncio.sleep(5.0)
        await bench.ask(1.0)
        driver.calls.append(Fail(LinkLost("supply: connection reset")))
        lost_at = await expect(bench, 2.0, LinkLost)
        await asyncio.sleep(6.0)
        assert driver.opened_at[-1] - lost_at == pytest.approx(5.0)


async def test_a_device_of_another_identity_is_refused_and_not_hammered(driver: ScriptedDriver):
    sentence = "supply: QL80-60 answers instead of QS80-60, look at the address"
    driver.opens += [Fail(Refused(sentence))] * 100
    async with running(driver, wait_s=REFUSED_RETRY_S * 10 + 1.0) as bench:
        assert bench.link.state is LinkState.REFUSED
        assert bench.link.last_error == sentence
        assert bench.states == [LinkState.REFUSED]
        assert len(driver.opened_at) == 11
        await expect(bench, 1.0, LinkLost, "QL80-60 answers")
        driver.opens.clear()
        await asyncio.sleep(REFUSED_RETRY_S)
        assert bench.link.state is LinkState.UP


async def test_a_wrong_reply_replaces_the_connection_at_once_and_nobody_else_notices(driver: ScriptedDriver):
    async with running(driver) as bench, asyncio.TaskGroup() as group:
        driver.calls.append(Fail(ReplyWrong("supply: 'ab' is not a number")))
        group.create_task(expect(bench, 1.0, ReplyWrong, "not a number"))
        queued = group.create_task(bench.ask(2.0))
        assert await queued == 2.0
        assert now_s() == pytest.approx(0.012)
    assert bench.states == [LinkState.UP, LinkState.CLOSED]
    assert (bench.link.counters.wrong, bench.link.counters.reopened) == (1, 1)


async def test_three_wrong_replies_in_a_row_count_as_a_lost_link(driver: ScriptedDriver):
    async with running(driver) as bench:
        for count in range(1, BAD_IN_A_ROW + 1):
            driver.calls.append(Fail(ReplyWrong("supply: garbage")))
            await expect(bench, 1.0, ReplyWrong)
            assert bench.link.state is (LinkState.LOST if count == BAD_IN_A_ROW else LinkState.UP)
        await asyncio.sleep(0.1)
        assert bench.link.state is LinkState.UP
    assert bench.link.counters.lost == 1


async def test_wrong_replies_with_good_ones_between_do_not(driver: ScriptedDriver):
    async with running(driver) as bench:
        for _ in range(10):
            driver.calls.append(Fail(ReplyWrong("supply: garbage")))
            await expect(bench, 1.0, ReplyWrong)
            await bench.ask(2.0)
        assert bench.states == [LinkState.UP]


async def test_three_missed_deadlines_in_a_row_count_as_a_lost_link(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls += [HANG] * BAD_IN_A_ROW
        for _ in range(BAD_IN_A_ROW):
            await expect(bench, 1.0, LinkLost, "no answer")
        assert bench.link.state is LinkState.LOST


@pytest.mark.parametrize("kind", [Refused, OutOfRange, DeviceFault])
async def test_what_the_device_says_in_good_order_reaches_the_caller_and_changes_nothing(driver, kind):
    async with running(driver) as bench:
        driver.calls += [Fail(kind("supply: no"))] * 5
        for _ in range(5):
            await expect(bench, 1.0, kind, "supply: no")
        assert await bench.ask(2.0) == 2.0
        assert bench.link.counters.reopened == 0
        assert bench.states == [LinkState.UP]


async def test_an_error_outside_the_contract_reaches_the_caller_and_replaces_the_connection(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls.append(Fail(ValueError("a fault of the driver")))
        await expect(bench, 1.0, ValueError, "a fault of the driver")
        assert await bench.ask(2.0) == 2.0
        assert bench.link.counters.reopened == 1


async def test_a_driver_that_fails_oddly_on_opening_does_not_end_the_daemon(driver: ScriptedDriver):
    driver.opens.append(Fail(KeyError("register")))
    async with running(driver, wait_s=1.0) as bench:
        assert bench.states == [LinkState.OPENING, LinkState.UP]
        assert "its driver failed with KeyError" in bench.changes[0].sentence


async def test_an_opening_that_hangs_is_cut_and_tried_again(driver: ScriptedDriver):
    driver.opens += [HANG, HANG]
    async with running(driver, wait_s=5.0) as bench:
        assert bench.states == [LinkState.OPENING, LinkState.UP]
        assert driver.opened_at == pytest.approx([0.0, SAFE_S + 0.05, 2 * SAFE_S + 0.15])


async def test_a_call_that_ignores_its_cancellation_blocks_the_lane_alone(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls.append(Deaf(until_s=3.0))
        began = now_s()
        assert await expect(bench, 1.0, LinkLost, "no answer") - began == pytest.approx(REPLY_S)
        await asyncio.sleep(0.1)
        await expect(bench, 2.0, LinkLost, "does not let go of a cancelled call")
        assert driver.sent == [1.0]
        await asyncio.sleep(3.0)
        assert await bench.ask(3.0) == 3.0
        assert driver.most_inside == 1
        assert len(driver.opened_at) == 3  # entered, under the stuck call, after it had let go
    assert bench.states == [LinkState.UP, LinkState.LOST, LinkState.UP, LinkState.CLOSED]


async def test_a_connection_opened_beside_a_stuck_call_is_replaced_once_more(driver: ScriptedDriver):
    async with running(driver) as bench:
        driver.calls.append(Deaf(until_s=0.3))
        driver.opens.append(Answer(after_s=0.2))
        await expect(bench, 1.0, LinkLost, "no answer")
        await asyncio.sleep(0.15)  # the stuck call has let go, while the connection was being replaced
        assert await bench.ask(2.0) == 2.0
        assert len(driver.opened_at) == 3
    assert bench.states == [LinkState.UP, LinkState.CLOSED]
