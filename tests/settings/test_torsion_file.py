"""What files may say of critical speeds and of what shakes a shaft, and what becomes of it."""

import re
from pathlib import Path

import pytest

from benchd.settings.load import SettingsError, load_setup
from benchd.settings.places import configs_directory

from .test_plausible_file import loaded

TORSION = '[torsion]\norders = ["unbalance", "misalignment"]\n'
BAND = '[[critical_speeds]]\nlow_rpm = {low}\nhigh_rpm = {high}\nwhy = "the foot hums"\n\n'
WRONG = {
    "an order that nobody knows": ('"misalignment"]', '"wobble"]', "torsion.orders item 2"),
    "an order of nothing": (TORSION, TORSION + "further_orders = [3.0, 0.0]\n", "torsion.further_orders item 2"),
    "a band without width": ("half_width_ratio = 0.07", "half_width_ratio = 0.0", "torsion.half_width_ratio"),
    "a crossing slower than anything": (
        TORSION,
        TORSION + "crossing_slope_rpm_per_s = 500.0\n",
        "slower than speed_rpm_per_s in [slopes], which is 2000",
    ),
    "a transducer heavier than the shaft": (
        "transducer_inertia_kgm2 = 6.0e-6",
        "transducer_inertia_kgm2 = 2.0e-4",
        "not less than inertia_kgm2 (0.0002 kg·m²)",
    ),
    "a band that ends before it begins": (
        "[torsion]",
        BAND.format(low=900.0, high=800.0) + "[torsion]",
        "critical_speeds.low_rpm is 900 r/min and must stay below high_rpm, which is 800 r/min",
    ),
    "a band without a reason": (
        "[torsion]",
        "[[critical_speeds]]\nlow_rpm = 1.0\nhigh_rpm = 2.0\n\n[torsion]",
        "critical_speeds.why",
    ),
}


@pytest.mark.parametrize("mistake", WRONG)
def test_a_mistake_is_refused_with_its_line(tmp_path: Path, mistake: str) -> None:
    old, new, words = WRONG[mistake]
    with pytest.raises(SettingsError) as refused:
        loaded(tmp_path, old, new)
    assert words in str(refused.value)
    assert re.search(r"bench\.toml:\d+ ", str(refused.value))


def test_a_bench_file_without_any_of_it_reckons_with_what_every_shaft_has(tmp_path: Path) -> None:
    text = (configs_directory() / "benches/greenhouse.toml").read_text(encoding="utf-8")
    tables = text[text.index("# With these two the torsional") : text.index("# --- Drive parameters")]
    bench = loaded(tmp_path, tables, "")
    assert bench.torsion.orders == ("unbalance", "misalignment")
    assert bench.torsion.crossing_slope_rpm_per_s is None
    assert bench.shaft_train.transducer_stiffness_nm_per_rad is None
    assert bench.critical_speeds == ()


def test_a_set_up_may_state_bands_of_its_own(tmp_path: Path) -> None:
    text = (configs_directory() / "setups/vent_flap.toml").read_text(encoding="utf-8")
    file = tmp_path / "setup.toml"
    file.write_text(text + BAND.format(low=700.0, high=800.0), encoding="utf-8")
    [band] = load_setup(file).settings.critical_speeds
    assert (band.low_rpm, band.high_rpm, band.why) == (700.0, 800.0, "the foot hums")
    file.write_text(text + BAND.format(low=800.0, high=800.0), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"setup\.toml:\d+ critical_speeds\.low_rpm is 800 r/min"):
        load_setup(file)
