"""What a bench file may say of jog and power balance, and what becomes of it."""

import re
from pathlib import Path

import pytest

from benchd.app.discovery import find_drivers
from benchd.procedures import PROCEDURES
from benchd.settings.bench import Bench
from benchd.settings.load import Registry, SettingsError, load_bench
from benchd.settings.places import configs_directory

JOG = "[jog]\nenabled = true\n"
WRONG = {
    "a jog left out without a reason": ("enabled = true", "enabled = false", "jog.enabled is false without a reason"),
    "a speed like standstill": (JOG, JOG + "speed_rpm = 12.0\n", "jog.speed_rpm is 12 r/min and must lie between 30"),
    "a speed like a test's": (JOG, JOG + "speed_rpm = 3000.0\n", "a quarter of what the shaft train bears"),
    "a torque like a test's": (JOG, JOG + "torque_nm = 2.0\n", "more than half of what the shaft train bears"),
    "a holding torque below the push": (
        JOG,
        JOG + "torque_nm = 0.3\nholding_torque_nm = 0.2\n",
        "holds nothing against torque_nm",
    ),
    "a reaction that it has not": (
        'reaction = "warn"\nsettle_s',
        'reaction = "cut"\nsettle_s',
        "power_balance.reaction",
    ),
    "no friction of the load machine": ("load_loss_nm = 0.03", "# load_loss_nm", "power_balance.load_loss_nm"),
}


def loaded(folder: Path, old: str = "", new: str = "") -> Bench:
    text = (configs_directory() / "benches/greenhouse.toml").read_text(encoding="utf-8")
    assert old in text
    text = text.replace(old, new, 1).replace('"../sensors/', f'"{configs_directory()}/sensors/')
    file = folder / "bench.toml"
    file.write_text(text, encoding="utf-8")
    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    return load_bench(file, registry)


@pytest.mark.parametrize("mistake", WRONG)
def test_a_mistake_is_refused_with_its_line_and_what_to_do(tmp_path: Path, mistake: str) -> None:
    old, new, words = WRONG[mistake]
    with pytest.raises(SettingsError) as refused:
        loaded(tmp_path, old, new)
    assert words in str(refused.value)
    assert re.search(r"bench\.toml:\d+ ", str(refused.value))


def test_a_bench_file_without_these_tables_is_tried_and_not_balanced(tmp_path: Path) -> None:
    text = (configs_directory() / "benches/greenhouse.toml").read_text(encoding="utf-8")
    tables = text[text.index("[jog]") : text.index("# --- Start, slopes, stop")]
    bench = loaded(tmp_path, tables, "")
    assert bench.jog.enabled
    assert bench.power_balance is None


def test_a_jog_may_be_left_out_with_a_reason(tmp_path: Path) -> None:
    bench = loaded(tmp_path, "enabled = true", 'enabled = false\nreason = "turned by hand"')
    assert bench.jog.reason == "turned by hand"
