"""A device is gone: unplugged in the middle of a run, absent from the beginning, or another one in its place."""

import pytest

from benchd.records import read_ending, read_events, verify
from tests.scenarios.on_the_wire import a_run, the_folder

pytestmark = pytest.mark.wires


def test_a_supply_that_is_unplugged_mid_run_trips_and_the_permit_is_withdrawn(turning, control, tmp_path) -> None:
    daemon = turning()
    control.ask("fault", device="supply", kind="refuse", on=True)
    # its own watchdog may switch it off sooner than the daemon gives up hope and withdraws the permit
    rested = control.until(lambda truth: abs(truth["motor_speed_rpm"]) < 10.0 and not truth["permit"])
    status, _ = daemon.end()
    assert status == 3
    where, sentence = daemon.sentences
    assert where.endswith("/fault.parquet.")
    assert sentence.startswith("supply ")
    assert not rested["permit"]  # its output could not be confirmed off: the chain takes it away
    assert not control.truth()["supply_output_on"]
    folder = the_folder(tmp_path / "data")
    assert read_ending(folder)["ending"] == "aborted"
    assert any(event["event"] == "permit_withdrawn" for event in read_events(folder))
    assert verify(folder) == []


def test_a_device_where_nothing_listens_is_named_and_nothing_starts(daemon, listening, control, tmp_path) -> None:
    control.ask("fault", device="sink", kind="refuse", on=True)
    one = daemon(a_run(tmp_path, listening))
    status, said = one.end()
    assert (status, said) == (1, "")
    assert list(one.until("ready")["absent"]) == ["sink"]
    (sentence,) = one.sentences
    assert sentence.startswith("sink is not ready: ")
    assert str(listening["devices"]["sink"]["port"]) in sentence
    assert not (tmp_path / "data").exists()
    assert not control.truth()["supply_output_on"]
    assert not control.truth()["load_drive_power_stage_on"]


def test_another_device_in_its_place_is_refused_and_never_told_anything(daemon, listening, control, tmp_path) -> None:
    for device in ("supply", "load_drive"):
        control.ask("fault", device=device, kind="wrong_identity", on=True)
    one = daemon(a_run(tmp_path, listening))
    status, said = one.end()
    assert (status, said) == (1, "")
    absent = one.until("ready")["absent"]
    assert set(absent) == {"supply", "load_drive"}
    assert "Quillmoor Instruments,QS80-60" in absent["supply"]  # what was expected, beside what answered
    assert any("supply" in sentence for sentence in one.sentences)
    assert not (tmp_path / "data").exists()
    truth = control.truth()
    assert not truth["supply_output_on"]
    assert not truth["load_drive_power_stage_on"]
    asked = " ".join(control.messages("supply")).upper()
    assert "IDN" in asked
    assert "OUTP" not in asked
    assert "VOLT " not in asked
