"""A reply comes late, or as garbage, while the shaft gathers speed: nothing trips and nothing wrong is recorded."""

import signal
import time

import numpy as np
import pytest

from benchd.records import read_ending, read_events, read_samples
from benchd.rules.channels import Quality
from tests.scenarios.on_the_wire import a_run, the_folder

pytestmark = pytest.mark.wires

SLOW_V_PER_S = 1.5  # about 220 r/min a second
LATE_S = 0.5
RAMP = """
schema = 1
name = "ramp"

[[test]]
kind = "no_load"
supply_voltages_v = [18.0, 20.0]
settle_time_s = 0.2
average_time_s = 60.0
speed_band_rpm = 500.0
"""
DEVICES = ("measuring_unit", "load_drive", "supply", "safety_chain")


def test_one_bad_reply_of_each_device_is_neither_a_trip_nor_a_value(daemon, listening, control, tmp_path) -> None:
    one = daemon(a_run(tmp_path, listening, RAMP, slope_v_per_s=SLOW_V_PER_S))
    control.until(lambda truth: truth["motor_speed_rpm"] > 300.0)
    for kind, faulty in (("late_reply", {"delay_s": LATE_S}), ("garbage", {})):
        for device in DEVICES:
            control.ask("fault", device=device, kind=kind, on=True, times=1, **faulty)
            control.until(lambda truth, device=device: truth["wire_faults"][device] == [])
            time.sleep(LATE_S + 0.1)
    assert one.process.poll() is None, one.sentences
    one.tell(signal.SIGTERM)
    status, _ = one.end()
    assert status == 1
    assert not one.seen("tripped"), one.sentences
    folder = the_folder(tmp_path / "data")
    assert read_ending(folder)["ending"] == "stopped"

    samples = read_samples(folder)
    began, ended = (
        next(event["time_mono_s"] for event in read_events(folder) if event.get("after") == state)
        for state in ("Execute", "Stopping")
    )
    turning = (samples.time_mono_s > began + 1.0) & (samples.time_mono_s < ended)
    for channel, falls_back in (("shaft_speed", 40.0), ("drive_speed", 40.0), ("supply_voltage", 0.3)):
        good = turning & (samples.quality[channel] == int(Quality.GOOD))
        values = samples.values[channel][good]
        assert np.count_nonzero(good) > 200
        # the ramp only rises: a value that is LATE_S old would fall back by more than twice as much
        assert np.max(np.maximum.accumulate(values) - values) < falls_back
        assert np.max(values) < 4000.0
