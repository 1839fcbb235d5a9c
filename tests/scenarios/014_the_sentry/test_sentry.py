"""A second process holds the chain's heartbeat: whichever of the two freezes or dies, the shaft comes to rest."""

import contextlib
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.app.demo import device_options
from tests.scenarios.on_the_wire import TURNING, WITHIN_S, Control, Daemon, Sentry, a_bench, a_run, at_rest, quick_bench

pytestmark = pytest.mark.wires

TICK_SILENT_S = 0.4  # more than a bench needs: machines that run tests are busy


@dataclass
class Pair:
    """A daemon that turns a shaft, its sentry, and the simulated bench's own word."""

    daemon: Daemon
    sentry: Sentry
    bench: Control
    arguments: list[str]
    options: list[str]
    runtime: Path

    def sentry_said(self) -> str:
        """Why the sentry has withdrawn the permit; the sentry is ended."""
        self.sentry.tell(signal.SIGTERM)
        self.sentry.close()
        return "; ".join(event["because"] for event in self.sentry.seen("permit_withdrawn"))


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[Pair]:
    with contextlib.ExitStack() as stack:
        listening, control = stack.enter_context(a_bench())
        arguments = a_run(tmp_path, listening, TURNING)
        bench = Path(arguments[0])
        bench.write_text(bench.read_text() + f"\n[sentry]\ntick_silent_s = {TICK_SILENT_S}\n")
        options = device_options(listening, bench)
        sentry = Sentry(str(bench), options, runtime=tmp_path, tick_silent_s=None)
        stack.callback(sentry.close)
        daemon = Daemon(arguments, runtime=tmp_path, chain_within_s=3.0)
        stack.callback(daemon.close)
        daemon.until("state", after="Execute")
        control.until(lambda truth: truth["motor_speed_rpm"] > 500.0)
        yield Pair(daemon, sentry, control, arguments, options, tmp_path)


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
    pair.sentry.tell(number)
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
    assert pair.sentry_said() == ""


def test_the_emergency_stop_is_seen_through_the_sentry(pair: Pair) -> None:
    pair.bench.ask("press", button="estop")
    pair.bench.until(at_rest)
    assert pair.daemon.end()[0] == 3
    assert any("emergency stop" in sentence for sentence in pair.daemon.sentences), pair.daemon.sentences


def test_a_bench_with_a_sentry_does_not_start_without_one_and_says_what_to_start(tmp_path: Path) -> None:
    with a_bench() as (listening, control):
        arguments = a_run(tmp_path, listening, TURNING)
        bench = Path(arguments[0])
        bench.write_text(bench.read_text() + "\n[sentry]\n")
        daemon = Daemon(arguments, runtime=tmp_path, chain_within_s=1.0)
        try:
            assert daemon.end()[0] == 1
            assert f"start it with 'benchd sentry {bench}'" in daemon.sentences[-1]
            assert not control.truth()["supply_output_on"]
        finally:
            daemon.close()


def test_a_daemon_that_waits_for_commands_says_once_what_to_start_and_takes_a_sentry_that_comes_later(
    tmp_path: Path,
) -> None:
    with a_bench() as (listening, _), contextlib.ExitStack() as stack:
        bench = quick_bench(tmp_path)
        bench.write_text(bench.read_text() + "\n[sentry]\n")
        options = device_options(listening, bench)
        daemon = Daemon([str(bench), "--data", str(tmp_path / "data"), *options], runtime=tmp_path)
        stack.callback(daemon.close)
        told = daemon.until("no_sentry")
        assert f"start 'benchd sentry {bench}'" in told["sentence"]
        sentry = Sentry(str(bench), options, runtime=tmp_path)
        stack.callback(sentry.close)
        daemon.until("link", link="safety_chain", state="up")
        daemon.tell(signal.SIGTERM)
        assert daemon.end()[0] == 0
        assert len(daemon.seen("no_sentry")) == 1


def test_a_sentry_that_comes_again_gives_nothing_back(pair: Pair) -> None:
    pair.sentry.tell(signal.SIGKILL)
    pair.sentry.close()
    again = Sentry(pair.arguments[0], pair.options, runtime=pair.runtime)
    try:
        pair.bench.until(lambda truth: not truth["permit"], within_s=5.0)
        pair.bench.until(at_rest)
        assert pair.daemon.end()[0] == 3
        time.sleep(1.0)
        assert not pair.bench.truth()["permit"]
        assert not pair.bench.truth()["supply_output_on"]
    finally:
        again.close()
