"""What a story over the wires looks at after something has broken: the simulated bench and the folder. Not a test."""

import math
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from benchd.records import read_ending, read_events, read_samples, verify
from tests.scenarios.on_the_wire import Control, Daemon, at_rest, the_folder

LOOK_S = 0.01
STAYS_OFF_S = 2.0
LINES = 60  # of the log from its first to its last one; those that tell progress once a second do not count
RAD_S = math.pi / 30.0


def given_until(control: Control, seen: Callable[[Mapping[str, Any]], bool], *, within_s: float) -> tuple[float, float]:
    """How long it took until `seen` held, in s, and what supply and driving load machine gave meanwhile, in J."""
    began_s = last_s = time.monotonic()
    joule = 0.0
    while True:
        truth = control.truth()
        now_s = time.monotonic()
        driving_w = -truth["load_torque_nm"] * truth["load_speed_rpm"] * RAD_S
        joule += (max(0.0, truth["supply_voltage_v"] * truth["supply_current_a"]) + max(0.0, driving_w)) * (
            now_s - last_s
        )
        last_s = now_s
        if seen(truth):
            return now_s - began_s, joule
        assert now_s - began_s < within_s, truth
        time.sleep(LOOK_S)


def powerless(truth: Mapping[str, Any]) -> bool:
    """Whether no machine can be given energy, by the simulated bench's own word."""
    return not truth["supply_output_on"] and not truth["load_drive_power_stage_on"]


def stays_off(control: Control) -> None:
    """Nothing comes on again by itself, and no torque or voltage is left at the shaft."""
    until_s = time.monotonic() + STAYS_OFF_S
    while time.monotonic() < until_s:
        truth = control.truth()
        assert at_rest(truth), truth
        time.sleep(0.1)
    assert abs(truth["load_torque_nm"]) < 0.001
    assert abs(truth["airgap_torque_nm"]) < 0.001
    assert abs(truth["terminal_voltage_v"]) < 1.0
    assert truth["link_v"] < 60.0


def the_cause(daemon: Daemon) -> str:
    """The one cause that the daemon names when it has ended; where its records lie is told beside it."""
    causes = [one for one in daemon.sentences if not one.startswith("The fault record is ")]
    assert len(causes) == 1, daemon.sentences
    assert causes[0].endswith(".")
    return causes[0]


def few_lines(daemon: Daemon) -> None:
    """The log says what happened and does not repeat it for ever."""
    told = [event["event"] for event in daemon.events if event["event"] != "progress"]
    assert len(told) <= LINES, told


def whole_folder(data: Path, *, until_mono_s: float, ending: str, why: str | None = None) -> Path:
    """The one run folder: sound, with every row until then, and with this ending."""
    folder = the_folder(data)
    assert verify(folder) == []
    ended = read_ending(folder) or {}
    assert ended["ending"] == ending
    told = str(ended["why"])  # what the stop found besides may be told in one place only
    assert why is None or told.startswith(why) or why.startswith(told), (told, why)
    samples = read_samples(folder)
    assert samples.missing == ()
    assert samples.time_mono_s[-1] >= until_mono_s
    assert np.all(np.diff(samples.time_mono_s) > 0.0)
    assert "Execute" in [event["after"] for event in read_events(folder) if event["event"] == "state"]
    return folder
