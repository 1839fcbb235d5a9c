"""A bench on the twin that waits in Stopped with a manual session loaded, and a hand that orders and lives."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from benchd.app.discovery import find_drivers
from benchd.app.manual_run import plan_manual
from benchd.app.recorder import open_recorder
from benchd.app.wiring import PlannedRun
from benchd.live.manual import ManualDesk
from benchd.live.run import Recorder, Run
from benchd.records import ClockAnchor
from benchd.rules.by_hand import Order, SpeedBy, What
from benchd.settings.bench import Bench
from benchd.settings.load import Registry, load_bench, load_motor, load_setup
from benchd.settings.manual_programme import HandLimits
from benchd.settings.places import configs_directory

from .twin_bench import BRUSHED, BRUSHLESS, NEW_YEAR_NS, Kind, OnTwin, running

PROGRAMMES = {
    BRUSHED: None,
    BRUSHLESS: """
schema = 1
name = "short"

[[test]]
kind = "no_load"
supply_voltage_v = 48.0
speeds_rpm = [500.0, 1000.0]
settle_time_s = 0.3
average_time_s = 0.4
""",
}


@dataclass(slots=True)
class Hand:
    """The bench with a hand at it. While `alive` it says every 0.2 s that it is there."""

    on_twin: OnTwin
    desk: ManualDesk
    alive: bool = True

    @property
    def live(self):
        return self.on_twin.live

    def order(self, what: str, value: float | None = None, **more) -> None:
        by = more.pop("by", None)
        self.desk.take(
            Order(what=What(what), value=value, speed_by=None if by is None else SpeedBy(by), **more), by="ines"
        )

    async def lives(self) -> None:
        while True:
            await asyncio.sleep(0.2)
            if self.alive:
                with contextlib.suppress(Exception):
                    self.desk.keep()

    def seen(self, channel: str) -> float:
        return self.live.intake.samples[channel].value

    async def sees(self, channel: str, value: float, *, within: float, within_s: float = 30.0) -> None:
        await self.on_twin.until(
            lambda: abs(self.seen(channel) - value) <= within, f"{channel} {value}, now {self.seen(channel)}", within_s
        )


def session(kind: Kind, **limits) -> tuple[Bench, PlannedRun]:
    configs = configs_directory()
    bench = load_bench(configs / "benches" / f"{kind.bench}.toml", Registry(drivers=find_drivers().drivers, tests={}))
    return bench, plan_manual(
        bench,
        load_motor(configs / "motors" / f"{kind.motor}.toml"),
        load_setup(configs / "setups" / f"{kind.setup}.toml"),
        HandLimits(**limits),
        order="1",
        serial="1",
        operator="Somebody",
    )


@contextlib.asynccontextmanager
async def by_hand(
    folder: Path, kind: Kind, *, start: bool = True, record_in: Path | None = None, **limits
) -> AsyncIterator[Hand]:
    """In Execute of a manual session, unless `start` is False; recorded in memory, or in a folder below `record_in`."""
    programme = PROGRAMMES[kind]
    more = {} if programme is None else {"programme": programme}
    async with running(folder, kind=kind, **more) as on_twin:
        bench, planned = session(kind, **limits)
        desk = planned.desk
        assert desk is not None

        def opened() -> Recorder:
            if record_in is None:
                return on_twin.recorded
            anchor = ClockAnchor(mono_s=0.0, utc_ns=NEW_YEAR_NS)
            now_s = asyncio.get_running_loop().time()
            return open_recorder(bench, planned, clock=anchor, mono_s=now_s, data_directory=record_in)

        run = Run(title="manual", plan=planned.plan, tests=planned.tests, open_recorder=opened, desk=desk)
        on_twin.live.load(run)
        hand = Hand(on_twin, desk)
        async with asyncio.TaskGroup() as group:
            living = group.create_task(hand.lives())
            if start:
                await on_twin.start()
                await on_twin.until(lambda: desk.is_open, "an open desk")
                await asyncio.sleep(0.3)
            yield hand
            living.cancel()


__all__ = ["BRUSHED", "BRUSHLESS", "Hand", "by_hand", "session"]
