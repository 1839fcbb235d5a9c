"""Somebody commissioned the motor drive for another motor: the start names what does not fit, and nothing comes on."""

import json
from pathlib import Path

from benchd.rules.parameter_set import sha256_of
from tests.scenarios.on_the_wire import a_bench
from tests.scenarios.short_run import change, quick_configs, serve

PUMP = ("vineyard", "pump_48v", "pump")
LOAD = """
schema = 1
name = "short pump"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 500.0
torques_nm = [0.3, 0.6]
torque_slope_nm_per_s = 4.0
settle_time_s = 0.2
average_time_s = 0.3
speed_band_rpm = 100.0
"""
TOWARDS_ENABLED = ("01 06 00 00 00 06", "01 06 00 00 00 07", "01 06 00 00 00 0f")
ON = ("supply_output_on", "load_drive_power_stage_on", "motor_drive_power_stage_on")


def test_changed_pole_pairs_refuse_the_start_by_name_and_nothing_is_energised(tmp_path: Path) -> None:
    configs = quick_configs(tmp_path, "vineyard")
    with a_bench("pump_48v") as (listening, control):
        control.ask("commission", device="motor_drive", pole_pairs=5)
        refused = serve(configs, (listening, control), LOAD, files=PUMP, data="refused")
        truth = control.truth()
        # write register 0, the controlword: shutdown, switch on, enable operation
        commands = [one for one in control.messages("motor_drive") for word in TOWARDS_ENABLED if word in one]
    bench_file = configs / "benches/vineyard.toml"
    text = bench_file.read_text(encoding="utf-8")
    line = 1 + text[: text.index("pole_pairs = 4", text.index("[drive_parameters.motor_drive]"))].count("\n")
    words = f"motor_drive.axis holds pole_pairs = 5, but {bench_file}:{line} drive_parameters.motor_drive.pole_pairs"
    assert refused.status == 1
    (failed,) = [event for event in refused.events if event["event"] == "failed"]
    assert failed["sentence"].startswith(f"{words} expects 4: ")
    assert not any(truth[what] for what in ON)
    assert commands == []
    told = {
        event["port"]: event
        for event in map(json.loads, (refused.folder / "events.jsonl").read_text(encoding="utf-8").splitlines())
        if event["event"] == "drive_parameters"
    }
    assert told["motor_drive.axis"]["parameters"]["pole_pairs"] == 5
    assert told["motor_drive.axis"]["sha256"] == sha256_of(told["motor_drive.axis"]["parameters"])
    assert told["load_drive.axis"]["parameters"]["pole_pairs"] == 4


def test_where_only_the_hash_differs_the_start_says_so_and_tells_what_was_read(tmp_path: Path) -> None:
    configs = quick_configs(tmp_path, "vineyard")
    bench_file = configs / "benches/vineyard.toml"
    sound = {
        "pole_pairs": 4,
        "rated_current_a": 19.5,
        "peak_current_a": 60,
        "pwm_frequency_hz": 16000,
        "rated_torque_nm": 2.39,
        "overspeed_rpm": 5500,
        "torque_limit_nm": 3.585,
        "quick_stop_option": 2,
        "disable_option": 1,
        "fault_reaction_option": 2,
    }
    change(
        bench_file,
        r"(?s)(\[drive_parameters\.motor_drive\]).*?\n\n",
        rf'\1\npole_pairs = 4\nparameters_sha256 = "{sha256_of(sound)}"\n\n',
    )
    with a_bench("pump_48v") as (listening, control):
        control.ask("commission", device="motor_drive", peak_current_a=61.5)
        refused = serve(configs, (listening, control), LOAD, files=PUMP, data="refused")
        assert not any(control.truth()[what] for what in ON)
    assert refused.status == 1
    (failed,) = [event for event in refused.events if event["event"] == "failed"]
    read = sha256_of({**sound, "peak_current_a": 61.5})
    assert f"the SHA-256 of all that it tells is {read} instead of {sha256_of(sound)}" in failed["sentence"]
    assert "peak_current_a = 61.5" in failed["sentence"]
