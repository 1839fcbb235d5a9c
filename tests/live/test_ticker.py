"""Tickers: deadlines are absolute, what was missed is counted, nothing is left behind. Bounds suit a noisy machine."""

import asyncio
import os
import time
from collections.abc import Callable
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


class Enough(Exception):
    """Ends a ticker from within."""


async def ticks_of(ticker: Ticker, count: int, body: Callable[[int], None] = lambda _: None) -> list[Tick]:
    """The first ticks; `body` is called in each with its place."""
    ticks: list[Tick] = []

    def each(tick: Tick) -> None:
        ticks.append(tick)
        body(len(ticks))
        if len(ticks) == count:
            raise Enough

    with pytest.raises(Enough):
        await ticker.run(each)
    return ticks


@pytest.mark.wires
async def test_real_ticks_stand_on_a_grid_and_come_after_their_deadline():
    began_s = time.monotonic()
    seen_s: list[float] = []
    ticks = await ticks_of(TimerfdTicker(200.0), 40, lambda _: seen_s.append(time.monotonic()))
    first = ticks[0]
    assert 0.005 <= first.time_mono_s - began_s < 0.5
    for tick, at_s in zip(ticks, seen_s, strict=True):
        assert at_s >= tick.time_mono_s
        assert tick.time_mono_s == pytest.approx(first.time_mono_s + (tick.index - first.index) * 0.005, abs=1e-9)
        assert tick.lateness_s >= 0.0
    assert sum(1 + tick.missed for tick in ticks) == ticks[-1].index + 1
    assert sorted(tick.lateness_s for tick in ticks)[20] < 0.005  # even a loaded machine wakes within a period


@pytest.mark.wires
async def test_deadlines_that_pass_while_the_loop_is_held_are_counted_not_made_up_for():
    def body(place: int) -> None:
        if place == 1:
            time.sleep(0.055)  # a body that blocks the loop on purpose

    before, after, following = await ticks_of(TimerfdTicker(100.0), 3, body)
    assert after.missed >= 4
    assert after.index == before.index + 1 + after.missed
    assert after.lateness_s < 0.01 + 0.05  # it stands for the newest deadline that has passed
    assert following.index == after.index + 1 + following.missed


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
        await ticks_of(make(1000.0), 20, lambda _: time.sleep(0.003))
        running.cancel()
    assert steps >= 20


@pytest.mark.parametrize("make", [TimerfdTicker, VirtualTicker])
async def test_a_cancelled_ticker_ends_gives_its_descriptor_back_and_may_run_again(make):
    before = open_descriptors()
    ticker = make(200.0)
    for _ in range(2):
        async with asyncio.TaskGroup() as group:
            running = group.create_task(ticker.run(lambda _: None))
            await asyncio.sleep(0.03)
            running.cancel()
        assert running.cancelled()
    assert open_descriptors() == before


@pytest.mark.parametrize("make", [TimerfdTicker, VirtualTicker])
async def test_what_the_body_raises_the_runner_gets_and_no_tick_comes_after(make):
    count = 0

    def each(_: Tick) -> None:
        nonlocal count
        count += 1
        raise ValueError("a body that fails")

    with pytest.raises(ValueError, match="a body that fails"):
        await make(500.0).run(each)
    await asyncio.sleep(0.02)
    assert count == 1


def test_a_real_ticker_in_virtual_time_is_refused_and_leaks_nothing():
    before = open_descriptors()

    async def story() -> None:
        with pytest.raises(NotInVirtualTime):
            await TimerfdTicker(100.0).run(lambda _: None)

    run_virtual(story())
    assert open_descriptors() == before


def test_virtual_ticks_are_exact_for_an_hour():
    async def story() -> None:
        ticks = await ticks_of(VirtualTicker(10.0), 36_000)
        assert [tick.index for tick in ticks] == list(range(36_000))
        assert {(tick.missed, tick.lateness_s) for tick in ticks} == {(0, 0.0)}
        assert now_s() == pytest.approx(1000.0 + 3600.0, abs=1e-6)

    run_virtual(story(), start_mono_s=1000.0)


@given(st.floats(0.1, 2000.0), st.floats(0.0, 1e6), st.lists(st.floats(0.0, 3.0), min_size=1, max_size=20))
def test_virtual_deadlines_are_counted_whatever_holds_the_loop(rate_hz: float, start_s: float, bodies: list[float]):
    async def story() -> None:
        loop = asyncio.get_running_loop()
        ticker = VirtualTicker(rate_hz)
        counted = 0

        def each(tick: Tick) -> None:
            nonlocal counted
            counted += 1 + tick.missed
            assert counted == tick.index + 1
            assert tick.time_mono_s == pytest.approx(start_s + (tick.index + 1) * ticker.period_s, abs=1e-6)
            assert 0.0 <= tick.lateness_s <= ticker.period_s + 1e-9  # the newest deadline that has passed
            assert tick.time_mono_s + tick.lateness_s == pytest.approx(now_s(), abs=1e-9)
            if not bodies:
                raise Enough
            loop._set_time(now_s() + bodies.pop() * ticker.period_s)  # as if the body had taken that long

        with pytest.raises(Enough):
            await ticker.run(each)

    run_virtual(story(), start_mono_s=start_s)


@pytest.mark.wires
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
