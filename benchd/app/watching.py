"""The sentry's process: builds the sentry of a bench and keeps the machine from delaying it.

It holds no more than the settings, one driver and a log. Its scheduling is the unit's business (SCHED_FIFO, see
systemd/benchd-sentry@.service): a process that may give itself real-time priority may give itself any. What it can do
for itself it does: no garbage collection over what was there at the start, memory that is not paged out.
"""

import asyncio
import contextlib
import ctypes
import os
import signal
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from benchd.app.watched import shared_path
from benchd.live.quiet import quiet_process
from benchd.outside import log as outside_log
from benchd.outside.foreign import foreign_voices
from benchd.records import BenchLock
from benchd.sentry.judge import Rules
from benchd.sentry.sentry import Sentry
from benchd.sentry.shared import SharedFile
from benchd.settings.bench import Bench

_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4  # mlockall(2); on fault: what was used once stays


def run_sentry(bench: Bench, *, runtime_directory: Path, tick_silent_s: float | None = None) -> None:
    """Watch this bench's daemon until SIGTERM or SIGINT; `tick_silent_s` replaces the bench file's.

    Raises `RecordsError` when another sentry watches this bench, `OSError` where the shared file cannot be made, and
    whatever making the driver raises.
    """
    rules = rules_of(bench)
    if tick_silent_s is not None:
        rules = replace(rules, tick_silent_s=tick_silent_s)
    with BenchLock(runtime_directory / f"benchd-{bench.name}.sentry.lock"):
        asyncio.run(_watch(bench, runtime_directory, rules))


async def _watch(bench: Bench, runtime_directory: Path, rules: Rules) -> None:
    address = bench.roles["safety_chain"][0]
    device = bench.devices[address.device]
    log = outside_log.configure(sys.stderr)
    told_to_end = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, told_to_end.set)
    with foreign_voices(log), SharedFile(shared_path(bench, runtime_directory)) as shared:
        sentry = Sentry(
            device.manifest.make(device.settings), shared, rules, port=address.port, on_event=log.logger.info
        )
        with quiet_process() as quiet, memory_locked() as locked:
            log.logger.info(
                "watching",
                bench=bench.name,
                tick_silent_s=rules.tick_silent_s,
                real_time=os.sched_getscheduler(0) == os.SCHED_FIFO,
                memory_locked=locked,
                refused=quiet.refused,
            )
            async with asyncio.TaskGroup() as group:
                pump = group.create_task(log.pump(), name="log")
                watching = group.create_task(sentry.run(), name="sentry")
                await told_to_end.wait()
                watching.cancel()
                await asyncio.wait({watching})
                log.logger.info("ended")
                pump.cancel()
    log.close()


def rules_of(bench: Bench) -> Rules:
    """How this bench's sentry judges."""
    device = bench.devices[bench.roles["safety_chain"][0].device]
    table = bench.sentry
    silent_s = Rules(tick_hz=bench.tick_rate_hz).tick_silent_s if table is None else table.tick_silent_s
    return Rules(
        tick_hz=bench.tick_rate_hz,
        tick_silent_s=silent_s,
        read_every_s=1.0 / device.poll_hz,
        reply_time_s=device.manifest.reply_time_s,
        withdraw_time_s=device.manifest.safe_time_s,
    )


@contextlib.contextmanager
def memory_locked() -> Iterator[bool]:
    """Whatever this process has touched stays in memory while the context lasts; False where that is not permitted."""
    libc = ctypes.CDLL(None, use_errno=True)
    locked = libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0
    try:
        yield locked
    finally:
        if locked:
            libc.munlockall()
