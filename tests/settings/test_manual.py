"""What a bench file may say of manual work, and the programme that stands for a session."""

from pathlib import Path

import pytest

from benchd.app.discovery import find_drivers
from benchd.procedures.manual import ManualSettings
from benchd.settings.errors import SettingsError
from benchd.settings.load import Registry, load_bench, load_motor, load_setup
from benchd.settings.manual_programme import HandLimits, manual_programme
from benchd.settings.places import configs_directory

CONFIGS = configs_directory()


def bench(file: Path):
    return load_bench(file, Registry(drivers=find_drivers().drivers, tests={}))


def programme(**asked: float):
    return manual_programme(
        bench(CONFIGS / "benches/vineyard.toml"),
        load_motor(CONFIGS / "motors/pump_48v.toml"),
        load_setup(CONFIGS / "setups/pump.toml"),
        HandLimits(**asked),
        ManualSettings,
    )


def test_what_is_left_out_is_the_rating_plate_s_and_nothing_is_tightened() -> None:
    rated = load_motor(CONFIGS / "motors/pump_48v.toml").settings.rated
    made = programme()
    (test,) = made.tests
    assert made.limits == ()
    assert test.settings == ManualSettings(
        supply_voltage_v=rated.voltage_v,
        max_speed_rpm=rated.speed_rpm,
        max_torque_nm=rated.torque_nm,
        max_current_a=rated.dc_current_a,
    )


def test_what_is_asked_for_tightens_both_sides_and_takes_energy_away() -> None:
    made = programme(max_speed_rpm=1500.0, max_torque_nm=0.5, max_current_a=4.0)
    told = {limit.channel: (limit.low, limit.high, limit.reaction) for limit in made.limits}
    assert told["shaft_torque"] == (-0.5, 0.5, "ramp_down")
    assert told["shaft_speed"][1:] == (1500.0, "ramp_down")
    assert told["dc_current"] == (None, 4.0, "ramp_down")
    assert made.document.data["test"] == [{"kind": "manual", **made.tests[0].settings.model_dump()}]


@pytest.mark.parametrize(
    "wrong", ["keep_alive_s = 0.2", "keep_alive_s = 60.0", "jog_alive_s = 5.0", "jog_speed_rpm = 0.0", "patience = 1.0"]
)
def test_what_no_session_can_have_is_refused_with_its_key(tmp_path: Path, wrong: str) -> None:
    for name in ("sensors", "maps"):
        if (CONFIGS / name).exists():
            (tmp_path / name).symlink_to(CONFIGS / name)
    (tmp_path / "benches").mkdir()
    text = (CONFIGS / "benches/vineyard.toml").read_text().partition("[manual]")[0]
    file = tmp_path / "benches/vineyard.toml"
    file.write_text(f"{text}[manual]\n{wrong}\n")
    with pytest.raises(SettingsError, match=wrong.partition(" ")[0]):
        bench(file)
