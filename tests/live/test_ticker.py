"""Tickers: deadlines are absolute, what was missed is counted, nothing is left behind. Bounds suit a noisy machine."""

import asyncio
import math
import os
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.live.ticker import Tick, Ticker, TimerfdTicker, VirtualTicker
from benchd.live.timerfd import TimerFd
from benchd.live.virtual_time import NotInVirtualTime, run_virtual


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def now_s() -> float:
    return asyncio.get_running_loop().time()


def test_both_are_tickers():
    assert isinstance(TimerfdTicker(200.0), Ticker)
    assert isinstance(VirtualTicker(200.0), Ticker)


@pytest.mark.parametrize("make", [TimerfdTicker, VirtualTicker])
@pytest.mark.parametrize("rate_hz", [0.0, -5.0, float("nan"), float("inf"), 1e9])
def test_a_rate_that_is_no_rate_is_refused(make, rate_hz: float):
    with pytest.raises(ValueError, match="is not possible"):
        make(rate_hz)


async def test_real_ticks_stand_on_a_grid_and_come_after_their_deadline():
    ticks: list[Tick] = []
    began_s = time.monotonic()
    with TimerfdTicker(200.0) as ticker:
        while len(ticks) < 40:
            ticks.append(await ticker.tick())
            assert time.monotonic() >= ticks[-1].time_mono_s
    first = ticks[0]
    assert 0.005 <= first.time_mono_s - began_s < 0.5
    for tick in ticks:
        assert tick.time_mono_s == pytest.approx(first.time_mono_s + (tick.index - first.index) * 0.005, abs=1e-9)
        assert tick.lateness_s >= 0.0
    assert sum(1 + tick.missed for tick in ticks) == ticks[-1].index + 1
    assert sorted(tick.lateness_s for tick in ticks)[20] < 0.005  # even a loaded machine wakes within a period


async def test_deadlines_that_pass_while_nobody_waits_are_counted_not_made_up_for():
    with TimerfdTicker(100.0) as ticker:
        before = await ticker.tick()
        time.sleep(0.055)  # noqa: ASYNC251  # a body that blocks the loop on purpose
        after = await ticker.tick()
        following = await ticker.tick()
    assert after.missed >= 4
    assert after.index == before.index + 1 + after.missed
    assert after.lateness_s < 0.01 + 0.05  # it stands for the newest deadline that has passed
    assert following.index == after.index + 1 + following.missed


async def test_after_a_busy_body_and_a_blocking_one_the_tick_stands_for_the_newest_deadline():
    with TimerfdTicker(20.0) as ticker:
        before = await ticker.tick()
        await asyncio.sleep(0.12)  # the loop sees two deadlines pass
        time.sleep(0.1)  # noqa: ASYNC251  # and does not see two more
        tick = await ticker.tick()
    assert tick.lateness_s < 0.05
    assert tick.missed >= 3
    assert tick.index == before.index + 1 + tick.missed


@pytest.mark.parametrize("make", [TimerfdTicker, VirtualTicker])
async def test_ticks_that_are_always_late_still_let_others_run(make):
    steps = 0

    async def other() -> None:
        nonlocal steps
        while True:
            steps += 1
            await asyncio.sleep(0)

    async with asyncio.TaskGroup() as group:
        running = group.create_task(other())
        with make(1000.0) as ticker:
            for _ in range(20):
                time.sleep(0.003)  # noqa: ASYNC251
                await ticker.tick()
        running.cancel()
    assert steps >= 20


async def test_a_cancelled_tick_loses_no_deadline():
    with TimerfdTicker(50.0) as ticker:
        seen = 0
        for _ in range(60):
            try:
                async with asyncio.timeout(0.007):
                    tick = await ticker.tick()
            except TimeoutError:
                continue
            seen += 1 + tick.missed
            assert tick.index + 1 == seen
    assert seen >= 10


