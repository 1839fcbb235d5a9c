"""What the outside costs: an answer's time beside an echo through the same broker, ticks beside those without trouble.

Each number stands beside its reference in the same run: the broker's own round trip, the tick of the same daemon while
nothing goes wrong, and a C loop on the same machine.
"""

import contextlib
import datetime as dt
import json
import os
import random
import statistics
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchd.app.demo import device_options
from tests.outside.mosquitto import Mosquitto, mosquitto, program
from tests.scenarios.on_the_wire import Daemon, a_bench

from . import c_loop
from .mqtt_site import BENCH, LONG, Quick, site

pytestmark = pytest.mark.performance

SECONDS = float(os.environ.get("BENCHD_MEASURE_S", "60"))
ASKED = int(os.environ.get("BENCHD_MEASURE_COMMANDS", "2000"))
OBSERVERS = 20
MALFORMED = 10_000
TICK_HZ = 100.0
LASTING = "persistence true\nautosave_interval 1\nautosave_on_changes true\npersistence_location {}/\n"


@dataclass
class Playing:
    """A daemon that plays a long run, and its broker."""

    broker: Mosquitto
    daemon: Daemon

    def missed(self) -> int:
        """Ticks missed so far, by the daemon's own count."""
        latest = self.daemon.seen("progress")[-1]
        return int(latest["missed_ticks"])

    def rss_kb(self) -> int:
        status = Path(f"/proc/{self.daemon.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0])

    def cpu_s(self) -> float:
        fields = Path(f"/proc/{self.daemon.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def playing(folder: Path) -> Iterator[tuple[Playing, Quick]]:
    with (
        mosquitto(folder, extra=LASTING.format(folder)) as broker,
        a_bench() as (listening, _),
    ):
        bench = site(folder / "site")
        daemon = Daemon(
            [
                *(str(bench), "--data", str(folder / "data"), "--no-report"),
                *("--broker", f"{broker.host}:{broker.port}"),
                *device_options(listening, bench),
            ],
            runtime=folder,
        )
        try:
            daemon.until("ready")
            daemon.until("broker", up=True)
            ines = Quick(broker.host, broker.port)
            ines.play(LONG)
            daemon.until("state", after="Execute")
            time.sleep(3.0)
            yield Playing(broker, daemon), ines
            assert not daemon.seen("tripped"), daemon.seen("tripped")
            ines.leave()
        finally:
            daemon.close()


@contextlib.contextmanager
def watched_by(many: int, broker: Mosquitto, folder: Path) -> Iterator[Callable[[], list[int]]]:
    """Observers with mosquitto's own client; yields a count of the messages that each has seen."""
    files = [folder / f"observer-{number}" for number in range(many)]
    with contextlib.ExitStack() as stack:
        for file in files:
            out = stack.enter_context(file.open("wb"))
            one = subprocess.Popen(
                [
                    *(program("mosquitto_sub"), "-V", "5", "-h", broker.host, "-p", str(broker.port)),
                    *("-t", f"bench/v1/{BENCH}/#", "-F", "%t"),
                ],
                stdout=out,
            )
            stack.callback(one.wait)
            stack.callback(one.kill)
        time.sleep(2.0)
        yield lambda: [file.read_bytes().count(b"\n") for file in files]


def quantile(values: list[float], q: float) -> float:
    return sorted(values)[min(len(values) - 1, int(q * len(values)))]


def said(name: str, values_s: list[float]) -> str:
    return (
        f"{name}: median {statistics.median(values_s) * 1e3:.2f} ms, 99 % {quantile(values_s, 0.99) * 1e3:.2f} ms, "
        f"worst {max(values_s) * 1e3:.1f} ms"
    )


def test_a_command_is_answered_in_time_with_twenty_observers_and_full_data_rates(tmp_path: Path) -> None:
    with playing(tmp_path) as (stage, ines), watched_by(OBSERVERS, stage.broker, tmp_path) as seen:
        before, began_s = seen(), time.monotonic()
        answers_s, echoes_s = [], []
        for _ in range(ASKED):
            answers_s.append(ines.timed_renewal_s())
            echoes_s.append(ines.timed_echo_s())
            time.sleep(random.uniform(0.002, 0.02))  # noqa: S311 - not in step with anything
        elapsed_s = time.monotonic() - began_s
        rates_hz = [(now - then) / elapsed_s for now, then in zip(seen(), before, strict=True)]
    print(
        f"\n{ASKED} commands, {OBSERVERS} observers, each {min(rates_hz):.0f} messages/s"
        f"\n  {said('answer', answers_s)}\n  {said('broker alone', echoes_s)}"
        f"\n  ratio of medians {statistics.median(answers_s) / statistics.median(echoes_s):.2f}"
    )
    assert min(rates_hz) > 40.0
    assert statistics.median(answers_s) < 3e-3
    assert quantile(answers_s, 0.99) < 10e-3


def test_a_broker_killed_for_a_minute_costs_no_tick_and_every_event_comes_once(tmp_path: Path) -> None:
    binary = c_loop.build(tmp_path)
    with playing(tmp_path) as (stage, ines):
        watcher = ines.watcher()
        time.sleep(2.0)
        counts, c_missed = [], []
        for outage in (False, True):
            if outage:
                stage.broker.kill()
            before = stage.missed()
            beside = c_loop.command(binary, rate_hz=TICK_HZ, seconds=SECONDS)
            c = json.loads(subprocess.run(beside, capture_output=True, text=True, check=True).stdout)
            time.sleep(1.1)  # the count is told once a second
            counts.append(stage.missed() - before)
            c_missed.append(c["missed"])
        stage.broker.start()
        stage.daemon.until("broker", up=True)
        time.sleep(3.0)
        ines.stop()
        stage.daemon.until("state", after="Stopped")
        time.sleep(6.0)
        ids = [json.loads(payload)["id"] for topic, payload in watcher.heard if topic.split("/")[3] in {"event", "run"}]
        watcher.leave()
    numbers = [int(one.rpartition("-")[2]) for one in dict.fromkeys(ids)]
    print(
        f"\n{SECONDS:g} s each at {TICK_HZ:g} Hz: missed {counts[0]} without, {counts[1]} with the broker killed; "
        f"C loop {c_missed[0]} and {c_missed[1]}"
        f"\n  {len(numbers)} events and announcements, {len(ids) - len(numbers)} sent twice"
    )
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert counts[1] <= counts[0] + c_missed[1] + 2


def test_ten_thousand_malformed_messages_leave_memory_flat_and_the_tick_unharmed(tmp_path: Path) -> None:
    rng = random.Random(4)  # noqa: S311 - to be repeated
    with playing(tmp_path) as (stage, ines):
        quiet, cpu_s = stage.missed(), stage.cpu_s()
        time.sleep(SECONDS)
        quiet = stage.missed() - quiet
        quiet_cpu = (stage.cpu_s() - cpu_s) / SECONDS
        ines.timed_renewal_s()
        before_kb, before, cpu_s = stage.rss_kb(), stage.missed(), stage.cpu_s()
        began_s = time.monotonic()
        for number in range(MALFORMED):
            ines.send(rng.choice(("stop", "reset", "load", "abort", "nonsense")), garbage(rng))
            time.sleep(max(0.0, began_s + (number + 1) * SECONDS / MALFORMED - time.monotonic()))
        ines.timed_renewal_s()
        after_kb, missed = stage.rss_kb(), stage.missed() - before
        flood_cpu = (stage.cpu_s() - cpu_s) / (time.monotonic() - began_s)
        assert stage.daemon.seen("state")[-1]["after"] == "Execute"
    print(
        f"\n{MALFORMED} malformed messages in {SECONDS:g} s: "
        f"resident {before_kb / 1024:.1f} -> {after_kb / 1024:.1f} MiB, "
        f"missed ticks {quiet} without and {missed} with, {quiet_cpu:.1%} and {flood_cpu:.1%} of a core"
    )
    assert after_kb < before_kb + 4096
    assert missed <= quiet + 3


def garbage(rng: random.Random) -> bytes:
    kinds: list[Any] = [
        rng.randbytes(rng.randrange(0, 2000)),
        b"[" * rng.randrange(1, 20_000),
        b"{" + rng.randbytes(20),
        json.dumps({"id": str(rng.random()), "client": "x" * rng.randrange(200), "issued_at": "now"}).encode(),
        json.dumps({"id": "a", "client": "b", "issued_at": dt.datetime.now(dt.UTC).isoformat(), "x": 1}).encode(),
        b"x" * 100_000,
    ]
    return rng.choice(kinds)
