"""Builds the sentry of a bench, and the daemon's side of it. It runs what the room `benchd.sentry` holds."""

import asyncio
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from benchd.contract import Driver
from benchd.live.ticker import Tick, Ticker
from benchd.outside import log as outside_log
from benchd.outside.foreign import foreign_voices
from benchd.records import BenchLock
from benchd.sentry.chain import SentryChain
from benchd.sentry.sentry import Rules, Sentry
from benchd.sentry.shared import SharedFile, born
from benchd.settings.bench import Bench

WITHDRAW_MARGIN_S = 0.1  # beside what the chain's own driver promises


def default_runtime_directory() -> Path:
    """Where lock files go: systemd's runtime directory, else one place for every user of this machine.

    A place of each user's own would let two daemons run one bench.
    """
    given = os.environ.get("RUNTIME_DIRECTORY")
    if given:
        return Path(given)
    service = Path("/run/benchd")
    return service if service.is_dir() else Path("/tmp")  # noqa: S108 - a lock file, nothing is believed of its content


def shared_path(bench: Bench, runtime_directory: Path) -> Path:
    """The file through which daemon and sentry of this bench see each other."""
    return runtime_directory / f"benchd-{bench.name}.signs"


def run_sentry(bench: Bench, *, runtime_directory: Path) -> None:
    """Watch this bench's daemon until SIGTERM or SIGINT.

    Raises `RecordsError` when another sentry watches this bench, `OSError` where the shared file cannot be made, and
    whatever making the driver raises.
    """
    with BenchLock(runtime_directory / f"benchd-{bench.name}.sentry.lock"):
        asyncio.run(_watch(bench, runtime_directory))


async def _watch(bench: Bench, runtime_directory: Path) -> None:
    address = bench.roles["safety_chain"][0]
    device = bench.devices[address.device]
    log = outside_log.configure(sys.stderr)
    told_to_end = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, told_to_end.set)
    with foreign_voices(log), SharedFile(shared_path(bench, runtime_directory)) as shared:
        sentry = Sentry(
            device.manifest.make(device.settings),
            shared,
            rules_of(bench),
            port=address.port,
            on_event=log.logger.info,
        )
        async with asyncio.TaskGroup() as group:
            pump = group.create_task(log.pump(), name="log")
            watching = group.create_task(sentry.run(), name="sentry")
            log.logger.info("watching", bench=bench.name)
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


class Watched:
    """The daemon's side: its drivers see the chain through the sentry, its tick shows that it lives."""

    def __init__(self, bench: Bench, shared: SharedFile) -> None:
        address = bench.roles["safety_chain"][0]
        self._device = address.device
        self._shared = shared
        safe_time_s = bench.devices[address.device].manifest.safe_time_s
        self._chain = SentryChain(shared, port=address.port, withdraw_time_s=safe_time_s + WITHDRAW_MARGIN_S)
        self._pid = os.getpid()
        self._born = born(self._pid)
        self._ticks = 0

    def drivers(self, drivers: Mapping[str, Driver]) -> Mapping[str, Driver]:
        """The same drivers, but the chain's, whose connection is the sentry's."""
        return {**drivers, self._device: self._chain}

    def show(self, *, energised: bool, ended: bool = False) -> None:
        """One tick has been worked off."""
        self._ticks += 1
        self._shared.show_daemon(
            pid=self._pid,
            born=self._born,
            ticks=self._ticks,
            tick_mono_ns=time.monotonic_ns(),
            beats=self._chain.window.beats,
            energised=energised,
            ended=ended,
        )


@contextmanager
def watched(bench: Bench, runtime_directory: Path) -> Iterator[Watched | None]:
    """The daemon's side of a bench with a sentry, None for one without. Raises `OSError`."""
    if bench.sentry is None:
        yield None
        return
    with SharedFile(shared_path(bench, runtime_directory)) as shared:
        one = Watched(bench, shared)
        try:
            yield one
        finally:
            one.show(energised=False, ended=True)


class ShownTicker:
    """A ticker whose every tick is shown once it has been worked off."""

    def __init__(self, ticker: Ticker, shown: Watched, *, energised: Callable[[], bool]) -> None:
        self._ticker = ticker
        self._shown = shown
        self._energised = energised

    @property
    def period_s(self) -> float:
        """As the ticker's."""
        return self._ticker.period_s

    async def run(self, each: Callable[[Tick], None]) -> None:
        """As the ticker's."""

        def worked_off(tick: Tick) -> None:
            each(tick)
            self._shown.show(energised=self._energised())

        await self._ticker.run(worked_off)
