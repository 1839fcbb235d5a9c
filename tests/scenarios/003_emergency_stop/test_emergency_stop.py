"""Somebody presses the emergency stop, opens the guard or turns the selector while the shaft turns."""

import numpy as np
import pytest

from benchd.records import read_ending, read_events, read_fault, verify
from tests.scenarios.on_the_wire import a_run, at_rest, the_folder

pytestmark = pytest.mark.wires
CHAIN_WITHIN_S = 3.0  # nobody comes to release and reset it


@pytest.mark.parametrize(
    ("button", "sentence"),
    [
        ("estop", "The emergency stop is pressed: release it and reset the safety chain at the bench."),
        ("open_guard", "The movable guard is open: close it and reset the safety chain at the bench."),
        ("local", "The selector at the bench was turned to local: whoever stands there has control now."),
    ],
)
def test_what_a_person_does_at_the_bench_ends_the_run_as_tripped_with_its_cause(
    turning, control, tmp_path, button: str, sentence: str
) -> None:
    daemon = turning()
    control.ask("press", button=button)
    status, said = daemon.end()
    assert status == 3
    control.until(at_rest)
    folder = the_folder(tmp_path / "data")
    assert daemon.sentences == [f"The fault record is {folder / 'fault.parquet'}.", sentence]
    assert said == f"{folder}\n"
    assert read_ending(folder)["ending"] == "aborted"
    assert read_ending(folder)["why"] == sentence
    assert [event["after"] for event in read_events(folder) if event["event"] == "state"][-1] == "Aborted"
    assert verify(folder) == []
    fault = read_fault(folder)
    assert fault.whole
    assert fault.until_mono_s == pytest.approx(fault.trip_mono_s + 5.0)
    speed = fault.channels["shaft_speed"]
    assert speed.value[speed.time_mono_s < fault.trip_mono_s][-1] > 500.0
    assert np.diff(speed.time_mono_s).max() < 0.3  # 50 readings a second, and a busy machine
    assert 250 < speed.value.size <= 360


def test_nothing_starts_while_the_emergency_stop_is_pressed(daemon, listening, control, tmp_path) -> None:
    control.ask("press", button="estop")
    one = daemon(a_run(tmp_path, listening), chain_within_s=CHAIN_WITHIN_S)
    status, said = one.end()
    assert (status, said) == (1, "")
    assert one.seen("waiting_for_chain", seconds=CHAIN_WITHIN_S)
    assert one.sentences == ["The emergency stop is pressed: release it and reset the safety chain at the bench."]
    assert not (tmp_path / "data").exists()
    assert at_rest(control.truth())
    assert not any("ON" in message.upper().split() for message in control.messages("supply"))
