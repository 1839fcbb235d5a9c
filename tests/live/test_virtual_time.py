"""Virtual time against plain arithmetic: what time it is, in which order things run, and what is refused."""

import asyncio
import math
import socket
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.live.virtual_time import (
    NotInVirtualTime,
    TasksLeft,
    VirtualTimeLoop,
    VirtualTimeStuck,
    run_virtual,
)


def now_s() -> float:
    return asyncio.get_running_loop().time()


def test_an_hour_passes_at_once():
    async def story() -> float:
        for _ in range(3600):
            await asyncio.sleep(1.0)
        return now_s()

    began = time.monotonic()
    assert run_virtual(story()) == 3600.0
    assert time.monotonic() - began < 5.0


def test_time_starts_where_it_is_told_to_and_jumps_exactly_to_the_timer():
    async def story() -> list[float]:
        loop = asyncio.get_running_loop()
        seen: list[float] = []
        for when in (123.456, 200.1, 200.1 + 1e-9, 86400.0 * 3):
            await asyncio.sleep(0)
            loop.call_at(when, lambda: seen.append(loop.time()))
        await asyncio.sleep(86400.0 * 4)
        return seen

    assert run_virtual(story(), start_mono_s=100.0) == [123.456, 200.1, 200.1 + 1e-9, 86400.0 * 3]


@pytest.mark.parametrize("start_mono_s", [0.0, 1.0, 1e3, 1e6, 1e9, 1e12])
def test_timers_fire_at_any_size_of_the_clock(start_mono_s: float):
    async def story() -> float:
        await asyncio.sleep(0.5)
        return now_s()

    assert run_virtual(story(), start_mono_s=start_mono_s) == start_mono_s + 0.5


def test_timers_of_one_instant_run_in_the_order_in_which_they_were_set():
    async def story() -> list[int]:
        loop = asyncio.get_running_loop()
        order: list[int] = []
        for number in range(50):
            loop.call_at(1.0, order.append, number)
        await asyncio.sleep(2.0)
        return order

    assert run_virtual(story()) == list(range(50))


def test_time_stands_still_while_something_runs():
    async def story() -> float:
        for _ in range(1000):
            await asyncio.sleep(0)
        return now_s()

    assert run_virtual(story()) == 0.0


def test_a_timeout_cuts_at_its_very_instant():
    async def story() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(2.5):
                await asyncio.Event().wait()
        return now_s()

    assert run_virtual(story()) == 2.5


def test_a_task_group_ends_when_its_slowest_task_does():
    async def story() -> float:
        async with asyncio.TaskGroup() as group:
            for seconds in (3.0, 7.0, 1.0):
                group.create_task(asyncio.sleep(seconds))
        return now_s()

    assert run_virtual(story()) == 7.0


def test_the_first_failure_in_a_task_group_cancels_the_rest_at_that_time():
    ended: list[float] = []

    async def fail() -> None:
        await asyncio.sleep(1.5)
        raise ValueError

    async def wait() -> None:
        try:
            await asyncio.sleep(100.0)
        finally:
            ended.append(now_s())

    async def story() -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(fail())
            group.create_task(wait())

    with pytest.raises(ExceptionGroup):
        run_virtual(story())
    assert ended == [1.5]


def test_a_cancelled_timer_does_not_pull_time_forward():
    async def story() -> float:
        asyncio.get_running_loop().call_later(5.0, lambda: None).cancel()
        await asyncio.sleep(9.0)
        return now_s()

    assert run_virtual(story()) == 9.0


def test_it_runs_under_a_runner_more_than_once_on_one_clock():
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.run(asyncio.sleep(4.0))
        runner.run(asyncio.sleep(5.0))
        assert runner.get_loop().time() == 9.0


def test_a_deadlock_is_told_with_the_names_of_the_waiting_tasks():
    async def wait_for_a_reply() -> None:
        await asyncio.Event().wait()

    async def story() -> None:
        await asyncio.sleep(3.0)
        async with asyncio.TaskGroup() as group:
            group.create_task(wait_for_a_reply(), name="poller of the supply")

    with pytest.raises(VirtualTimeStuck, match=r"cannot go on at 3\.000000 s") as caught:
        run_virtual(story())
    assert "task 'poller of the supply' in Event.wait (locks.py:" in str(caught.value)


