"""Puts the outside together: broker, what is announced, who is obeyed. Its parts never make the bench wait.

It holds what one session of the daemon needs to be told apart from every earlier one.
"""

import asyncio
import contextlib
import datetime as dt
import socket
import ssl
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from benchd.app.announcing import Announcer
from benchd.app.commander import Commander
from benchd.app.library import Library
from benchd.app.namesake import Namesake
from benchd.app.wiring import PlannedRun
from benchd.live.bench import Bench as LiveBench
from benchd.outside.admission import Admission
from benchd.outside.broker import Broker, BrokerSettings
from benchd.outside.lease import COMMAND_LINE, Lease
from benchd.outside.messages import BenchState
from benchd.outside.outbox import Outbox
from benchd.outside.spool import Spool
from benchd.outside.topics import Topics
from benchd.records import RecordsError
from benchd.records.durable import write_whole
from benchd.settings.bench import Bench
from benchd.settings.errors import unreadable
from benchd.settings.load import Registry
from benchd.settings.outside_file import USUAL_GROUPS, MqttTable

NUMBERS_OF_A_SESSION = 1_000_000_000  # more leases than a session will ever give
OUTSIDE = ".outside"  # beside the run folders
LAST_FENCE = "last_fence"
AGAIN_S = 2.0  # before a part that failed begins anew


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """How the outside reaches this daemon: the broker, which files it may name, whence the numbers count."""

    broker: BrokerSettings
    registry: Registry
    directory: Path
    first_fence: int

    @property
    def session(self) -> str:
        """A name that no earlier start of this bench's daemon had."""
        return f"{self.first_fence:x}"


def access(bench: Bench, registry: Registry, *, broker: str | None) -> Access | None:
    """The outside of this bench; `broker` is HOST:PORT instead of the bench file's, or "off". None: nobody is told.

    Raises `ValueError` in a sentence for another text, `SettingsError` for a password that cannot be read.
    """
    table = bench.mqtt
    if broker == "off" or (table is None and broker is None):
        return None
    table = table or MqttTable()
    settings = BrokerSettings(
        host=table.host,
        port=table.port,
        username=table.username,
        password=_password(table),
        ca_file=None if table.ca_file is None else Path(table.ca_file),
        keepalive_s=table.keepalive_s,
    )
    if broker is not None:
        host, port = place(broker)
        settings = replace(settings, host=host, port=port)
    _refuse_no_host(settings.host)
    _refuse_unusable(settings.ca_file)
    directory = bench.data_directory / OUTSIDE / bench.name  # benches may share a data directory
    return Access(
        broker=settings, registry=registry, directory=directory, first_fence=_first_fence(directory / LAST_FENCE)
    )


def place(text: str) -> tuple[str, int]:
    """Host and port of HOST:PORT, port 1883 where it is left out. Raises `ValueError` in a sentence."""
    host, colon, port = text.rpartition(":")
    if text and not colon:
        return text, 1883
    if not host or (":" in host and not host.startswith("[")) or not port.isdecimal() or not 0 < int(port) < 65536:
        raise ValueError(f"--broker {text} is not HOST:PORT, such as 127.0.0.1:1883.")
    return host.strip("[]"), int(port)


def _refuse_no_host(host: str) -> None:
    """Raises `ValueError` for what no name server can be asked for."""
    try:
        host.encode("idna")
    except UnicodeError as error:
        raise ValueError(f'"{host}" cannot be the name of a broker\'s computer: write such as 127.0.0.1.') from error


def _refuse_unusable(ca_file: Path | str | None) -> None:
    if ca_file is None:
        return
    try:
        ssl.create_default_context(cafile=ca_file)
    except OSError as error:  # ssl.SSLError is one
        why = error.strerror or "it holds no certificate"
        raise unreadable(
            Path(ca_file), f"cannot be used as the broker's authority ({why.lower()}); mend that"
        ) from error


def _password(table: MqttTable) -> str | None:
    if table.password_file is None:
        return None
    file = Path(table.password_file)
    try:
        return file.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise unreadable(file, f"holds the broker's password and cannot be read ({why.lower()}); mend that") from error


