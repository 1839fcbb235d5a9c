"""The daemon is told to end: by SIGTERM once, twice, before it started anything, and while it only waits."""

import signal

import pytest

from benchd.app.demo import device_options
from benchd.records import read_ending, read_events, read_fault, verify
from tests.scenarios.on_the_wire import Sentry, a_run, at_rest, the_folder

pytestmark = pytest.mark.wires


def states(folder) -> list[str]:
    return [event["after"] for event in read_events(folder) if event["event"] == "state"]


def test_the_first_sigterm_is_a_controlled_stop_with_its_folder_complete(turning, control, tmp_path) -> None:
    daemon = turning()
    daemon.tell(signal.SIGTERM)
    status, said = daemon.end()
    assert at_rest(control.truth())
    assert not control.truth()["sink_input_on"]
    assert not daemon.seen("permit_withdrawn")
    assert status == 1
    folder = the_folder(tmp_path / "data")
    assert said == f"{folder}\n"
    assert daemon.sentences == ["The run was stopped because the process was told to end."]
    ending = read_ending(folder)
    assert (ending["ending"], ending["why"]) == ("stopped", "the process was told to end")
    assert states(folder)[-2:] == ["Execute", "Stopping"]
    assert any(event["event"] == "standstill" for event in read_events(folder))
    assert verify(folder) == []


def test_the_second_sigterm_takes_energy_away_at_once(turning, control, tmp_path) -> None:
    daemon = turning()
    daemon.tell(signal.SIGTERM)
    daemon.until("state", after="Stopping")
    daemon.tell(signal.SIGTERM)
    status, _ = daemon.end()
    assert status == 3
    assert at_rest(control.truth())
    folder = the_folder(tmp_path / "data")
    where, sentence = daemon.sentences
    assert where == f"The fault record is {folder / 'fault.parquet'}."
    assert "Abort" in sentence
    fault = read_fault(folder)
    assert not fault.whole  # a process that is told to end does not wait for it
    assert read_ending(folder)["ending"] == "aborted"
    assert states(folder)[-3:] == ["Stopping", "Aborting", "Aborted"]
    assert verify(folder) == []


def test_a_sigterm_before_the_start_lets_nothing_start(daemon, listening, control, tmp_path) -> None:
    control.ask("fault", device="load_drive", kind="late_reply", on=True, delay_s=0.15)  # so that Resetting lasts
    one = daemon(a_run(tmp_path, listening))
    one.until("link", link="safety_chain", state="up")
    one.tell(signal.SIGTERM)
    status, said = one.end()
    assert (status, said) == (1, "")
    assert one.sentences[-1] == "The run was stopped because the process was told to end."
    assert not one.seen("state", after="Starting")
    assert not (tmp_path / "data").exists()
    assert not control.truth()["supply_output_on"]


def test_without_a_job_the_daemon_waits_in_stopped_and_ends_well(daemon, listening, control, tmp_path) -> None:
    options = device_options(listening, "greenhouse")
    sentry = Sentry("greenhouse", options, runtime=tmp_path / "runtime")
    one = daemon(["greenhouse", "--data", str(tmp_path / "data"), *options])
    ready = one.until("ready")
    assert (ready["state"], ready["absent"]) == ("Stopped", {})
    assert one.process.poll() is None
    one.tell(signal.SIGTERM)
    assert one.end() == (0, "")
    assert one.sentences == []
    assert one.seen("ended", status=0)
    assert not (tmp_path / "data").exists()
    assert at_rest(control.truth())
    sentry.close()
    assert not sentry.seen("permit_withdrawn")


def test_a_bench_has_one_daemon(daemon, listening, tmp_path) -> None:
    first = daemon(["greenhouse", *device_options(listening, "greenhouse")])
    first.until("ready")
    second = daemon(["greenhouse", *device_options(listening, "greenhouse")])
    status, _ = second.end()
    assert status == 1
    (sentence,) = second.sentences
    assert f"Process {first.process.pid} already runs this bench" in sentence
    assert not second.events
    first.tell(signal.SIGINT)
    assert first.end() == (0, "")
