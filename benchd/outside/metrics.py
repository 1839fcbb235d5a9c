"""Tells Prometheus how the daemon and its bench are. It reads plain values, never a device, and holds up no tick.

A scrape asks the event loop once for all figures of one instant (`Figures`), and makes its text in a thread of its own.
The thread takes the interpreter's lock from the loop for one switch interval at a time: see `live/quiet.py`.
Source of names and units: Prometheus documentation, "Metric and label naming"; base units, counters end in `_total`.
"""

import asyncio
import contextlib
import math
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from socketserver import TCPServer
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer

from prometheus_client import CollectorRegistry, ProcessCollector, make_wsgi_app
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

LOOPBACK = "127.0.0.1"
USUAL_PORT = 9480
LOOP_ANSWERS_WITHIN_S = 2.0
CLIENT_ANSWERS_WITHIN_S = 5.0
ENDINGS = ("complete", "stopped", "aborted")

# a channel's unit: its metric, and what one of it is in the base unit
_BASE: Mapping[str, tuple[str, float]] = {
    "r/min": ("radians_per_second", math.pi / 30.0),
    "N·m": ("newton_meters", 1.0),
    "°C": ("celsius", 1.0),
    "V": ("volts", 1.0),
    "A": ("amperes", 1.0),
    "W": ("watts", 1.0),
    "VA": ("volt_amperes", 1.0),
    "Hz": ("hertz", 1.0),
    "Ω": ("ohms", 1.0),
    "s": ("seconds", 1.0),
    "1": ("ratio", 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceFigures:
    """One device's link, counted since the start."""

    name: str
    up: bool
    reconnections: int = 0
    lost: int = 0
    calls: int = 0
    calls_late: int = 0
    calls_wrong: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFigures:
    """One channel's latest value in its own unit; None or NaN where there is none that is good."""

    name: str
    unit: str
    value: float | None
    age_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """Everything at one instant. Counts start at 0 with the process; None is what is not known, and is left out."""

    version: str
    bench: str
    state: str
    states: tuple[str, ...]  # all there are, so that each is 0 or 1
    permit: bool | None = None
    ticks_done: int = 0
    ticks_missed: int = 0
    devices: tuple[DeviceFigures, ...] = ()
    channels: tuple[ChannelFigures, ...] = ()
    limits_crossed: Mapping[tuple[str, str], int] = field(default_factory=dict)  # by channel and reaction
    commands_admitted: int = 0
    commands_repeated: int = 0
    commands_refused: Mapping[str, int] = field(default_factory=dict)  # by code
    broker_connected: bool | None = None
    messages_sent: Mapping[str, int] = field(default_factory=dict)  # by kind: data, reply, event, ...
    messages_dropped: Mapping[str, int] = field(default_factory=dict)
    messages_spooled: int = 0  # wait on disk now
    runs: Mapping[str, int] = field(default_factory=dict)  # by ending
    data_queue_rows: int = 0  # wait for the run folder
    log_lines_dropped: int = 0


class Metrics(Collector):
    """Figures as metrics, in a registry of their own. `figures` is called on the event loop, for each scrape once."""

    def __init__(self, figures: Callable[[], Figures]) -> None:
        self.registry = CollectorRegistry()
        self._figures = figures
        self._loop: asyncio.AbstractEventLoop | None = None
        self.registry.register(self)
        ProcessCollector(registry=self.registry)

    def describe(self) -> Iterable[Metric]:
        """Nothing beforehand: which channels there are is known when somebody asks."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All metrics; one alone, 0, where the event loop does not answer."""
        figures = self._ask()
        yield _gauge("benchd_loop_answers", "Whether the event loop answered in time.", 0.0 if figures is None else 1.0)
        if figures is not None:
            yield from _metrics(figures)

    def _ask(self) -> Figures | None:
        loop = self._loop
        if loop is None:
            return self._figures()
        answer: list[Figures] = []
        came = threading.Event()

        def look() -> None:
            try:
                answer.append(self._figures())
            finally:
                came.set()

        try:
            loop.call_soon_threadsafe(look)
        except RuntimeError:  # the loop is closed
            return None
        came.wait(LOOP_ANSWERS_WITHIN_S)
        return answer[0] if answer else None

    @contextlib.asynccontextmanager
    async def serve(self, *, address: str = LOOPBACK, port: int = USUAL_PORT) -> AsyncIterator[int]:
        """Answer scrapes at http://address:port/metrics until the context ends; yields the port (0 takes a free one).

        One scrape at a time, in one thread. Raises OSError in a sentence where nobody can listen there.
        """
        self._loop = asyncio.get_running_loop()
        try:
            server = _Server(address, port)
        except OSError as error:
            reason = error.strerror or str(error)
            raise OSError(
                error.errno, f"Metrics cannot be served at {address}:{port} ({reason}): choose another address or port"
            ) from error
        server.set_app(make_wsgi_app(self.registry))
        thread = threading.Thread(target=server.serve_forever, args=(0.2,), name="metrics", daemon=True)
        thread.start()
        try:
            yield int(server.server_address[1])
        finally:
            await asyncio.to_thread(server.shutdown)
            server.server_close()
            self._loop = None


def serve_metrics(
    figures: Callable[[], Figures], *, address: str = LOOPBACK, port: int = USUAL_PORT
) -> contextlib.AbstractAsyncContextManager[int]:
    """Metrics for as long as the context lasts; see `Metrics.serve`."""
    return Metrics(figures).serve(address=address, port=port)


class _Server(WSGIServer):
    def __init__(self, address: str, port: int) -> None:
        self.address_family = socket.AF_INET6 if ":" in address else socket.AF_INET
        super().__init__((address, port), _Quiet)

    def server_bind(self) -> None:
        """Without asking the name service who we are, which may take seconds."""
        TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])
        self.setup_environ()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that left before its answer is nobody's trouble."""


