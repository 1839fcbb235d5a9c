"""The daemon is killed in the middle of a run: the safety chain opens by itself and the folder can be read."""

import signal
import time

import numpy as np
import pytest

from benchd.app.evaluation import evaluate_in_subprocess
from benchd.records import Ending, RecordsError, read_events, read_samples, recover, verify
from tests.scenarios.on_the_wire import a_run, at_rest, the_folder

pytestmark = pytest.mark.wires
CHAIN_WITHIN_S = 3.0  # nobody comes to reset it
FLUSHED_WITHIN_S = 1.5  # every half second, and a busy machine


def test_a_killed_daemon_leaves_a_bench_that_comes_to_rest_and_a_folder_that_opens(
    turning, daemon, listening, control, tmp_path
) -> None:
    one = turning()
    folder = the_folder(tmp_path / "data")
    one.until("progress", state="Execute")
    with pytest.raises(RecordsError, match="still being written"):
        recover(folder)
    with pytest.raises(RecordsError, match="still being written"):
        evaluate_in_subprocess(folder)
    time.sleep(1.0)
    before = control.truth()
    killed_mono_s = time.monotonic()  # the daemon's clock as well: both are CLOCK_MONOTONIC of this machine
    one.tell(signal.SIGKILL)
    assert before["permit"]
    assert before["motor_speed_rpm"] > 600.0

    opened = control.until(lambda truth: not truth["permit"], within_s=5.0)
    assert "heartbeat" in opened["opened_by"]
    rested = control.until(at_rest)
    assert not rested["supply_output_on"]

    recovery = recover(folder)
    assert recovery.ending is Ending.INTERRUPTED
    assert any("interrupted" in sentence for sentence in recovery.sentences)
    samples = read_samples(folder)
    assert samples.time_mono_s[-1] > killed_mono_s - FLUSHED_WITHIN_S
    assert np.all(np.diff(samples.time_mono_s) > 0.0)
    assert np.all(samples.values["shaft_speed"][-20:] > 600.0)
    assert [event["after"] for event in read_events(folder) if event["event"] == "state"] == ["Execute"]
    assert verify(folder) == []

    again = daemon(a_run(tmp_path, listening), chain_within_s=CHAIN_WITHIN_S)
    status, said = again.end()
    assert (status, said) == (1, "")
    assert again.seen("waiting_for_chain", seconds=CHAIN_WITHIN_S)
    (sentence,) = again.sentences
    assert "safety chain" in sentence  # only the button at the bench closes it again
    assert not control.truth()["supply_output_on"]


def test_an_evaluation_recovers_a_killed_run_first(turning, tmp_path) -> None:
    one = turning()
    one.until("progress", state="Execute")
    one.tell(signal.SIGKILL)
    one.process.wait()
    folder = the_folder(tmp_path / "data")
    results = evaluate_in_subprocess(folder)
    assert set(results["tests"]) == {"no_load"}
    assert all(quantity["value"] is None for quantity in results["tests"]["no_load"]["quantities"])
    assert all(quantity["reason"] for quantity in results["tests"]["no_load"]["quantities"])
    assert verify(folder) == []


def test_the_next_daemon_gives_a_killed_run_its_ending_and_resumes_nothing(
    turning, daemon, listening, control, tmp_path
) -> None:
    one = turning()
    one.until("progress", state="Execute")
    one.tell(signal.SIGKILL)
    one.process.wait()
    control.until(at_rest)
    folder = the_folder(tmp_path / "data")
    again = daemon(a_run(tmp_path, listening), chain_within_s=CHAIN_WITHIN_S)
    told = again.until("interrupted_run")
    assert (told["folder"], told["ending"]) == (str(folder), "interrupted")
    assert verify(folder) == []
    assert again.end()[0] == 1
    assert again.seen("state", after="Execute") == []
    assert not control.truth()["supply_output_on"]
