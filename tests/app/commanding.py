"""A commander on the twin, and somebody who asks it. Not a test; only the wire is left out."""

import asyncio
import contextlib
import datetime as dt
import itertools
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from benchd.app.announcing import Announcer
from benchd.app.commander import Commander
from benchd.app.discovery import find_drivers
from benchd.app.library import Library
from benchd.app.loading import registry
from benchd.live.run import Run
from benchd.outside.admission import Admission, Arrived, Return
from benchd.outside.commands import Reply
from benchd.outside.lease import Lease
from benchd.outside.messages import BenchState, Data, Event, Meta, RunAnnouncement
from benchd.outside.topics import Topics
from benchd.settings.outside_file import DataGroup
from tests.live.twin_bench import SHORT, OnTwin, planned, running

EPOCH = dt.datetime(2026, 5, 4, 6, 0, tzinfo=dt.UTC)
TOPICS = Topics("greenhouse")
CHOICE = {
    "programme": "vent_flap_acceptance",
    "motor": "vent_flap_24v",
    "setup": "vent_flap",
    "order": "17",
    "serial": "0042",
    "operator": "Ines Halvorsen-Ruud",
}


def utc(mono_s: float) -> dt.datetime:
    return EPOCH + dt.timedelta(seconds=mono_s)


@dataclass
class Told:
    """Everything that would have been published."""

    metas: list[Meta] = field(default_factory=list)
    states: list[BenchState] = field(default_factory=list)
    frames: list[tuple[str, Data]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    runs: list[RunAnnouncement] = field(default_factory=list)
    replies: list[tuple[Return, Reply]] = field(default_factory=list)

    def meta(self, message: Meta) -> None:
        self.metas.append(message)

    def state(self, message: BenchState) -> None:
        self.states.append(message)

    def data(self, group: str, message: Data) -> None:
        self.frames.append((group, message))

    def event(self, message: Event) -> None:
        self.events.append(message)

    def run(self, message: RunAnnouncement) -> None:
        self.runs.append(message)

    def reply(self, to: Return, reply: Reply) -> None:
        self.replies.append((to, reply))


@dataclass
class Commanded:
    """A bench, its commander, and somebody who asks."""

    on_twin: OnTwin
    commander: Commander
    announcer: Announcer
    told: Told
    failures: list[Exception]
    fence: int | None = None
    _ids: itertools.count = field(default_factory=lambda: itertools.count(1))

    def ask(self, name: str, arguments: dict | None = None, *, client: str = "ines", **fields: object) -> str:
        """Send one command; its id."""
        id_ = f"q{next(self._ids)}"
        message = {
            "id": id_,
            "client": client,
            "issued_at": utc(asyncio.get_running_loop().time()).isoformat(),
            "fence": self.fence,
            **({} if arguments is None else {"arguments": arguments}),
            **fields,
        }
        self.commander.arrived(Arrived(topic=TOPICS.command(name), payload=json.dumps(message).encode()))
        return id_

    def stages(self, id_: str) -> list[str]:
        """What it was answered so far, progress left out."""
        return [reply.stage for _, reply in self.told.replies if reply.id == id_ and reply.stage != "progress"]

    def last(self, id_: str) -> Reply:
        return [reply for _, reply in self.told.replies if reply.id == id_][-1]

    async def until_last(self, id_: str, *, within_s: float = 60.0) -> Reply:
        await self.on_twin.until(lambda: self.stages(id_)[-1:] in (["done"], ["failed"], ["rejected"]), id_, within_s)
        return self.last(id_)

    async def take(self) -> None:
        reply = await self.until_last(self.ask("control", {"lease_s": 600.0}))
        assert reply.result is not None
        self.fence = reply.result.fence


@contextlib.asynccontextmanager
async def commanded(folder: Path, *, programme: str = SHORT) -> AsyncIterator[Commanded]:
    settings, _ = planned(folder=folder)
    told = Told()
    failures: list[Exception] = []
    async with running(folder, programme=programme) as on_twin:
        live, loop = on_twin.live, asyncio.get_running_loop()
        lease = Lease(first_fence=100)
        announcer = Announcer(live, told, lease, session="s", groups=[DataGroup(name="all", rate_hz=10.0)], utc=utc)

        def on_event(name: str, **fields: object) -> None:
            announcer.event(name, fields)
            commander.told(name, fields)

        async def at_once(slow):
            return slow()

        def choose(chosen) -> None:
            live.load(
                Run(
                    title="x",
                    plan=chosen.plan,
                    tests=chosen.tests,
                    open_recorder=lambda: on_twin.recorded,
                    attended=chosen.job.programme.attended,
                    confirmations=chosen.confirmations,
                    desk=chosen.desk,
                )
            )

        commander = Commander(
            live,
            admission=Admission(
                TOPICS,
                lease,
                utc_now=lambda: utc(loop.time()),
                now_mono_s=loop.time,
                state=lambda: live.engine.state.title,
            ),
            lease=lease,
            library=Library(bench=settings, registry=registry(find_drivers())),
            announcer=announcer,
            answering=told,
            choose=choose,
            on_event=on_event,
            on_failure=failures.append,
            utc=utc,
            beside=at_once,
        )
        live._log = on_event
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(commander.run()), group.create_task(announcer.run())]
            await asyncio.sleep(0.01)
            try:
                yield Commanded(on_twin, commander, announcer, told, failures)
            finally:
                for task in tasks:
                    task.cancel()