class _Quiet(WSGIRequestHandler):
    timeout = CLIENT_ANSWERS_WITHIN_S

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name of the library's method
        """Scrapes are no news."""


def _metrics(of: Figures) -> Iterator[Metric]:
    yield InfoMetricFamily("benchd_build", "Which software on which bench.", {"version": of.version, "bench": of.bench})
    states = {(state,): float(state == of.state) for state in dict.fromkeys((*of.states, of.state))}
    yield _gauges("benchd_state", "1 for the state (ISA-TR88.00.02) that the bench is in.", ("state",), states)
    if of.permit is not None:
        yield _gauge("benchd_permit", "Whether the safety chain lets energy flow, as read.", float(of.permit))
    yield _counter("benchd_ticks_done", "Ticks that were played.", of.ticks_done)
    yield _counter("benchd_ticks_missed", "Ticks that came too late to be played.", of.ticks_missed)
    yield from _devices(of.devices)
    yield from _channels(of.channels)
    yield _counters(
        "benchd_limits_crossed", "Limits crossed, by what was done.", ("channel", "reaction"), of.limits_crossed
    )
    yield _counter("benchd_commands_admitted", "Commands that were let in.", of.commands_admitted)
    yield _counter(
        "benchd_commands_repeated", "Commands that came again and got the first answer.", of.commands_repeated
    )
    yield _counters(
        "benchd_commands_refused", "Commands that were refused, by code.", ("code",), _each(of.commands_refused)
    )
    if of.broker_connected is not None:
        yield _gauge("benchd_broker_connected", "Whether the broker answers.", float(of.broker_connected))
    yield _counters("benchd_messages_sent", "Messages that went out.", ("kind",), _each(of.messages_sent))
    yield _counters("benchd_messages_dropped", "Messages that nobody will get.", ("kind",), _each(of.messages_dropped))
    yield _gauge("benchd_messages_spooled", "Messages that wait on disk for the broker.", of.messages_spooled)
    runs = dict.fromkeys(ENDINGS, 0) | dict(of.runs)
    yield _counters("benchd_runs", "Runs that ended, by how.", ("ending",), _each(runs))
    yield _gauge("benchd_data_queue_rows", "Rows that wait for the run folder.", of.data_queue_rows)
    yield _counter("benchd_log_lines_dropped", "Log lines that nobody read in time.", of.log_lines_dropped)


def _devices(devices: tuple[DeviceFigures, ...]) -> Iterator[Metric]:
    up = {(one.name,): float(one.up) for one in devices}
    yield _gauges("benchd_device_up", "Whether the device's link takes calls.", ("device",), up)
    counted: tuple[tuple[str, str, Callable[[DeviceFigures], int]], ...] = (
        ("reconnections", "Connections that were replaced.", lambda one: one.reconnections),
        ("losses", "Times the link went down.", lambda one: one.lost),
        ("calls", "Calls that went to the driver.", lambda one: one.calls),
        ("calls_late", "Calls without an answer in time.", lambda one: one.calls_late),
        ("calls_wrong", "Calls with a wrong answer.", lambda one: one.calls_wrong),
    )
    for name, words, count in counted:
        yield _counters(f"benchd_device_{name}", words, ("device",), {(one.name,): count(one) for one in devices})


def _channels(channels: tuple[ChannelFigures, ...]) -> Iterator[Metric]:
    families: dict[str, GaugeMetricFamily] = {}
    ages: dict[tuple[str, ...], float] = {}
    for one in channels:
        base, factor = _BASE.get(one.unit, ("other", 1.0))
        labels, values = (("channel",), [one.name]) if base != "other" else (("channel", "unit"), [one.name, one.unit])
        if base not in families:
            words = "Latest good values of channels, " + ("in the unit named." if base == "other" else "in base units.")
            families[base] = GaugeMetricFamily(f"benchd_channel_{base}", words, labels=labels)
        if one.value is not None and math.isfinite(one.value):
            families[base].add_metric(values, one.value * factor)
        if one.age_s is not None and math.isfinite(one.age_s):
            ages[one.name,] = one.age_s
    yield from families.values()
    yield _gauges("benchd_channel_age_seconds", "How old each channel's value is.", ("channel",), ages)


def _each(counts: Mapping[str, int]) -> dict[tuple[str, ...], int]:
    return {(str(name),): count for name, count in counts.items()}


def _gauge(name: str, words: str, value: float) -> Metric:
    return GaugeMetricFamily(name, words, value=value)


def _gauges(name: str, words: str, labels: tuple[str, ...], values: Mapping[Any, float]) -> Metric:
    family = GaugeMetricFamily(name, words, labels=labels)
    for key, value in values.items():
        family.add_metric(key, value)
    return family


def _counter(name: str, words: str, value: float) -> Metric:
    return CounterMetricFamily(name, words, value=value)


def _counters(name: str, words: str, labels: tuple[str, ...], values: Mapping[Any, int]) -> Metric:
    family = CounterMetricFamily(name, words, labels=labels)
    for key, value in values.items():
        family.add_metric([str(part) for part in key], value)
    return family
