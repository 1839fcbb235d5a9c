"""When a daemon ends its heartbeat ends and the chain opens; the next one waits, beating, for a person to reset it."""

import time

import pytest

from tests.scenarios.on_the_wire import SHORT, a_run, at_rest

pytestmark = pytest.mark.wires


def test_the_next_run_waits_for_the_reset_at_the_bench_and_then_completes(daemon, listening, control, tmp_path) -> None:
    first = daemon(a_run(tmp_path, listening, SHORT))
    assert first.end()[0] == 0
    control.until(lambda truth: not truth["permit"])

    second = daemon(a_run(tmp_path, listening, SHORT))
    end_s = time.monotonic() + 20.0
    while not second.seen("waiting_for_chain"):
        assert time.monotonic() < end_s
        time.sleep(0.05)
    time.sleep(0.5)
    assert not second.seen("state")  # it waits in Stopped
    assert at_rest(control.truth())
    control.ask("press", button="reset")
    assert second.end()[0] == 0
