"""A daemon in a process of its own that measures its own tick: builds the bench as `serve` does and prints JSON.

Not a test: started by test_daemon.py. Seven devices at one rate, over loopback sockets, with a run being played.
"""

import asyncio
import json
import resource
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from benchd.app.command_line import load_all
from benchd.app.recorder import clock_anchor, open_recorder
from benchd.app.wiring import bench_plan
from benchd.live.bench import Bench
from benchd.live.link import Link
from benchd.live.quiet import quiet_process
from benchd.live.run import Run
from benchd.live.ticker import TimerfdTicker
from benchd.outside import log as outside_log
from benchd.rules.states import Command, State


class WatchedTicker:
    """A ticker that keeps every tick's lateness while `watching`."""

    def __init__(self, ticker: TimerfdTicker) -> None:
        self._ticker = ticker
        self.watching = False
        self.lateness_s: list[float] = []
        self.missed = 0

    @property
    def period_s(self) -> float:
        return self._ticker.period_s

    async def run(self, each) -> None:
        def watched(tick) -> None:
            if self.watching:
                self.lateness_s.append(tick.lateness_s)
                self.missed += tick.missed
            each(tick)

        await self._ticker.run(watched)


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def main(programme: str, data: str, seconds: float, tick_hz: float, poll_hz: float, devices: list[str]) -> None:
    settings, run = load_all("greenhouse", programme, "vent_flap_24v", "vent_flap", device=devices, data=Path(data))
    plan = bench_plan(settings)
    plan = replace(
        plan,
        tick_hz=tick_hz,
        devices={name: replace(device, poll_hz=poll_hz) for name, device in plan.devices.items()},
    )
    clock = clock_anchor()
    log = outside_log.configure(sys.stderr)
    links = {
        name: Link(
            name,
            device.manifest.make(device.settings),
            reply_time_s=device.manifest.reply_time_s,
            safe_time_s=device.manifest.safe_time_s,
            on_change=lambda change: log.logger.info("link", sentence=change.sentence),
        )
        for name, device in settings.devices.items()
    }
    loop = asyncio.get_running_loop()
    with (
        ThreadPoolExecutor(max_workers=1) as records,
        quiet_process(),
    ):
        ticker = WatchedTicker(TimerfdTicker(tick_hz))
        live = Bench(
            plan,
            links,
            ticker,
            on_event=lambda name, **fields: log.logger.info(name, **fields),
            offload=lambda slow: loop.run_in_executor(records, slow),
        )
        async with asyncio.TaskGroup() as group:
            bench = group.create_task(live.run())
            pump = group.create_task(log.pump())
            await live.settled.wait()
            live.load(
                Run(
                    title="probe",
                    plan=run.plan,
                    tests=run.tests,
                    open_recorder=lambda: open_recorder(settings, run, clock=clock, mono_s=time.monotonic()),
                )
            )
            live.command(Command.RESET, because="the measurement")
            await live.settled.wait()
            live.command(Command.START, because="the measurement")
            while live.engine.state is not State.EXECUTE:
                await asyncio.sleep(0.05)
                assert live.engine.state in {State.STARTING, State.EXECUTE}, live.engine.state
            print("started", flush=True)
            calls = {name: link.counters.calls for name, link in links.items()}
            ticker.watching = True
            began_s, used_s = time.monotonic(), cpu_s()
            await asyncio.sleep(seconds)
            ticker.watching = False
            elapsed_s, used_s = time.monotonic() - began_s, cpu_s() - used_s
            calls = {name: (link.counters.calls - calls[name]) / elapsed_s for name, link in links.items()}
            state = live.engine.state.title
            live.command(Command.STOP, because="measured")
            await live.settled.wait()
            bench.cancel()
            await asyncio.wait({bench})
            pump.cancel()
    print(
        json.dumps(
            {
                "lateness_s": ticker.lateness_s,
                "missed": ticker.missed,
                "core_share": used_s / elapsed_s,
                "calls_per_s": calls,
                "state": state,
            }
        )
    )


if __name__ == "__main__":
    asyncio.run(
        main(sys.argv[1], sys.argv[2], float(sys.argv[3]), float(sys.argv[4]), float(sys.argv[5]), sys.argv[6:])
    )