def test_running_in_circles_at_one_instant_is_told_instead_of_hanging(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("benchd.live.virtual_time.STANDSTILL_ROUNDS", 1000)

    async def story() -> None:
        while True:
            await asyncio.sleep(0)

    with pytest.raises(VirtualTimeStuck, match=r"stands still at 0\.000000 s"):
        run_virtual(story())


def test_tasks_left_behind_are_an_error(task_watch):
    async def story() -> None:
        story.left = asyncio.get_running_loop().create_task(asyncio.sleep(10.0), name="forgotten")

    with pytest.raises(TasksLeft, match="task 'forgotten'"):
        run_virtual(story())
    assert len(task_watch.leaked) == 1  # the watch of this folder saw the same
    task_watch.leaked.clear()


async def _thread() -> None:
    await asyncio.to_thread(time.sleep, 0.0)


async def _process() -> None:
    await asyncio.create_subprocess_exec("true")


async def _server() -> None:
    await asyncio.start_server(print, "127.0.0.1", 0)


async def _connection() -> None:
    await asyncio.open_connection("127.0.0.1", 9)


async def _lookup() -> None:
    await asyncio.get_running_loop().getaddrinfo("localhost", 80)


async def _reader() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        asyncio.get_running_loop().add_reader(ours, lambda: None)


@pytest.mark.parametrize(
    ("story", "what"),
    [
        (_thread, "a thread: run_in_executor"),
        (_process, "a subprocess: subprocess_exec"),
        (_server, "a socket: create_server"),
        (_connection, "a socket: create_connection"),
        (_lookup, "a socket: getaddrinfo"),
        (_reader, "a socket: add_reader"),
    ],
)
def test_the_real_world_is_refused_with_a_sentence(story, what: str):
    with pytest.raises(NotInVirtualTime, match=f"virtual time has no place for {what}"):
        run_virtual(story())


def test_every_method_of_an_event_loop_that_needs_the_real_world_is_refused():
    loop = VirtualTimeLoop()
    try:
        for name in dir(asyncio.AbstractEventLoop):
            if name.startswith(("sock_", "subprocess_", "connect_", "add_", "remove_", "create_")):
                if name in {"create_task", "create_future"}:
                    continue
                with pytest.raises(NotInVirtualTime):
                    getattr(loop, name)(None, None)
    finally:
        loop.close()


def test_another_thread_cannot_call_in():
    async def story() -> None:
        loop = asyncio.get_running_loop()
        caught: list[Exception] = []

        def call_in() -> None:
            try:
                loop.call_soon_threadsafe(lambda: None)
            except NotInVirtualTime as error:
                caught.append(error)

        thread = threading.Thread(target=call_in)
        thread.start()
        thread.join()
        assert len(caught) == 1

    run_virtual(story())


def test_a_timer_for_no_number_is_refused():
    async def story() -> None:
        with pytest.raises(ValueError, match="not a number"):
            asyncio.get_running_loop().call_at(math.nan, lambda: None)

    run_virtual(story())


@given(st.lists(st.lists(st.integers(0, 20), min_size=1, max_size=6), min_size=1, max_size=8))
def test_many_sleepers_wake_at_the_sums_of_their_sleeps_in_order(naps: list[list[int]]):
    woken: list[tuple[float, int]] = []

    async def sleeper(number: int) -> None:
        for nap in naps[number]:
            await asyncio.sleep(nap / 8)  # eighths are exact in binary
            woken.append((now_s(), number))

    async def story() -> None:
        async with asyncio.TaskGroup() as group:
            for number in range(len(naps)):
                group.create_task(sleeper(number))

    run_virtual(story())
    expected = sorted((sum(row[: n + 1]) / 8, number) for number, row in enumerate(naps) for n in range(len(row)))
    assert sorted(woken) == expected
    assert [at for at, _ in woken] == [at for at, _ in expected]


def test_the_same_story_gives_the_same_steps_again():
    async def story() -> list[tuple[float, str]]:
        steps: list[tuple[float, str]] = []
        queue: asyncio.Queue[int] = asyncio.Queue(maxsize=2)

        async def produce(name: str, period_s: float) -> None:
            for _ in range(30):
                await asyncio.sleep(period_s)
                await queue.put(0)
                steps.append((now_s(), name))

        async def consume() -> None:
            for _ in range(60):
                await queue.get()
                steps.append((now_s(), "out"))
                await asyncio.sleep(0.07)

        async with asyncio.TaskGroup() as group:
            group.create_task(produce("a", 0.03))
            group.create_task(produce("b", 0.06))
            group.create_task(consume())
        return steps

    assert run_virtual(story()) == run_virtual(story())


@pytest.mark.virtual_time
async def test_a_marked_test_runs_on_the_virtual_loop():
    await asyncio.sleep(7200.0)
    assert now_s() == 7200.0