async def test_leaving_gives_the_descriptor_back_and_cancels_who_waits():
    before = open_descriptors()
    async with asyncio.TaskGroup() as group:
        with TimerfdTicker(0.1) as ticker:
            waiting = group.create_task(ticker.tick())
            await asyncio.sleep(0.01)
            assert open_descriptors() > before
    assert waiting.cancelled()
    assert open_descriptors() == before
    with pytest.raises(RuntimeError, match="not running"):
        await ticker.tick()
    with ticker:  # and it may be used again
        pass


@pytest.mark.parametrize("make", [TimerfdTicker, VirtualTicker])
async def test_one_ticker_serves_one_task(make):
    with make(0.1) as ticker:
        async with asyncio.TaskGroup() as group:
            waiting = group.create_task(ticker.tick())
            await asyncio.sleep(0)
            with pytest.raises(RuntimeError, match="another task waits"):
                await ticker.tick()
            with pytest.raises(RuntimeError, match="running already"):
                ticker.__enter__()
            waiting.cancel()


def test_a_real_ticker_in_virtual_time_is_refused_and_leaks_nothing():
    before = open_descriptors()

    async def story() -> None:
        with pytest.raises(NotInVirtualTime), TimerfdTicker(100.0):
            pass

    run_virtual(story())
    assert open_descriptors() == before


def test_virtual_ticks_are_exact_for_an_hour():
    async def story() -> None:
        with VirtualTicker(10.0) as ticker:
            for index in range(36_000):
                tick = await ticker.tick()
                assert (tick.index, tick.missed, tick.lateness_s) == (index, 0, 0.0)
            assert now_s() == pytest.approx(1000.0 + 3600.0, abs=1e-6)

    run_virtual(story(), start_mono_s=1000.0)


@given(st.floats(0.1, 2000.0), st.floats(0.0, 1e6), st.lists(st.floats(0.0, 3.0), min_size=1, max_size=20))
def test_virtual_deadlines_are_counted_whatever_the_bodies_take(rate_hz: float, start_s: float, bodies: list[float]):
    async def story() -> None:
        counted = 0
        with VirtualTicker(rate_hz) as ticker:
            period_s = ticker.period_s
            for body in bodies:
                await asyncio.sleep(body * period_s)
                tick = await ticker.tick()
                counted += 1 + tick.missed
                assert counted == tick.index + 1
                assert tick.time_mono_s == pytest.approx(start_s + (tick.index + 1) * period_s, abs=1e-6)
                assert 0.0 <= tick.lateness_s <= period_s + 1e-9  # the newest deadline that has passed
                assert tick.time_mono_s + tick.lateness_s == pytest.approx(now_s(), abs=1e-9)

    run_virtual(story(), start_mono_s=start_s)


def test_a_deadline_that_is_not_quite_there_yet_is_not_given_out():
    async def story(just_before: float) -> None:
        with VirtualTicker(7.0) as ticker:
            await asyncio.sleep(0.0)
            loop = asyncio.get_running_loop()
            there = loop.create_future()
            loop.call_at(just_before, there.set_result, None)
            await there
            tick = await ticker.tick()
            assert tick.time_mono_s <= now_s() == just_before
            assert tick.lateness_s >= 0.0

    period_s = 142857143e-9
    for number in range(2, 300):
        run_virtual(story(math.nextafter(0.1 + period_s + number * period_s, 0.0)), start_mono_s=0.1)


@pytest.mark.virtual_time
async def test_a_cancelled_virtual_tick_loses_no_deadline():
    with VirtualTicker(10.0) as ticker:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await ticker.tick()
        tick = await ticker.tick()
    assert (tick.index, tick.missed, tick.time_mono_s) == (0, 0, pytest.approx(0.1))


def test_a_timer_counts_its_expirations_and_closes_twice():
    period_ns = 1_000_000
    timer = TimerFd(first_ns=time.monotonic_ns() + period_ns, period_ns=period_ns)
    try:
        began_s = time.monotonic()
        counted = timer.expirations()
        time.sleep(0.02)
        counted += timer.expirations()
        assert 18 <= counted <= 1000 * (time.monotonic() - began_s) + 5
        assert os.get_inheritable(timer.fd) is False
    finally:
        timer.close()
    timer.close()
    with pytest.raises(ValueError, match="above zero"):
        TimerFd(first_ns=1, period_ns=0)
