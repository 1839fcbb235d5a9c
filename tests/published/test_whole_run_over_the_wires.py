"""One whole run over real sockets of a motor whose constants are published, and the same with a wrong factor.

The linear DC motor: R 0.5 Ω, K 0.05 V·s, b 1e-4 N·m·s, no dry friction, no brush drop. Its end state at 24 V without
load, 0.9411765 A and 470.5882353 rad/s, is the published closed form on which gym-electric-motor 3.0.3 and
python-control 0.10.2 agree. Simulated bench, daemon and evaluation are processes of their own; nothing but the wires
and the folder is between them.
"""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from .played_run import Files, Played, benchd, copied_configs, play_all, rows_of_point

pytestmark = pytest.mark.wires

SEED = 7
PROGRAMME = """
schema = 1
name = "published motor"

[[test]]
kind = "no_load"
supply_voltages_v = [12.0, 18.0, 24.0]
settle_time_s = 0.6
average_time_s = 0.8
speed_band_rpm = 10.0

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.1, 0.25, 0.4]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.6
average_time_s = 0.8
speed_band_rpm = 10.0
"""
FILES = Files(
    specimen="reference_dc_24v",
    bench="greenhouse",
    programme="published_motor",
    motor="reference_dc_24v",
    setup="reference_dc",
)
TRUTHS = ("terminal_voltage_v", "motor_current_a", "shaft_torque_nm", "motor_speed_rpm")
LOAD = 1  # place of the load test in the programme

R_OHM, K_VS, B_NMS = 0.5, 0.05, 1e-4
VOLTAGE_V, RATED_NM = 24.0, 0.4
NO_LOAD_A, NO_LOAD_RAD_S = 0.9411765, 470.5882353
RPM = 30.0 / np.pi

# voltage and torque equation under rated torque: two linear equations for current and speed
RATED_A, RATED_RAD_S = np.linalg.solve([[R_OHM, K_VS], [K_VS, -B_NMS]], [VOLTAGE_V, RATED_NM])

TRUE = {
    ("no_load", "voltage_constant"): K_VS,
    ("no_load", "no_load_speed"): NO_LOAD_RAD_S * RPM,
    ("no_load", "no_load_current"): NO_LOAD_A,
    ("no_load", "friction_coefficient_viscous"): B_NMS,
    ("no_load", "friction_torque_coulomb"): 0.0,
    ("no_load", "friction_torque_at_no_load"): K_VS * NO_LOAD_A,
    ("load", "voltage_constant"): K_VS,
    ("load", "torque_constant"): K_VS,
    ("load", "winding_resistance"): R_OHM,
    ("load", "brush_drop"): 0.0,
    ("load", "speed_at_rated_torque"): RATED_RAD_S * RPM,
    ("load", "current_at_rated_torque"): RATED_A,
    ("load", "efficiency_at_rated_torque"): RATED_NM * RATED_RAD_S / (VOLTAGE_V * RATED_A),
    ("load", "stall_current"): VOLTAGE_V / R_OHM,
    ("load", "stall_torque"): K_VS * VOLTAGE_V / R_OHM,
}
# an uncertainty that covers anything says nothing: most of U, as a share of the value
WIDEST = {
    ("no_load", "voltage_constant"): 0.001,
    ("no_load", "no_load_speed"): 0.001,
    ("no_load", "friction_coefficient_viscous"): 0.06,
    ("no_load", "friction_torque_at_no_load"): 0.02,
    ("load", "torque_constant"): 0.005,
    ("load", "winding_resistance"): 0.003,
    ("load", "efficiency_at_rated_torque"): 0.005,
}
# the sensor whose factor is 2 % too large, and what that moves by how much
BROKEN = {
    "dc_voltage_divider": {("load", "voltage_constant"): +0.02, ("no_load", "no_load_speed"): -0.02},
    "dc_current_sensor": {("load", "winding_resistance"): -0.02, ("load", "torque_constant"): -0.02},
    "torque_2nm": {("load", "efficiency_at_rated_torque"): +0.02, ("load", "torque_constant"): +0.02},
}
SOUND = ""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Played]:
    """The sound run, and one for each sensor whose factor is 2 % too large.

    The measuring unit is polled more slowly than frames are made, so that its samples stand in two or three rows each.
    """
    configs = {
        broken: copied_configs(
            tmp_path_factory.mktemp(broken or "sound"), FILES, factors={broken: 1.02} if broken else {}
        )
        for broken in (SOUND, *BROKEN)
    }
    for place in configs.values():
        (place / "programmes/published_motor.toml").write_text(PROGRAMME)
    return play_all(configs, FILES, seed=SEED)


