"""The daemon's side of a bench with a sentry: it sees the chain through the sentry and shows it that its tick lives."""

import asyncio
import os
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from benchd.contract import Driver, LinkLost
from benchd.live.plan import BenchPlan
from benchd.live.ticker import Tick, Ticker
from benchd.sentry.chain import SentryChain
from benchd.sentry.shared import SharedFile, born
from benchd.settings.bench import Bench

WITHDRAW_MARGIN_S = 0.1  # beside what the chain's own driver promises
SENTRY_WITHIN_S = 2.0  # for one that is started at the same time


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


class Watched:
    """The daemon's side: its drivers see the chain through the sentry, its tick shows that it lives."""

    def __init__(self, bench: Bench, shared: SharedFile) -> None:
        address = bench.roles["safety_chain"][0]
        self.bench = bench
        self._device = address.device
        self._shared = shared
        safe_time_s = bench.devices[address.device].manifest.safe_time_s
        self.start_by = f"'benchd sentry {bench.document.file}' or the unit benchd-sentry@{bench.name}"
        self._chain = SentryChain(
            shared, port=address.port, withdraw_time_s=safe_time_s + WITHDRAW_MARGIN_S, start_by=self.start_by
        )
        self._pid = os.getpid()
        self._born = born(self._pid)
        self._ticks = 0

    def drivers(self, drivers: Mapping[str, Driver]) -> Mapping[str, Driver]:
        """The same drivers, but the chain's, whose connection is the sentry's."""
        return {**drivers, self._device: self._chain}

    @property
    def sentry_lives(self) -> bool:
        """Whether a sentry shows itself just now."""
        try:
            self._chain.window.signs()
        except LinkLost:
            return False
        return True

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


def plan_through(shown: Watched | None, plan: BenchPlan) -> BenchPlan:
    """The plan, where a sentry owns the chain with a look at it at every tick.

    A look costs no exchange, and two polls one after the other would see an emergency stop later than one.
    """
    if shown is None:
        return plan
    chain = replace(plan.devices[plan.safety_chain.device], poll_hz=plan.tick_hz)
    return replace(plan, devices={**plan.devices, chain.name: chain})


async def tell_missing(shown: Watched | None, on_event: Callable[..., None]) -> None:
    """Say once what to start where a bench wants a sentry and none has shown itself."""
    if shown is None:
        return
    await asyncio.sleep(SENTRY_WITHIN_S)
    if not shown.sentry_lives:
        sentence = f"No sentry watches {shown.bench.name}, and nothing starts without one: start {shown.start_by}."
        on_event("no_sentry", sentence=sentence)


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
