"""Collects what Prometheus is told, plain values from each part of the daemon. It must never change or wait for one."""

import asyncio
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from importlib.metadata import version

from benchd.app.remote import Remote
from benchd.live.bench import Bench as LiveBench
from benchd.live.link import Link
from benchd.live.link_state import LinkState
from benchd.live.supervision import chain_objection
from benchd.outside.log import Log
from benchd.outside.metrics import ChannelFigures, DeviceFigures, Figures, serve_metrics
from benchd.rules.channels import Quality
from benchd.rules.states import State
from benchd.settings.outside_file import MetricsTable

RESTING = {"Complete": "complete", "Stopped": "stopped", "Aborted": "aborted"}


class Counted:
    """Counts what happens, from the events that everybody is told."""

    def __init__(self, channels: Iterable[str]) -> None:
        self._channels = frozenset(channels)
        self.limits_crossed: Counter[tuple[str, str]] = Counter()
        self.runs: Counter[str] = Counter()
        self._playing = False

    def event(self, name: str, fields: Mapping[str, object]) -> None:
        """One event."""
        if name in {"warning", "crossed"}:
            first = str(fields.get("cause", "")).partition(" ")[0]  # a limit's sentence begins with its channel
            if first in self._channels:
                self.limits_crossed[first, str(fields.get("reaction", ""))] += 1
        elif name == "state" and fields.get("after") == "Starting":
            self._playing = True
        elif name == "state" and self._playing and fields.get("after") in RESTING:
            self._playing = False
            self.runs[RESTING[str(fields["after"])]] += 1


def figures_of(
    live: LiveBench, links: Mapping[str, Link], counted: Counted, log: Log, remote: Callable[[], Remote | None]
) -> Callable[[], Figures]:
    """What `outside.metrics` asks for at each scrape, on the event loop."""
    software = version("benchd")  # read from a file: a millisecond and more, which no scrape must cost the loop

    def figures() -> Figures:
        now_mono_s = asyncio.get_running_loop().time()
        chain, outside = live.chain(), remote()
        admission = None if outside is None else outside.admission
        outbox = None if outside is None else outside.outbox
        return Figures(
            version=software,
            bench=live.plan.name,
            state=live.engine.state.title,
            states=tuple(state.title for state in State),
            permit=None if chain is None else chain_objection(chain) is None,
            ticks_done=live.ticks[0],
            ticks_missed=live.ticks[1],
            devices=tuple(_device(name, link) for name, link in links.items()),
            channels=tuple(_channel(live, channel.name, channel.unit, now_mono_s) for channel in live.plan.channels),
            limits_crossed=dict(counted.limits_crossed),
            commands_admitted=0 if admission is None else admission.admitted,
            commands_repeated=0 if admission is None else admission.repeated,
            commands_refused={} if admission is None else {c.value: n for c, n in admission.refused.items()},
            broker_connected=None if outside is None else outside.broker.connected,
            messages_sent={}
            if outbox is None
            else {
                "reply": outbox.replies_sent,
                "retained": outbox.retained_sent,
                "data": outbox.data_sent,
                "event": outbox.spool.forgotten,
            },
            messages_dropped={}
            if outside is None
            else {
                "reply": outside.outbox.replies_dropped,
                "data": outside.outbox.data_dropped,
                "event": outside.spool.dropped,
                "command": outside.broker.arrivals_dropped,
            },
            messages_spooled=0 if outside is None else outside.spool.waiting,
            runs=dict(counted.runs),
            log_lines_dropped=log.lines_dropped,
        )

    return figures


def _device(name: str, link: Link) -> DeviceFigures:
    counters = link.counters
    return DeviceFigures(
        name=name,
        up=link.state is LinkState.UP,
        reconnections=counters.reopened,
        lost=counters.lost,
        calls=counters.calls,
        calls_late=counters.late,
        calls_wrong=counters.wrong,
    )


def _channel(live: LiveBench, name: str, unit: str, now_mono_s: float) -> ChannelFigures:
    sample = live.intake.samples[name]
    good = sample.quality is Quality.GOOD and math.isfinite(sample.value)
    age_s = now_mono_s - sample.taken_mono_s
    return ChannelFigures(
        name=name,
        unit=unit,
        value=sample.value if good else None,
        age_s=age_s if math.isfinite(age_s) else None,
    )


async def tell_prometheus(
    table: MetricsTable | None, figures: Callable[[], Figures], *, on_event: Callable[..., None]
) -> None:
    """Answer scrapes until cancelled, where the bench file says so; a port that is taken is told and costs nothing."""
    if table is None:
        return
    try:
        async with serve_metrics(figures, address=table.address, port=table.port) as port:
            on_event("metrics", address=table.address, port=port)
            await asyncio.Event().wait()
    except OSError as error:
        on_event("no_metrics", sentence=f"{error}.")
