"""A live bench that one command has for itself, made, run beside the command's work, and let go in order after it."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

from benchd.app.watched import ShownTicker, Watched
from benchd.contract import Driver
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.plan import BenchPlan
from benchd.live.quiet import quiet_process
from benchd.live.ticker import Ticker, TimerfdTicker

Work = Callable[[LiveBench, dict[str, Link]], Awaitable[None]]


async def beside_own_bench(
    plan: BenchPlan,
    drivers: Mapping[str, Driver],
    shown: Watched | None,
    work: Work,
    *,
    on_event: Callable[..., None],
) -> None:
    """The work on a live bench of these drivers; `on_event` hears it and its links, and must not wait.

    However the work ends, the bench ends after it and lets everything go in order. Raises what either of them raises.
    """
    links = {
        name: Link(
            name,
            drivers[name],
            reply_time_s=device.reply_time_s,
            safe_time_s=device.safe_time_s,
            on_change=lambda change: on_event("link", link=change.link, sentence=change.sentence),
        )
        for name, device in plan.devices.items()
    }
    loop = asyncio.get_running_loop()
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="records") as records, quiet_process():

        async def offload(slow: Callable[[], object]) -> object:
            return await loop.run_in_executor(records, slow)

        live = LiveBench(plan, links, _ticker(plan, shown, lambda: live.energised), on_event=on_event, offload=offload)
        await _beside(live, work(live, links))


async def _beside(live: LiveBench, work: Awaitable[None]) -> None:
    bench = asyncio.ensure_future(live.run())
    working = asyncio.ensure_future(work)
    try:
        await asyncio.wait({bench, working}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for one in (working, bench):
            one.cancel()
            await asyncio.wait({one})
    if not bench.cancelled() and (error := bench.exception()) is not None:
        raise error
    await working


def _ticker(plan: BenchPlan, shown: Watched | None, energised: Callable[[], bool]) -> Ticker:
    ticker = TimerfdTicker(plan.tick_hz)
    return ticker if shown is None else ShownTicker(ticker, shown, energised=energised)
