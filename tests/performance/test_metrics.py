"""What a scrape costs the tick: lateness at 200 Hz, with 50 channels scraped five times a second and without."""

import asyncio
import contextlib
import statistics
import time
from collections.abc import AsyncIterator

import pytest

from benchd.live.quiet import quiet_process
from benchd.live.ticker import Tick, TimerfdTicker
from benchd.outside.metrics import ChannelFigures, DeviceFigures, Figures, serve_metrics

pytestmark = pytest.mark.performance

RATE_HZ, SECONDS, WORK_S = 200.0, 10.0, 0.001  # each tick also works for a millisecond, a fifth of the period
UNITS = ("V", "A", "W", "r/min", "N·m", "°C", "Hz", "1")


def figures() -> Figures:
    now = time.monotonic()
    return Figures(
        version="0.2.0",
        bench="vineyard",
        state="Execute",
        states=tuple(f"State{number}" for number in range(17)),
        permit=True,
        devices=tuple(DeviceFigures(name=f"device{number}", up=True) for number in range(8)),
        channels=tuple(
            ChannelFigures(name=f"channel{number}", unit=UNITS[number % len(UNITS)], value=now, age_s=0.01)
            for number in range(50)
        ),
        commands_refused={f"code{number}": number for number in range(17)},
        broker_connected=True,
    )


async def ticks(*, scraped_every_s: float | None) -> tuple[list[Tick], list[float]]:
    taken: list[Tick] = []
    answers_s: list[float] = []

    def each(tick: Tick) -> None:
        taken.append(tick)
        until = time.perf_counter() + WORK_S
        while time.perf_counter() < until:
            pass

    async with asking(scraped_every_s, answers_s):
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SECONDS):
                await TimerfdTicker(RATE_HZ).run(each)
    return taken, answers_s


@contextlib.asynccontextmanager
async def asking(every_s: float | None, answers_s: list[float]) -> AsyncIterator[None]:
    """A scraper in a process of its own, as Prometheus is, that prints how long each answer took."""
    if every_s is None:
        yield
        return
    async with serve_metrics(figures, port=0) as port:
        code = (
            f"import http.client, time\n"
            f"for _ in range({int(SECONDS / every_s)}):\n"
            f"    began = time.perf_counter(); c = http.client.HTTPConnection('127.0.0.1', {port})\n"
            f"    c.request('GET', '/metrics'); c.getresponse().read(); c.close()\n"
            f"    print(time.perf_counter() - began, flush=True); time.sleep({every_s})\n"
        )
        scraper = await asyncio.create_subprocess_exec("python3", "-c", code, stdout=asyncio.subprocess.PIPE)
        try:
            yield
        finally:
            with contextlib.suppress(ProcessLookupError):
                scraper.terminate()
            out, _ = await scraper.communicate()
            answers_s += [float(line) for line in out.split()]


async def test_a_scrape_makes_no_tick_noticeably_late(capsys: pytest.CaptureFixture[str]) -> None:
    told = []
    lateness: dict[str, list[float]] = {}
    missed: dict[str, int] = {}
    with quiet_process():
        for name, every_s in (("not scraped", None), ("scraped", 0.2), ("not again", None), ("scraped again", 0.2)):
            taken, answers_s = await ticks(scraped_every_s=every_s)
            late = sorted(tick.lateness_s * 1e6 for tick in taken)
            lateness[name], missed[name] = late, sum(tick.missed for tick in taken)
            answers = f"{len(answers_s)} answers, median {statistics.median(answers_s or [0.0]) * 1e3:.1f} ms"
            told.append(
                f"{name:14} median {statistics.median(late):7.0f} us, 99 % {late[int(len(late) * 0.99)]:7.0f} us, "
                f"largest {late[-1]:7.0f} us, missed {missed[name]} of {SECONDS * RATE_HZ:g}; {answers}"
            )
    with capsys.disabled():
        print("", *told, sep="\n")
    assert statistics.median(lateness["scraped"]) < 2 * statistics.median(lateness["not scraped"]) + 500.0
    assert missed["scraped"] <= 2 * missed["not scraped"] + 20