def _first_fence(file: Path) -> int:
    """Milliseconds of UTC, or beyond the last session's: never a number twice. Kept in a file."""
    first = time.time_ns() // 1_000_000
    with contextlib.suppress(OSError, ValueError):
        first = max(first, int(file.read_text()) + NUMBERS_OF_A_SESSION)
    with contextlib.suppress(OSError, RecordsError):  # the disk is told of when a run is to be recorded
        file.parent.mkdir(parents=True, exist_ok=True)
        write_whole(file, str(first).encode())
    return first


class Remote:
    """The outside of a running bench. `event` is told everything that happens and never waits."""

    def __init__(
        self,
        live: LiveBench,
        bench: Bench,
        access: Access,
        *,
        utc: Callable[[float], dt.datetime],
        offload: Callable[[Callable[[], object]], Awaitable[object]],
        choose: Callable[[PlannedRun], None],
        on_event: Callable[..., None],
        on_failure: Callable[[Exception], None],
    ) -> None:
        self._on_failure = on_failure
        loop = asyncio.get_running_loop()
        topics = Topics(bench.name)
        self._lease = lease = Lease(first_fence=access.first_fence)
        self.spool = Spool(
            access.directory / "spool",
            offload=offload,
            on_change=lambda well, sentence: on_event("spool", well=well, sentence=sentence),
        )
        self.outbox = Outbox(topics, self.spool)
        self.admission = Admission(
            topics,
            lease,
            utc_now=lambda: dt.datetime.now(dt.UTC),  # a command's age is between two computers' clocks as they are now
            now_mono_s=loop.time,
            state=lambda: live.engine.state.title,
        )
        self.announcer = Announcer(
            live,
            self.outbox,
            lease,
            session=access.session,
            groups=USUAL_GROUPS if bench.mqtt is None else bench.mqtt.groups,
            utc=utc,
        )
        self.namesake = Namesake(bench.name, session=access.session, on_event=on_event, retell=self.announcer.changed)
        self.announcer.crowded = lambda: self.namesake.sentence
        self.commander = Commander(
            live,
            forbidden=lambda: self.namesake.sentence,
            admission=self.admission,
            lease=lease,
            library=Library(bench=bench, registry=access.registry),
            announcer=self.announcer,
            answering=self.outbox,
            choose=choose,
            on_event=on_event,
            on_failure=on_failure,
            utc=utc,
        )

        def offline() -> bytes:
            gone = BenchState(online=False, utc=utc(loop.time()), session=access.session)
            return gone.model_dump_json().encode()

        self.broker = Broker(
            access.broker,
            topics=topics,
            outbox=self.outbox,
            last_will=offline(),
            client_id=f"benchd-{access.session}-{bench.name}-{socket.gethostname()}"[:64],
            on_command=self.commander.arrived,
            on_change=lambda up, sentence: on_event("broker", up=up, sentence=sentence),
            on_refused=lambda sentence: on_event("broker_refused", sentence=sentence),
            offline=offline,
            on_state=self.namesake.heard,
        )

    def plays(self, run: PlannedRun) -> None:
        """The daemon plays a run of its own: others may look and stop it, and choose or start nothing."""
        self._lease.keep(COMMAND_LINE)
        self.announcer.chosen(run)

    async def run(self) -> None:
        """Until cancelled; on the way out the bench is said to be offline."""
        async with asyncio.TaskGroup() as group:
            for part in (self.announcer, self.commander, self.spool, self.broker):
                group.create_task(self._going_on(part.run), name=type(part).__name__.lower())

    async def _going_on(self, run: Callable[[], Awaitable[None]]) -> None:
        """A part that fails by a defect of its own takes neither the others nor the bench along, and begins anew."""
        while True:
            try:
                await run()
            except Exception as error:  # noqa: BLE001 - whatever it is
                self._on_failure(error)
            await asyncio.sleep(AGAIN_S)

    def event(self, name: str, fields: Mapping[str, object]) -> None:
        """Something happened. Never raises: it is told from within the tick."""
        for hears in (self.commander.told, self.announcer.event):  # answers first: somebody waits for them
            try:
                hears(name, fields)
            except Exception as error:  # noqa: BLE001 - what fails to tell must not fail to act
                self._on_failure(error)
