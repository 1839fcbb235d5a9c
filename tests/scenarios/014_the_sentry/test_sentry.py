"""A second process holds the chain's heartbeat: whichever of the two freezes or dies, the shaft comes to rest."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.app.demo import device_options
from tests.scenarios.on_the_wire import TURNING, WITHIN_S, Control, Daemon, a_bench, a_run, at_rest

pytestmark = pytest.mark.wires

TICK_SILENT_S = 0.4  # more than a bench needs: machines that run tests are busy


@dataclass
class Pair:
    """A daemon that turns a shaft, its sentry, and the simulated bench's own word."""

    daemon: Daemon
    sentry: "subprocess.Popen[str]"
    bench: Control
    arguments: list[str]
    runtime: Path

    def sentry_said(self) -> str:
        self.sentry.terminate()
        return self.sentry.communicate(timeout=WITHIN_S)[1]


def watching(bench: str, options: list[str], runtime: Path) -> "subprocess.Popen[str]":
    one = subprocess.Popen(
        [sys.executable, "-m", "benchd.app.command_line", "sentry", bench, *options],
        env={**os.environ, "RUNTIME_DIRECTORY": str(runtime)},
        stderr=subprocess.PIPE,
        text=True,
    )
    assert one.stderr is not None
    while '"up": true' not in (line := one.stderr.readline()):
        assert line, "the sentry ended"
    return one


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    with contextlib.ExitStack() as stack:
        listening, control = stack.enter_context(a_bench())
        arguments = a_run(tmp_path, listening, TURNING)
        bench = Path(arguments[0])
        bench.write_text(bench.read_text() + f"\n[sentry]\ntick_silent_s = {TICK_SILENT_S}\n")
        sentry = watching(str(bench), device_options(listening, bench), tmp_path)
        stack.callback(lambda: (sentry.kill(), sentry.communicate()))
        daemon = Daemon(arguments, runtime=tmp_path, chain_within_s=3.0)
        stack.callback(daemon.close)
        daemon.until("state", after="Execute")
        control.until(lambda truth: truth["motor_speed_rpm"] > 500.0)
        yield Pair(daemon, sentry, control, arguments, tmp_path)


@pytest.mark.parametrize(
    ("number", "sentence"),
    [(signal.SIGSTOP, "tick has stood still"), (signal.SIGKILL, "is gone while something is energised")],
)
def test_a_daemon_that_freezes_or_dies_loses_the_permit_long_before_the_heartbeat_would(
    pair: Pair, number: signal.Signals, sentence: str
) -> None:
    struck_s = time.monotonic()
    pair.daemon.tell(number)
    opened = pair.bench.until(lambda truth: not truth["permit"], within_s=5.0)
    assert opened["opened_by"] == "the permit was withdrawn over the wire"
    assert time.monotonic() - struck_s < TICK_SILENT_S + 1.0
    pair.bench.until(at_rest)
    assert pair.daemon.process.wait(WITHIN_S) == -signal.SIGKILL  # a frozen one is ended, so that it can be started
    assert sentence in pair.sentry_said()


def test_nothing_starts_again_by_itself_after_the_sentry_has_struck(pair: Pair) -> None:
    pair.daemon.tell(signal.SIGKILL)
    pair.bench.until(at_rest)
    again = Daemon(pair.arguments, runtime=pair.runtime, chain_within_s=1.0)
    try:
        status, said = again.end()
        assert (status, said) == (1, "")
        assert "safety chain" in again.sentences[-1]
        assert not pair.bench.truth()["supply_output_on"]
    finally:
        again.close()


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_sentry_that_freezes_or_dies_opens_the_chain_and_the_daemon_says_so(
    pair: Pair, number: signal.Signals
) -> None:
    pair.sentry.send_signal(number)
    opened = pair.bench.until(lambda truth: not truth["permit"], within_s=5.0)
    assert "heartbeat" in opened["opened_by"] or "withdrawn" in opened["opened_by"]
    pair.bench.until(at_rest)
    pair.daemon.until("state", after="Aborted")
    assert pair.daemon.end()[0] == 3
    assert any("sentry" in sentence for sentence in pair.daemon.sentences), pair.daemon.sentences


def test_a_stop_asked_for_is_no_reason_to_open_the_chain(pair: Pair) -> None:
    pair.daemon.tell(signal.SIGTERM)
    rested = pair.bench.until(at_rest)
    assert rested["permit"]
    assert pair.daemon.end()[0] == 1
    assert "permit_withdrawn" not in pair.sentry_said()


def test_the_emergency_stop_is_seen_through_the_sentry(pair: Pair) -> None:
    pair.bench.ask("press", button="estop")
    pair.bench.until(at_rest)
    assert pair.daemon.end()[0] == 3
    assert any("emergency stop" in sentence for sentence in pair.daemon.sentences), pair.daemon.sentences


def test_a_bench_with_a_sentry_does_not_start_without_one(tmp_path: Path) -> None:
    with a_bench() as (listening, control):
        arguments = a_run(tmp_path, listening, TURNING)
        bench = Path(arguments[0])
        bench.write_text(bench.read_text() + "\n[sentry]\n")
        daemon = Daemon(arguments, runtime=tmp_path, chain_within_s=1.0)
        try:
            assert daemon.end()[0] == 1
            assert any("sentry" in sentence for sentence in daemon.sentences), daemon.sentences
            assert not control.truth()["supply_output_on"]
        finally:
            daemon.close()
