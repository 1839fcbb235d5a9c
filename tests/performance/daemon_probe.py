"""A daemon in a process of its own that measures its own tick: builds the bench as `serve` does and prints JSON.

Not a test: started by test_daemon.py and test_stream.py. Seven devices at one rate, over loopback sockets, with a run
being played; with BENCHD_PROBE_STREAM in the environment eight waveforms are streamed beside it and windows kept.
"""

import asyncio
import json
import os
import resource
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from benchd.app.loading import load_all
from benchd.app.recorder import clock_anchor, open_recorder
from benchd.app.wiring import bench_plan
from benchd.live.bench import Bench
from benchd.live.capture import CapturedWindow, Capturing
from benchd.live.link import Link
from benchd.live.plan import PortRef
from benchd.live.quiet import quiet_process
from benchd.live.run import Run
from benchd.live.ticker import TimerfdTicker
from benchd.outside import log as outside_log
from benchd.records import write_waveforms
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


STREAM_HZ = 20_000.0
WINDOW_S, WINDOW_EVERY_S = 2.0, 3.0


class Stream:
    """Eight waveforms at 20 kHz beside the bench: what came, and the windows that were written to the disk."""

    def __init__(self, link: Link, data: Path, records: ThreadPoolExecutor) -> None:
        self._data = data
        self._records = records
        self.windows: list[str] = []  # what each says of its losses
        self.failures: list[str] = []
        self.capturing = Capturing(
            PortRef("measuring_unit", "waveforms"), link, on_window=self._keep, on_event=self._event
        )

    def _keep(self, window: CapturedWindow) -> None:
        self.windows.append(window.lossy)
        self._records.submit(self._write, window)

    def _write(self, window: CapturedWindow) -> None:
        write_waveforms(
            self._data,
            test=window.test,
            point=window.point,
            signals=[(name, "V") for name in window.signals],
            data=window.data,
            rate_hz=window.rate_hz,
            first_mono_s=window.first_mono_s,
            first_index=window.first_index,
            lost=window.lost,
        )

    def _event(self, name: str, **fields: object) -> None:
        if name == "capture_failed":
            self.failures.append(str(fields["sentence"]))

    async def run(self) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(self.capturing.run())
            self.capturing.open()
            for point in range(10**6):
                await asyncio.sleep(WINDOW_EVERY_S)
                self.capturing.wanted(test=0, point=point, seconds=WINDOW_S)


def streaming(settings):
    """The same bench whose measuring unit streams eight waveforms."""
    unit = settings.devices["measuring_unit"]
    inputs = [{"name": f"wf{channel}_v", "channel": channel} for channel in range(11, 19)]
    given = unit.settings.model_dump() | {"waveforms": {"rate_hz": STREAM_HZ, "inputs": inputs}}
    unit = replace(unit, settings=type(unit.settings).model_validate(given))
    return replace(settings, devices={**settings.devices, "measuring_unit": unit})


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
    if "BENCHD_PROBE_STREAM" in os.environ:
        settings = streaming(settings)
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
            stream, streamed = None, {}
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
            if "BENCHD_PROBE_STREAM" in os.environ:
                stream = Stream(links["measuring_unit"], Path(data), records)
                streaming_task = group.create_task(stream.run())
                await asyncio.sleep(1.0)
            came = stream.capturing.samples if stream else 0
            calls = {name: link.counters.calls for name, link in links.items()}
            ticker.watching = True
            began_s, used_s = time.monotonic(), cpu_s()
            await asyncio.sleep(seconds)
            ticker.watching = False
            elapsed_s, used_s = time.monotonic() - began_s, cpu_s() - used_s
            calls = {name: (link.counters.calls - calls[name]) / elapsed_s for name, link in links.items()}
            if stream:
                streamed = {
                    "samples_per_s": (stream.capturing.samples - came) / elapsed_s,
                    "missing": stream.capturing.missing,
                    "lost": stream.capturing.lost,
                    "windows": stream.windows,
                    "failures": stream.failures,
                }
                streaming_task.cancel()
                await asyncio.wait({streaming_task})
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
                "stream": streamed,
            }
        )
    )


if __name__ == "__main__":
    asyncio.run(
        main(sys.argv[1], sys.argv[2], float(sys.argv[3]), float(sys.argv[4]), float(sys.argv[5]), sys.argv[6:])
    )