@pytest.fixture
def sound(runs: Mapping[str, Played]) -> Played:
    return runs[SOUND]


@pytest.mark.parametrize("key", TRUE, ids=" ".join)
def test_the_stated_uncertainty_covers_the_published_value(sound: Played, key: tuple[str, str]) -> None:
    assert sound.covers(key, TRUE[key]), sound.quantity(*key)


@pytest.mark.parametrize("key", WIDEST, ids=" ".join)
def test_the_stated_uncertainty_is_narrow_enough_to_mean_something(sound: Played, key: tuple[str, str]) -> None:
    found = sound.quantity(*key)
    assert 0.0 < found["expanded_uncertainty"] < WIDEST[key] * found["value"]


@pytest.mark.parametrize(("sensor", "key"), [(s, key) for s, moved in BROKEN.items() for key in moved])
def test_a_factor_that_is_two_per_cent_wrong_puts_the_published_value_outside(
    runs: Mapping[str, Played], sensor: str, key: tuple[str, str]
) -> None:
    played, shift = runs[sensor], BROKEN[sensor][key]
    assert not played.covers(key, TRUE[key])
    assert played.quantity(*key)["value"] / TRUE[key] - 1.0 == pytest.approx(shift, abs=0.005)


def test_the_run_itself_tells_that_a_factor_is_wrong(runs: Mapping[str, Played]) -> None:
    said = {name: " ".join(played.document["tests"]["load"]["notes"]) for name, played in runs.items()}
    assert "they agree" in said.pop(SOUND)
    assert all("they disagree" in notes for notes in said.values())


def test_the_bench_s_own_truth_lies_within_the_uncertainty_of_every_loaded_point(sound: Played) -> None:
    for point in range(6):
        true = sound.truth(test=LOAD, point=point, names=TRUTHS)
        u, i, t, n = (true[name] for name in TRUTHS)
        shaft_w = t * n / RPM
        assert shaft_w > 40.0
        assert sound.covers(("load", f"point_{point:03d}_output_power"), shaft_w)
        assert sound.covers(("load", f"point_{point:03d}_efficiency"), shaft_w / (u * i))


def test_an_auditor_gets_a_point_s_efficiency_from_the_samples_with_numpy_alone(sound: Played) -> None:
    stated = sound.quantity("load", "point_002_efficiency")
    # these words are what the auditor follows below
    assert stated["how"] == (
        "shaft torque times speed times π/30, by voltage times current, each the mean over the point: its rows of good "
        "quality (0), without rows that repeat a sample (time_mono_s less age moves by less than 0.1 ms, since ages "
        "are kept in single precision), of the last window where it was averaged more than once"
    )
    columns, mine = rows_of_point(sound.folder, LOAD, 2)
    assert np.all(np.diff(np.flatnonzero(mine)) == 1)  # one window
    mean = {}
    for channel in ("shaft_torque", "shaft_speed", "dc_voltage", "dc_current"):
        taken_s = columns["time_mono_s"] - columns[f"{channel}.age_s"]
        repeats = np.concatenate([[False], np.abs(np.diff(taken_s)) < 1e-4])
        good = columns[f"{channel}.quality"] == 0
        assert (mine & repeats).sum() > 0.4 * mine.sum()
        mean[channel] = np.mean(columns[channel][mine & good & ~repeats])
    shaft_w = mean["shaft_torque"] * mean["shaft_speed"] * np.pi / 30.0
    efficiency = shaft_w / (mean["dc_voltage"] * mean["dc_current"])
    assert f"{efficiency:.9g}" == f"{stated['value']:.9g}"


def test_the_folder_evaluated_again_gives_the_same_results_byte_for_byte(sound: Played, tmp_path: Path) -> None:
    first = (sound.folder / "results.json").read_bytes()
    assert benchd("evaluate", str(sound.folder), runtime=tmp_path).returncode == 0
    assert (sound.folder / "results.json").read_bytes() == first
