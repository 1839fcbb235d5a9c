"""How a link ends: callers told, the device left in time, nothing left behind; and that it lasts."""

import asyncio

import pytest

from benchd.contract import LinkLost, ReplyWrong
from benchd.live.link_state import LinkState
from benchd.live.wire import PATIENCE_S

from .link_bench import SAFE_S, Bench, expect, now_s, outcome, running, safe_outcome
from .scripted_driver import HANG, Answer, Deaf, Fail, ScriptedDriver

pytestmark = pytest.mark.virtual_time


@pytest.fixture
def driver() -> ScriptedDriver:
    return ScriptedDriver()


async def test_a_link_that_does_not_run_says_so(driver: ScriptedDriver):
    bench = Bench(driver)
    await expect(bench, 1.0, LinkLost, "has not been opened yet")
    with pytest.raises(LinkLost, match="cannot be made safe"):
        await bench.safe()
    async with running(driver) as bench:
        with pytest.raises(KeyError, match="no port 'input'; it has output"):
            await bench.link.call("input", lambda port: port.read())
        with pytest.raises(RuntimeError, match="runs once"):
            await bench.link.run()
    await expect(bench, 1.0, LinkLost, "was left")


async def test_cancelling_the_run_fails_every_caller_and_leaves_the_device(driver: ScriptedDriver):
    bench = Bench(driver)
    async with asyncio.TaskGroup() as group:
        run = group.create_task(bench.link.run())
        await asyncio.sleep(0.01)
        driver.calls.append(HANG)
        for number in range(3):
            group.create_task(expect(bench, number, LinkLost, "is being left"))
        await asyncio.sleep(0.01)
        run.cancel()
    assert len(driver.left_at) == 1
    assert run.cancelled()


async def test_leaving_is_finished_even_when_cancelled_again(driver: ScriptedDriver):
    driver.leaves.append(Answer(after_s=0.3))
    driver.ports["output"].output_on = True
    async with running(driver) as bench:
        bench.run.cancel()
        for _ in range(5):
            await asyncio.sleep(0.02)
            bench.run.cancel()
        await asyncio.wait({bench.run})
        assert now_s() == pytest.approx(0.31)
        assert driver.ports["output"].output_on is False
        assert bench.run.cancelled()


@pytest.mark.parametrize("step", [HANG, Deaf(until_s=3.0)])
async def test_leaving_takes_the_safe_time_at_most_and_says_so(driver: ScriptedDriver, step):
    driver.leaves.append(step)
    async with running(driver) as bench:
        bench.run.cancel()
        began = now_s()
        while bench.link.state is not LinkState.CLOSED:
            await asyncio.sleep(0.001)
        assert now_s() - began <= SAFE_S + PATIENCE_S + 0.002
        assert "see at the bench that supply is off" in bench.link.last_error


async def test_the_run_may_be_cancelled_at_any_point_and_leaves_what_it_entered():
    for step in range(60):
        driver = ScriptedDriver()
        driver.opens += [Answer(after_s=0.002), Answer(after_s=0.002), Answer(after_s=0.002)]
        driver.calls += [Answer(), Fail(ReplyWrong("supply: garbage")), HANG, Answer()]
        bench = Bench(driver)
        async with asyncio.TaskGroup() as group:
            run = group.create_task(bench.link.run())
            callers = [group.create_task(outcome(bench, number)) for number in range(3)]
            if step < 20:
                for _ in range(step):
                    await asyncio.sleep(0)
            else:
                await asyncio.sleep(0.0005 * (step - 19))
                callers += [group.create_task(outcome(bench, number)) for number in range(3)]
                safe = group.create_task(safe_outcome(bench)) if step % 3 == 0 else None
                await asyncio.sleep(0.0005)
                assert safe is None or not safe.cancelled()
            run.cancel()
        assert len(driver.left_at) == driver.entered
        assert bench.link.state is (LinkState.CLOSED if step else LinkState.OPENING)


async def test_an_hour_of_a_flapping_link_passes_without_growth(driver: ScriptedDriver):
    async def flap() -> None:
        while True:
            await asyncio.sleep(0.4)
            driver.absent = not driver.absent

    async def poll(bench: Bench) -> None:
        while True:
            await outcome(bench, 1.0)
            await asyncio.sleep(0.5)

    async with running(driver) as bench, asyncio.TaskGroup() as group:
        helpers = [group.create_task(flap()), group.create_task(poll(bench))]
        tasks: set[int] = set()
        for _ in range(360):
            await asyncio.sleep(10.0)
            tasks.add(len(asyncio.all_tasks()))
        for helper in helpers:
            helper.cancel()
        assert max(tasks) <= 8
        assert len(asyncio.get_running_loop()._scheduled) < 50
        assert len(bench.link._lane.queue) == len(bench.link._wire.held) == 0
        assert bench.link.counters.lost > 300
        assert len(driver.opened_at) < 2000  # the pause stays long while the link does not prove itself
        assert len(bench.changes) == 1 + 2 * bench.link.counters.lost - (bench.link.state is LinkState.LOST)
