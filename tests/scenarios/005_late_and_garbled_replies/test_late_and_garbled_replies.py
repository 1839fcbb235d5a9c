"""A reply comes late, or as garbage, while the shaft gathers speed: nothing trips and nothing wrong is recorded."""

import signal
import time

import numpy as np
import pytest

from benchd.records import read_ending, read_samples
from benchd.rules.channels import Quality
from tests.scenarios.on_the_wire import Control, a_run, the_folder

pytestmark = pytest.mark.wires

SLOPE_V_PER_S = 2.5  # about 370 r/min a second
LATE_S = 0.5
STALE_S = 0.15  # an older value is not what it is said to be; a missed reply is given up after 0.2 s
PROMPT_S = 0.05  # an answer about the truth that took longer on a busy machine does not say when it was true
RAMP = """
schema = 1
name = "ramp"

[[test]]
kind = "no_load"
supply_voltages_v = [23.0, 24.0]
settle_time_s = 0.2
average_time_s = 60.0
speed_band_rpm = 500.0
"""
DEVICES = ("measuring_unit", "load_drive", "supply", "safety_chain")


def watch(control: Control, seconds: float) -> list[tuple[float, float]]:
    """The true speed of the shaft over the machine's monotonic time, which is the daemon's clock as well."""
    seen = []
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        asked_s = time.monotonic()
        speed_rpm = control.truth()["load_speed_rpm"]
        told_s = time.monotonic()
        if told_s - asked_s < PROMPT_S:
            seen.append(((asked_s + told_s) / 2.0, speed_rpm))
        time.sleep(0.01)
    return seen


def test_one_bad_reply_of_each_device_is_neither_a_trip_nor_a_value(daemon, listening, control, tmp_path) -> None:
    one = daemon(a_run(tmp_path, listening, RAMP, slope_v_per_s=SLOPE_V_PER_S))
    control.until(lambda truth: truth["load_speed_rpm"] > 200.0)
    seen = watch(control, 0.1)
    for kind, faulty in (("late_reply", {"delay_s": LATE_S}), ("garbage", {})):
        for device in DEVICES:
            control.ask("fault", device=device, kind=kind, on=True, times=1, **faulty)
            seen += watch(control, LATE_S + 0.2)
            assert control.truth()["wire_faults"][device] == []
    assert one.process.poll() is None, one.sentences
    one.tell(signal.SIGTERM)
    status, _ = one.end()
    assert status == 1
    assert not one.seen("tripped"), one.sentences
    folder = the_folder(tmp_path / "data")
    assert read_ending(folder)["ending"] == "stopped"

    samples = read_samples(folder)
    times_s, speeds_rpm = np.transpose(seen)
    slope_rpm_per_s = (speeds_rpm[-1] - speeds_rpm[0]) / (times_s[-1] - times_s[0])
    assert slope_rpm_per_s > 200.0
    for channel in ("shaft_speed", "drive_speed"):
        taken_s = samples.time_mono_s - samples.ages_s[channel]
        good = samples.quality[channel] == int(Quality.GOOD)
        good &= (taken_s > times_s[0]) & (taken_s < times_s[-1])
        wrong_rpm = samples.values[channel][good] - np.interp(taken_s[good], times_s, speeds_rpm)
        assert np.count_nonzero(good) > 200
        assert np.max(np.abs(wrong_rpm)) < STALE_S * slope_rpm_per_s
