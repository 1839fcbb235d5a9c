"""A bench file that knows nothing of the slots: the shaft is held at its resonance, and the record tells it."""

import json
from pathlib import Path

from tests.scenarios.on_the_wire import a_bench
from tests.scenarios.short_run import change, quick_configs, serve

PUMP = ("vineyard", "pump_48v", "pump")
AT_1250 = """
schema = 1
name = "at resonance"

[[test]]
kind = "no_load"
supply_voltage_v = 48.0
speeds_rpm = [700.0, 1250.0, 1600.0]
settle_time_s = 0.3
average_time_s = 1.2
speed_band_rpm = 50.0
"""
KNOWN = r"(?m)^orders = \[.*\]$"


def test_a_resonance_that_nobody_stated_is_recognised_in_the_sample_stream(tmp_path: Path) -> None:
    configs = quick_configs(tmp_path, "vineyard")
    with a_bench("pump_48v") as (listening, control):
        refused = serve(configs, (listening, control), AT_1250, files=PUMP, data="refused")
        assert refused.status == 78  # as the shipped file states the slots
        change(configs / "benches/vineyard.toml", KNOWN, 'orders = ["unbalance"]')
        ran = serve(configs, (listening, control), AT_1250, files=PUMP, data="ran")
    assert ran.status == 0
    events = [json.loads(one) for one in (ran.folder / "events.jsonl").read_text(encoding="utf-8").splitlines()]
    [told] = [one["cause"] for one in events if one["event"] == "warning" and "shakes" in one["cause"]]
    assert "% of rated torque) at 12" in told
    assert "times a revolution (6 times electrical or cogging)" in told
